package worker

import (
	"context"

	"dwellwatch/internal/postgres"
	"dwellwatch/internal/writeback"

	"time"
)

// WriteStore gives the write-back the database in its own words.
type WriteStore struct{ *postgres.Store }

// Wanted reads what should stand in the record for one filter.
func (s WriteStore) Wanted(ctx context.Context, key string) (writeback.Wanted, error) {
	w, err := s.Store.Wanted(ctx, key)
	if err != nil {
		return writeback.Wanted{}, err
	}
	out := writeback.Wanted{Version: w.Version, WrittenVersion: w.WrittenVersion, Referral: w.Referral, Document: w.Document, Patients: w.Patients}
	for _, r := range w.Receipts {
		out.Receipts = append(out.Receipts, writeback.Receipt(r))
	}
	return out, nil
}

// MarkWritten stores the receipts of one version.
func (s WriteStore) MarkWritten(ctx context.Context, key string, version int64, receipts []writeback.Receipt, now time.Time) error {
	var out []postgres.Receipt
	for _, r := range receipts {
		out = append(out, postgres.Receipt(r))
	}
	return s.Store.MarkWritten(ctx, key, version, out, now)
}
