package writeback

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"dwellwatch/fhir/rest"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"

	"github.com/tidwall/gjson"
)

// run is one Converge at work.
type run struct {
	c                *Converger
	lease            *lease
	version          int64
	document         compose.Document
	patients         []string // ids of the person in the record
	referral         draft.Referral
	taskInstance     string
	documentInstance string
	writtenVersion   int64
	// known lists ids of ours, by type, that the search must give or that are read one by one.
	known map[string][]string
	// receipted lists, as Type/id, all that this database knows to have been written for the filter.
	receipted []string
	// stale holds "Type/id" of hits that the search gave in another version than the record holds.
	stale map[string]bool
	// first: this database knows of nothing that stands in the record for the filter.
	first bool
	// standIn is the id of the document that the last write took as the wanted revision.
	standIn string
	// provenance is the receipt of the current revision's Provenance; empty ResourceID: not known yet.
	provenance Receipt
	// broken is a Provenance that a batch left pointing nowhere; the pass that finds the document puts it right.
	broken rest.Written
	// noProvenance: the record cannot be asked for Provenance, so none is written.
	noProvenance bool
	// unheard: the store may not know what people did with a Task: they ended this round's before it said how urgent the matter is, or
	// took up one that a merge of keys would have ended.
	unheard bool
	notice  string // attention code although all is written
	// refusedBundle: the record refused the transaction; if the single writes work, it takes none.
	refusedBundle bool
	pdf           []byte // drawn once for what it replaces
	pdfReplaces   string
	last          state
	wrote         bool
}

func (c *Converger) newRun(w Wanted, l *lease) (*run, error) {
	r := &run{c: c, patients: w.Patients, lease: l, version: w.Version, referral: w.Referral, known: map[string][]string{},
		stale: map[string]bool{}, writtenVersion: w.WrittenVersion, first: len(w.Receipts) == 0}
	if err := json.Unmarshal(w.Document, &r.document); err != nil {
		return nil, fmt.Errorf("saved document: %w", fault.Invalid)
	}
	r.document.Referral = w.Referral
	if len(r.document.Assessment.Filters) != 1 {
		return nil, fmt.Errorf("saved document is not about one filter: %w", fault.Invalid)
	}
	var err error
	if r.taskInstance, err = c.cfg.Site.TaskInstance(w.Referral); err != nil {
		return nil, err
	}
	if r.documentInstance, err = c.cfg.Site.DocumentInstance(w.Referral); err != nil {
		return nil, err
	}
	for _, receipt := range w.Receipts {
		if receipt.ResourceID == "" {
			continue
		}
		r.receipted = append(r.receipted, receipt.Kind+"/"+receipt.ResourceID)
		if receipt.Kind == "Task" && receipt.Round == w.Referral.Round-1 {
			r.know(receipt.Kind, receipt.ResourceID)
		}
		if receipt.Round != w.Referral.Round {
			continue
		}
		if receipt.Kind == "Provenance" {
			if receipt.Revision == w.Referral.Revision {
				r.provenance = receipt
			}
			continue
		}
		if receipt.Kind == "DocumentReference" && receipt.Revision == w.Referral.Revision {
			r.standIn = receipt.ResourceID
		}
		r.know(receipt.Kind, receipt.ResourceID)
	}
	return r, nil
}

func (r *run) know(typ, id string) {
	if id != "" && !slices.Contains(r.known[typ], id) {
		r.known[typ] = append(r.known[typ], id)
	}
}

// settle looks, writes what is amiss and looks again, until a look finds nothing amiss.
func (r *run) settle(ctx context.Context) error {
	clashes := 0
	for range maxPasses + maxClashes {
		r.wrote, r.notice = false, ""
		err := r.pass(ctx)
		switch {
		case err == nil && !r.wrote:
			return nil
		case err == nil, errors.Is(err, errMoved):
			continue
		}
		if refused, ok := errors.AsType[*rest.Refused](err); ok && refused.Status == http.StatusConflict &&
			clashes < maxClashes {
			clashes++
			step := 50 * time.Millisecond << clashes
			if err := r.c.cfg.Pause(ctx, jitter(step/2, step)); err != nil {
				return err
			}
			continue
		}
		return r.outcome(ctx, err)
	}
	return &Later{jitter(5*time.Second, 15*time.Second), errUnsettled}
}

// outcome turns a fault into what the queue must do.
func (r *run) outcome(ctx context.Context, err error) error {
	refused, ok := errors.AsType[*rest.Refused](err)
	switch {
	case errors.Is(err, rest.ErrUnknownOutcome), errors.Is(err, errLate):
		later := r.waitOut(err)
		if ok {
			later.After = max(later.After, refused.RetryAfter)
		}
		return later
	case ctx.Err() != nil:
		return err
	case errors.Is(err, errOtherPatient):
		return r.c.attention(ctx, r.referral.Key, r.version, AttentionOtherPatient, err)
	case errors.Is(err, rest.ErrNoVersion):
		return r.c.attention(ctx, r.referral.Key, r.version, AttentionNoVersion, err)
	case ok && refused.Status == http.StatusUnauthorized:
		if e := r.c.cfg.Store.MarkAttention(ctx, r.referral.Key, r.version, AttentionToken, r.c.cfg.Now()); e != nil {
			return fmt.Errorf("mark for attention: %w", e)
		}
		return &Later{pauseToken, err}
	case ok && refused.Status == http.StatusConflict:
		return &Later{max(refused.RetryAfter, jitter(2*time.Second, 10*time.Second)), err}
	case ok && refused.Retryable && refused.RetryAfter > 0:
		return &Later{refused.RetryAfter, err}
	case errors.Is(err, fault.Unavailable):
		return &Later{jitter(pauseAny/2, pauseAny), err}
	case errors.Is(err, fault.Refused):
		return r.c.attention(ctx, r.referral.Key, r.version, AttentionRefused, err)
	case errors.Is(err, fault.Invalid):
		return r.c.attention(ctx, r.referral.Key, r.version, AttentionUnreadable, err)
	}
	return err
}

