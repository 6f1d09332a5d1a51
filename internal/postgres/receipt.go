package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// Receipt says where one resource of ours lies in the record, as the record answered.
type Receipt struct {
	Kind            string // Task | DocumentReference | Provenance
	Round, Revision int    // Revision is 0 for a Task
	ResourceID      string
	VersionID       string // "" where the record tells none
	Status          string // as last seen; "" where the kind has none
}

// MarkWritten says that the record holds this version, and keeps the receipts; a receipt of the same kind, round and
// revision is replaced. A newer version stays to be written; an older one changes only receipts. It ends a call for attention.
// fault.NotFound: there is no referral; fault.Invalid: it never had this version.
func (s *Store) MarkWritten(ctx context.Context, key string, version int64, receipts []Receipt, now time.Time) error {
	const mark = `
		UPDATE referral
		SET written_version = greatest(written_version, @version), written_at = @now, looked_at = now(),
			attention = NULL, attention_version = NULL, attention_at = NULL
		WHERE key = @key AND coalesce(attention_version, 0) <= @version`
	const upsert = `
		INSERT INTO receipt (key, kind, round, revision, resource_id, version_id, status, written_at)
		VALUES (@key, @kind, @round, @revision, @resource_id, @version_id, @status, @now)
		ON CONFLICT (key, kind, round, revision) DO UPDATE SET resource_id = EXCLUDED.resource_id,
			version_id = EXCLUDED.version_id, status = EXCLUDED.status, written_at = EXCLUDED.written_at`
	return s.inTx(ctx, "mark a referral as written", func(tx pgx.Tx) error {
		if err := lockReferral(ctx, tx, key, version); err != nil {
			return err
		}
		b := &pgx.Batch{}
		b.Queue(mark, pgx.NamedArgs{"key": key, "version": version, "now": now})
		for _, r := range receipts {
			b.Queue(upsert, pgx.NamedArgs{"key": key, "kind": r.Kind, "round": r.Round, "revision": r.Revision,
				"resource_id": r.ResourceID, "version_id": r.VersionID, "status": r.Status, "now": now})
		}
		return tx.SendBatch(ctx, b).Close()
	})
}

// MarkLooked notes that the record was just seen to hold no surplus copies of what was written.
func (s *Store) MarkLooked(ctx context.Context, key string) error {
	const mark = `UPDATE referral SET looked_at = now() WHERE key = @key`
	_, err := s.pool.Exec(ctx, mark, pgx.NamedArgs{"key": key})
	return failed("note a look at a referral", err)
}

func readReceipts(ctx context.Context, tx pgx.Tx, key string) ([]Receipt, error) {
	const read = `
		SELECT kind, round, revision, resource_id, version_id, status
		FROM receipt WHERE key = @key ORDER BY kind, round, revision`
	rows, err := tx.Query(ctx, read, pgx.NamedArgs{"key": key})
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Receipt])
}
