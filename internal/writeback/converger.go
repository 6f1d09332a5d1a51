// Package writeback converges what the record holds for one filter to the referral that should stand there: it searches
// under our identifiers, checks every hit, creates what is missing, updates what differs and retires surplus copies, and
// it may be repeated at any moment. It must never write without the filter's lease, never overwrite a version it has not
// read, never touch an entry that does not carry the filter's key for the same patient (but for taking back one that it wrote
// itself and that has since come to be about somebody else), and never put an address, an id or patient data into an error text.
package writeback

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"sync/atomic"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"

	"github.com/google/uuid"
)

const (
	// leaseMargin is what the lease lasts beyond the request timeout, for clocks and for the way to the database.
	leaseMargin = 5 * time.Second
	maxPasses   = 6
	maxClashes  = 4 // conflicts (409) answered by a short pause before the job is put off
	pauseAny    = 30 * time.Second
	pauseToken  = 15 * time.Minute
)

// Codes that MarkAttention gets: our own words, for the operator's page.
const (
	AttentionRefused      = "refused"             // the record understood and declined
	AttentionToken        = "unauthorised"        // the record does not accept our token
	AttentionNoVersion    = "no-version"          // the record gives no versions, so nothing can be updated safely
	AttentionOtherPatient = "other-patient"       // the record holds our identifier for another patient
	AttentionCopies       = "copies-in-work"      // people work on two Tasks for one filter
	AttentionEnded        = "ended-and-approved"  // people ended in the record what a person approved
	AttentionOutOfStep    = "document-superseded" // the record holds a later document than the one wanted
	AttentionUnreadable   = "unreadable"          // what is wanted cannot be composed
	AttentionUnseen       = "search-incomplete"   // nothing was found to close, in a search that could not be read to its end
)

// AttentionCodes lists the codes that MarkAttention gets.
func AttentionCodes() []string {
	return []string{AttentionRefused, AttentionToken, AttentionNoVersion, AttentionOtherPatient, AttentionCopies, AttentionEnded, AttentionOutOfStep,
		AttentionUnreadable, AttentionUnseen}
}

// Receipt tells where one entry of ours stands in the record.
type Receipt struct {
	Kind            string // Task | DocumentReference | Provenance
	Round, Revision int    // Revision is 0 for a Task
	ResourceID      string
	VersionID       string // "" where the record did not say
	Status          string // "" for a Provenance
}

// Wanted is the state that should stand, as it was saved last.
type Wanted struct {
	Version, WrittenVersion int64
	Referral                draft.Referral
	Document                []byte // JSON of compose.Document
	Receipts                []Receipt
	// Patients are the ids by which the record knows the person; after a merge our entries may name any of them.
	Patients []string
}

// Store is what a Converger needs of the database. Lease by the holder who has it renews it. MarkWritten keeps the receipts
// also where a version at least as new has been written; then it changes nothing else that is wanted.
type Store interface {
	Wanted(ctx context.Context, key string) (Wanted, error)
	Lease(ctx context.Context, key, holder string, d time.Duration) (bool, error)
	Release(ctx context.Context, key, holder string) error
	MarkWritten(ctx context.Context, key string, version int64, receipts []Receipt, now time.Time) error
	MarkAttention(ctx context.Context, key string, version int64, code string, now time.Time) error
	// MarkLooked notes that the record was just seen to hold no surplus.
	MarkLooked(ctx context.Context, key string) error
	// ReadAgain asks for the person's context to be read from the record, the Tasks with it.
	ReadAgain(ctx context.Context, key string) error
}

// Record is what a Converger needs of the FHIR server; *rest.Client is one.
type Record interface {
	Capabilities(ctx context.Context) (rest.Capabilities, error)
	Search(ctx context.Context, typ string, query url.Values, limit int) ([]json.RawMessage, error)
	Read(ctx context.Context, typ, id string) (fhir.Resource, string, error)
	Create(ctx context.Context, resource []byte, ifNoneExist string) (rest.Written, error)
	Update(ctx context.Context, resource []byte, etag string) (rest.Written, error)
	Transact(ctx context.Context, bundle []byte) ([]rest.EntryResponse, error)
}

// Config is all that a Converger needs. Store, Record, Site and Render have no default.
type Config struct {
	Store  Store
	Record Record
	Site   compose.Site
	// Render draws the work-up document (PDF). The same Document must give the same bytes.
	Render func(compose.Document) ([]byte, error)
	// Timeout is the record client's request timeout: after it a request that was sent has happened or never will.
	// 0 means 30 s.
	Timeout time.Duration
	// Margin is what the lease lasts beyond Timeout; 0 means 5 s.
	Margin time.Duration
	// Now gives the time in the facility's zone; nil means time.Now.
	Now func() time.Time
	// Pause waits between tries inside one run; nil waits for real.
	Pause func(ctx context.Context, d time.Duration) error
}

// Converger brings filters' referrals into the record. It is safe for use by several goroutines and processes at once.
type Converger struct {
	cfg Config
	// transactions remembers a rest.Support once the record has shown it.
	transactions atomic.Value
}