// sent sorts the answer to a write: errMoved where the record changed between look and write, errLate where the answer
// came from something in front of the record, or from a record in trouble, and the write may still take effect.
func sent(err error) error {
	refused, ok := errors.AsType[*rest.Refused](err)
	if !ok {
		return err
	}
	switch refused.Status {
	case http.StatusPreconditionFailed:
		return errMoved
	case http.StatusRequestTimeout, http.StatusInternalServerError, http.StatusBadGateway, http.StatusGatewayTimeout:
		return fmt.Errorf("%w: %w", errLate, err)
	}
	return err
}

// waitOut keeps the lease until a request that is on its way can no longer take effect.
func (r *run) waitOut(err error) *Later {
	r.lease.keep = true
	return &Later{max(r.lease.until.Sub(r.c.cfg.Now()), 0) + time.Millisecond, err}
}

// create sends one create under a lease that outlasts it. What existed already is errMoved: it must be looked at first.
func (r *run) create(ctx context.Context, typ string, resource []byte, ifNoneExist string) (rest.Written, error) {
	if err := r.lease.renew(ctx); err != nil {
		return rest.Written{}, err
	}
	w, err := r.c.cfg.Record.Create(ctx, resource, ifNoneExist)
	if err != nil {
		return w, sent(err)
	}
	r.wrote = true
	r.know(typ, w.ID)
	if w.Existing && ifNoneExist != "" {
		return w, errMoved
	}
	return w, r.keep(ctx, r.created(typ, w))
}

// created is the receipt of an entry that was just created.
func (r *run) created(typ string, w rest.Written) Receipt {
	made := Receipt{Kind: typ, Round: r.referral.Round, Revision: r.referral.Revision, ResourceID: w.ID, VersionID: w.VersionID}
	switch typ {
	case "Task":
		made.Revision, made.Status = 0, "draft"
	case "DocumentReference":
		made.Status = "current"
	}
	return made
}

// keep stores receipts at once: a run that comes to grief after a create must not leave the next one to a search that
// lags or answers nothing. The document that stands for the wanted revision goes with them, or it would be forgotten.
func (r *run) keep(ctx context.Context, made ...Receipt) error {
	if len(made) == 0 {
		return nil
	}
	if d, ok := r.mainDocument(r.last.documents); ok &&
		!slices.ContainsFunc(made, func(m Receipt) bool { return m.Kind == "DocumentReference" }) {
		made = append(made, r.receipt("DocumentReference", d))
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), saveTimeout)
	defer cancel()
	if err := r.c.cfg.Store.MarkWritten(ctx, r.referral.Key, r.writtenVersion, made, r.c.cfg.Now()); err != nil {
		return fmt.Errorf("store receipts: %w", err)
	}
	return nil
}

// update sends one update under a lease that outlasts it. An entry that is gone, or is no longer what the update is based
// on, is errMoved.
func (r *run) update(ctx context.Context, resource []byte, etag string) (rest.Written, error) {
	if err := r.unmoved(ctx, resource, etag); err != nil {
		return rest.Written{}, err
	}
	if err := r.lease.renew(ctx); err != nil {
		return rest.Written{}, err
	}
	w, err := r.c.cfg.Record.Update(ctx, resource, etag)
	switch {
	case errors.Is(err, fault.NotFound):
		return w, errMoved
	case err != nil:
		return w, sent(err)
	}
	r.wrote = true
	return w, nil
}

// unmoved reads an entry once more before it is overwritten: a search may give an old version of it, and a record may
// ignore If-Match. errMoved says that it is another version by now.
func (r *run) unmoved(ctx context.Context, resource []byte, etag string) error {
	typ, id := gjson.GetBytes(resource, "resourceType").String(), gjson.GetBytes(resource, "id").String()
	based := gjson.GetBytes(resource, "meta.versionId").String()
	now, err := r.read(ctx, typ, id)
	switch {
	case errors.Is(err, fault.NotFound):
		return errMoved
	case err != nil:
		return err
	case based != "" && now.version != based, based == "" && now.etag != etag:
		r.stale[typ+"/"+id] = true
		return errMoved
	}
	return nil
}

// transact sends one transaction under a lease that outlasts it.
func (r *run) transact(ctx context.Context, bundle []byte) ([]rest.EntryResponse, error) {
	if err := r.lease.renew(ctx); err != nil {
		return nil, err
	}
	entries, err := r.c.cfg.Record.Transact(ctx, bundle)
	if err == nil || errors.Is(err, rest.ErrNotAtomic) {
		r.wrote = true
	}
	return entries, sent(err)
}

// receipts tells what the last look found: one Task, one document, one Provenance at most.
func (r *run) receipts() []Receipt {
	var out []Receipt
	if t, ok := r.mainTask(r.last.tasks); ok {
		receipt := r.receipt("Task", t)
		receipt.Revision = 0
		out = append(out, receipt)
	}
	if d, ok := r.mainDocument(r.last.documents); ok {
		out = append(out, r.receipt("DocumentReference", d))
	}
	if r.provenance.ResourceID != "" {
		out = append(out, r.provenance)
	}
	return out
}

func (r *run) receipt(kind string, h held) Receipt {
	return Receipt{Kind: kind, Round: r.referral.Round, Revision: r.referral.Revision, ResourceID: h.id,
		VersionID: h.version, Status: h.status}
}
