package postgres

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
	"dwellwatch/internal/fault"
)

// Refused is a payload that could not be taken, and what it takes to try it again exactly as it came.
type Refused struct {
	Feed, Route     string // Route is a pattern
	Method, Target  string // of the request; Target is the path below the door, without a query: "", "Type" or "Type/id"
	ContentType     string
	ContentEncoding string // of Body; "" where it was unpacked
	Bundle          string // for one entry of a Bundle its type, or "notification"; "" for a whole body
	Body            []byte // nil where it was too large to be read
	Issues          []fhir.Issue
	Keep            bool // the bytes concern a filter or a followed person and may be kept
	At              time.Time
}

// Held is what lies in the quarantine. Where the bytes are not kept, nothing of the request is either.
type Held struct {
	ID                           int64
	Feed, Route                  string
	Method, Target               string
	ContentType, ContentEncoding string
	Bundle                       string
	ReceivedAt, ExpiresAt        time.Time
	Size                         int64
	Body                         []byte // QuarantineShow only
	Replayable                   bool
	Times                        int // it came, byte for byte the same; ReceivedAt is the last time
	Issues                       []fhir.Issue
	Replays                      int       // refused again
	ReplayedAt                   time.Time // zero before the first
	Outcome                      int       // HTTP status of the last replay
	OutcomeIssues                []fhir.Issue
}

// Quarantine keeps what could not be taken for some days, with all its faults. The bytes, and what it takes to replay them,
// are kept only where Keep says that they concern a filter or a followed person. What a sender repeats is one entry.
func (s *Store) Quarantine(ctx context.Context, r Refused, days int) error {
	const insert = `
		INSERT INTO quarantine (feed, route, received_at, expires_at, size, body, issues,
			digest, method, target, content_type, content_encoding, bundle)
		SELECT @feed, @route, @at, @expires, @size, @body, @issues, @digest,
			CASE WHEN @keep THEN @method::text END, CASE WHEN @keep THEN @target::text END,
			CASE WHEN @keep THEN @content_type::text END, CASE WHEN @keep THEN @content_encoding::text END,
			CASE WHEN @keep THEN @bundle::text END
		ON CONFLICT (digest) DO UPDATE SET times = quarantine.times + 1, issues = EXCLUDED.issues,
			received_at = greatest(quarantine.received_at, EXCLUDED.received_at), expires_at = greatest(quarantine.expires_at, EXCLUDED.expires_at)`
	clean := func(s string) string { return strings.ToValidUTF8(strings.ReplaceAll(s, "\x00", ""), "\uFFFD") }
	who, err := s.whoami(ctx)
	if err != nil {
		return err
	}
	size := len(r.Body)
	digest := who.request(r)
	if r.Body == nil {
		r.Keep = false
	}
	if !r.Keep {
		r.Body = nil
	}
	return s.inTx(ctx, "quarantine a payload", func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, insert, pgx.NamedArgs{"feed": r.Feed, "route": r.Route, "at": r.At, "expires": r.At.AddDate(0, 0, days),
			"size": size, "body": r.Body, "digest": digest, "issues": listed(r.Issues), "keep": r.Keep, "method": clean(r.Method), "target": clean(r.Target),
			"content_type": clean(r.ContentType), "content_encoding": clean(r.ContentEncoding), "bundle": clean(r.Bundle)})
		return err
	})
}

// request names a request by what it was, and whether its bytes are kept; nil where they were too many to be read.
func (i *identity) request(r Refused) []byte {
	if r.Body == nil {
		return nil
	}
	mac := hmac.New(sha256.New, i.hashKey)
	for _, part := range []string{r.Feed, r.Route, r.Method, r.Target, r.ContentType, r.ContentEncoding, r.Bundle, strconv.FormatBool(r.Keep)} {
		mac.Write([]byte(strconv.Itoa(len(part)) + "|" + part))
	}
	mac.Write(r.Body)
	return mac.Sum(nil)
}