// New gives a Converger.
func New(cfg Config) *Converger {
	if cfg.Timeout <= 0 {
		cfg.Timeout = 30 * time.Second
	}
	if cfg.Margin <= 0 {
		cfg.Margin = leaseMargin
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Pause == nil {
		cfg.Pause = sleep
	}
	return &Converger{cfg: cfg}
}

func sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

var (
	// ErrBusy says that another worker holds the filter's lease.
	ErrBusy = errors.New("another worker is writing this filter's referral")
	// errUnsettled says that the record kept changing under our hands.
	errUnsettled = fmt.Errorf("the record did not settle: %w", fault.Unavailable)
	// errMoved says that what was read is no longer what the record holds, or need not be: look again.
	errMoved = errors.New("the record has moved on")
	// errLate marks an answer after which the write may still take effect.
	errLate = errors.New("a write may still take effect")
)

// Later asks for the same work again after a pause; nothing is lost and nobody need look.
type Later struct {
	After time.Duration
	Err   error // why
}

// Error gives the reason.
func (l *Later) Error() string {
	return fmt.Sprintf("again in %s: %v", l.After.Round(time.Second), l.Err)
}

// Unwrap gives the reason.
func (l *Later) Unwrap() error { return l.Err }

func jitter(from, to time.Duration) time.Duration { return from + rand.N(to-from) }

// Converge makes the record hold what is wanted for the filter, at least as of version, and stores the receipts. It gives
// nil when the record was seen to hold it (also when newer work had done so before); *Later when the work must be
// repeated after a pause (ErrBusy inside: another worker has it); fault.Refused when a person must look, with the reason
// marked in the store; any other error is the store's or the context's. The same call any number of times writes once.
func (c *Converger) Converge(ctx context.Context, key string, version int64) error {
	return c.work(ctx, key, func(_ context.Context, r *run) (bool, error) { return r.writtenVersion >= version, nil })
}

// Look is Converge for a referral that was written before: where the record now shows more than one open Task or current
// document for the filter, the surplus is retired. It makes nothing new and changes nothing else. A copy may come to light
// after all was written: a request that was long on its way, a record that could not search, or somebody who copied it.
func (c *Converger) Look(ctx context.Context, key string) error {
	return c.work(ctx, key, func(ctx context.Context, r *run) (bool, error) {
		if r.version == 0 || r.writtenVersion < r.version {
			return true, nil // that version's own job writes it
		}
		single, err := r.single(ctx)
		if err != nil || !single {
			return false, err
		}
		return true, c.cfg.Store.MarkLooked(ctx, key)
	})
}

// work brings the record to what is wanted under the filter's lease, unless done says that there is nothing to do.
func (c *Converger) work(ctx context.Context, key string, done func(context.Context, *run) (bool, error)) error {
	l := &lease{c: c, key: key, holder: uuid.NewString()}
	if err := l.take(ctx); err != nil {
		return err
	}
	defer l.release(ctx)
	wanted, err := c.cfg.Store.Wanted(ctx, key)
	if err != nil {
		return fmt.Errorf("wanted referral: %w", err)
	}
	r, err := c.newRun(wanted, l)
	if err != nil {
		return c.attention(ctx, key, wanted.Version, AttentionUnreadable, err)
	}
	if ready, err := done(ctx, r); err != nil {
		return r.outcome(ctx, err)
	} else if ready {
		return nil
	}
	if err := r.settle(ctx); err != nil {
		return err
	}
	if err := c.cfg.Store.MarkWritten(ctx, key, wanted.Version, r.receipts(), c.cfg.Now()); err != nil {
		return fmt.Errorf("store receipts: %w", err)
	}
	if r.unheard {
		if err := c.cfg.Store.ReadAgain(ctx, key); err != nil {
			return fmt.Errorf("ask for the Task to be read: %w", err)
		}
	}
	if r.notice != "" {
		if err := c.cfg.Store.MarkAttention(ctx, key, wanted.Version, r.notice, c.cfg.Now()); err != nil {
			return fmt.Errorf("mark for attention: %w", err)
		}
	}
	return nil
}

// attention marks the referral for a person and gives the terminal error.
func (c *Converger) attention(ctx context.Context, key string, version int64, code string, cause error) error {
	if err := c.cfg.Store.MarkAttention(ctx, key, version, code, c.cfg.Now()); err != nil {
		return fmt.Errorf("mark for attention: %w", err)
	}
	return fmt.Errorf("write back (%s): %w: %w", code, fault.Refused, cause)
}

// takesTransactions asks the record's CapabilityStatement once; what is not known is tried.
func (c *Converger) takesTransactions(ctx context.Context) (bool, error) {
	if known, ok := c.transactions.Load().(rest.Support); ok {
		return known != rest.SupportNo, nil
	}
	found, err := c.cfg.Record.Capabilities(ctx)
	if err != nil {
		return false, err
	}
	if found.Transactions != rest.SupportUnknown {
		c.transactions.Store(found.Transactions)
	}
	return found.Transactions != rest.SupportNo, nil
}
