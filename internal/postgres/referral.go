package postgres

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
)

// WantedReferral is what should stand in the record for one filter, and how far it has been written.
type WantedReferral struct {
	Version        int64 // of this state; 0 if nothing was ever asked to be written
	Referral       draft.Referral
	Document       []byte // as saved with the last change; nil if there was none
	WrittenVersion int64
	Attention      string    // why a person must look; "" if nobody must
	Receipts       []Receipt // by kind, round and revision
	Patients       []string  // ids by which the record knows the person, sorted: several after a merge
}

// Holds reports whether a revision's document was written, as far as the receipts tell.
func (w WantedReferral) Holds(r draft.Referral) bool {
	return slices.ContainsFunc(w.Receipts, func(c Receipt) bool {
		return c.Kind == "DocumentReference" && c.Round == r.Round && c.Revision == r.Revision
	})
}

// saveReferral stores a wanted state and gives its version.
func saveReferral(ctx context.Context, tx pgx.Tx, person string, r SavedReferral) (int64, error) {
	const upsert = `
		INSERT INTO referral (key, person_id, version, state, document)
		VALUES (@key, @person, @changed::boolean::int, @state, @document)
		ON CONFLICT (key) DO UPDATE SET state = EXCLUDED.state, version = referral.version + @changed::boolean::int,
			document = CASE WHEN @changed::boolean THEN EXCLUDED.document ELSE referral.document END,
			changed_at = CASE WHEN @changed::boolean THEN now() ELSE referral.changed_at END
		WHERE referral.person_id = EXCLUDED.person_id
		RETURNING version`
	var document json.RawMessage
	if r.Changed {
		document = r.Document
	}
	var number int64
	err := tx.QueryRow(ctx, upsert, pgx.NamedArgs{"key": r.Referral.Key, "person": person, "changed": r.Changed,
		"state": r.Referral, "document": document}).Scan(&number)
	return number, err
}

// Wanted reads one filter's referral in one snapshot; fault.NotFound if there is none.
func (s *Store) Wanted(ctx context.Context, key string) (WantedReferral, error) {
	const read = `
		SELECT version, state, document, written_version, coalesce(attention, '') FROM referral WHERE key = @key`
	const patients = `
		SELECT a.patient_id FROM person_alias a JOIN referral r USING (person_id)
		WHERE r.key = @key AND a.feed = @feed ORDER BY a.patient_id COLLATE "C"`
	var w WantedReferral
	err := s.inSnapshot(ctx, "read a referral", func(tx pgx.Tx) error {
		var document *json.RawMessage
		err := tx.QueryRow(ctx, read, pgx.NamedArgs{"key": key}).Scan(&w.Version, &w.Referral, &document, &w.WrittenVersion, &w.Attention)
		if err != nil {
			return err
		}
		if document != nil {
			w.Document = *document
		}
		if w.Receipts, err = readReceipts(ctx, tx, key); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, patients, pgx.NamedArgs{"key": key, "feed": DefaultFeed})
		if err != nil {
			return err
		}
		w.Patients, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	if err != nil {
		return WantedReferral{}, err
	}
	return w, nil
}

// Lease makes holder the only one who may write this filter's referral for d from now, and reports whether it did: not while
// another holder's lease runs. The holder may lease again, which prolongs it. The time is the database's, because the clocks of
// two replicas differ. fault.NotFound: there is no referral.
func (s *Store) Lease(ctx context.Context, key, holder string, d time.Duration) (bool, error) {
	const lease = `
		UPDATE referral SET lease_holder = @holder, lease_until = clock_timestamp() + @length
		WHERE key = @key AND (lease_holder IS NULL OR lease_holder = @holder OR lease_until <= clock_timestamp())`
	const exists = `SELECT EXISTS (SELECT FROM referral WHERE key = @key)`
	got := false
	err := s.inTx(ctx, "lease a referral", func(tx pgx.Tx) error {
		args := pgx.NamedArgs{"key": key, "holder": holder, "length": d}
		tag, err := tx.Exec(ctx, lease, args)
		if err != nil {
			return err
		}
		if got = tag.RowsAffected() == 1; got {
			return nil
		}
		var there bool
		if err := tx.QueryRow(ctx, exists, args).Scan(&there); err != nil {
			return err
		}
		if !there {
			return fmt.Errorf("referral: %w", fault.NotFound)
		}
		return nil
	})
	return got && err == nil, err
}

// Release ends holder's lease; a lease of another is left alone.
func (s *Store) Release(ctx context.Context, key, holder string) error {
	const release = `UPDATE referral SET lease_holder = NULL, lease_until = NULL WHERE key = @key AND lease_holder = @holder`
	_, err := s.pool.Exec(ctx, release, pgx.NamedArgs{"key": key, "holder": holder})
	return failed("release a referral", err)
}

// MarkAttention says that version cannot be written until a person has looked. code is a word of ours and holds no
// patient data. It is fault.Superseded if a newer version is wanted already, and fault.NotFound if there is no referral.
func (s *Store) MarkAttention(ctx context.Context, key string, version int64, code string, now time.Time) error {
	const mark = `
		UPDATE referral SET attention = @code, attention_version = @version, attention_at = @now
		WHERE key = @key AND version = @version`
	return s.inTx(ctx, "mark a referral for attention", func(tx pgx.Tx) error {
		if err := lockReferral(ctx, tx, key, version); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, mark, pgx.NamedArgs{"key": key, "code": code, "version": version, "now": now})
		if err == nil && tag.RowsAffected() == 0 {
			err = fmt.Errorf("a newer version is wanted: %w", fault.Superseded)
		}
		return err
	})
}

// lockReferral locks a referral and refuses a version that it never had.
func lockReferral(ctx context.Context, tx pgx.Tx, key string, version int64) error {
	const lock = `SELECT version FROM referral WHERE key = @key FOR UPDATE`
	var newest int64
	if err := tx.QueryRow(ctx, lock, pgx.NamedArgs{"key": key}).Scan(&newest); err != nil {
		return err
	}
	if version > newest || version < 0 {
		return fmt.Errorf("no such version of the referral: %w", fault.Invalid)
	}
	return nil
}