// listed makes no issues an empty list rather than null.
func listed(issues []fhir.Issue) []fhir.Issue {
	if issues == nil {
		return []fhir.Issue{}
	}
	return issues
}

// heldColumns are the columns of Held, in its order, but for the bytes, which stand after the size.
const (
	heldRequest = `
		SELECT id, feed, route, coalesce(method, ''), coalesce(target, ''), coalesce(content_type, ''), coalesce(content_encoding, ''),
			coalesce(bundle, ''), received_at, expires_at, size, `
	heldState = `, body IS NOT NULL AND method IS NOT NULL, times, issues, replays,
			coalesce(replayed_at, timestamptz '0001-01-01 00:00:00+00'), coalesce(outcome, 0), coalesce(outcome_issues, '[]')
		FROM quarantine `
)

// QuarantineList gives what lies in the quarantine, without bytes, in the order it came, after the number after (0 for the start), at
// most limit of it; of one feed, or of all where feed is "".
func (s *Store) QuarantineList(ctx context.Context, feed string, after int64, limit int) ([]Held, error) {
	const read = heldRequest + `NULL::bytea` + heldState + `WHERE id > @after AND (@feed = '' OR feed = @feed) ORDER BY id LIMIT @limit`
	const what = "list the quarantine"
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"after": after, "feed": feed, "limit": limit})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Held])
	return list, failed(what, err)
}

// QuarantineShow gives one entry of the quarantine with its bytes, where they are kept; fault.NotFound if there is none.
func (s *Store) QuarantineShow(ctx context.Context, id int64) (Held, error) {
	const read = heldRequest + `body` + heldState + `WHERE id = @id`
	const what = "show an entry of the quarantine"
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"id": id})
	if err != nil {
		return Held{}, failed(what, err)
	}
	h, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Held])
	return h, failed(what, err)
}

// QuarantineReplayed notes that a replay was refused again, with its HTTP status and faults; fault.NotFound if there is no such
// entry.
func (s *Store) QuarantineReplayed(ctx context.Context, id int64, status int, issues []fhir.Issue, at time.Time) error {
	const note = `
		UPDATE quarantine SET replays = replays + 1, replayed_at = @at, outcome = @status, outcome_issues = @issues
		WHERE id = @id`
	return s.oneHeld(ctx, "note a replay", note, pgx.NamedArgs{"id": id, "status": status, "issues": listed(issues), "at": at})
}

// QuarantineDiscard deletes an entry of the quarantine; fault.NotFound if there is none.
func (s *Store) QuarantineDiscard(ctx context.Context, id int64) error {
	const discard = `DELETE FROM quarantine WHERE id = @id`
	return s.oneHeld(ctx, "discard an entry of the quarantine", discard, pgx.NamedArgs{"id": id})
}

func (s *Store) oneHeld(ctx context.Context, what, sql string, args pgx.NamedArgs) error {
	tag, err := s.pool.Exec(ctx, sql, args)
	if err == nil && tag.RowsAffected() == 0 {
		return fmt.Errorf("%s: %w", what, fault.NotFound)
	}
	return failed(what, err)
}

// ForgetQuarantine deletes what has been kept long enough by now, and gives its number.
func (s *Store) ForgetQuarantine(ctx context.Context, now time.Time) (int, error) {
	const forget = `DELETE FROM quarantine WHERE expires_at <= @now`
	tag, err := s.pool.Exec(ctx, forget, pgx.NamedArgs{"now": now})
	return int(tag.RowsAffected()), failed("forget old payloads", err)
}

// Follows reports whether any of a feed's patients is followed.
func (s *Store) Follows(ctx context.Context, feed string, patients []string) (bool, error) {
	const find = `
		SELECT EXISTS (
			SELECT FROM person_alias a JOIN person p ON p.id = a.person_id
			WHERE a.feed = @feed AND a.patient_id = ANY(@patients) AND p.followed)`
	var found bool
	err := s.pool.QueryRow(ctx, find, pgx.NamedArgs{"feed": feed, "patients": patients}).Scan(&found)
	return found, failed("look for followed patients", err)
}
