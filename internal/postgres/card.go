package postgres

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/filter"
)

// Showing is a card that is about to be shown to one clinician about one patient.
type Showing struct {
	Card, Service, Kind  string // Card is a UUID
	Issuer, Tenant, User string // who is shown it
	Feed, Patient        string // whom it is about; only a keyed hash of all five is stored
	// Occasion, Rank and Matter tell it from the other cards about the filter. Overridden, that of the same four is never shown again.
	// Within QuietDays it is not shown again either, and without a matter of its own not after one of a higher rank; 0 shows it at
	// every call.
	Occasion string
	Rank     int
	Matter   string
	// Key is of the filter; "" where the patient is not followed. What was shown then counts, within QuietDays, for every filter.
	Key       string
	On        filter.Day
	QuietDays int
}

// Show notes that a card is shown and reports whether it may be: the same card again may, another one too soon may not. Of
// two calls at once, one may. A crash of the database can forget the last moment's notes, and a card is then shown once more:
// waiting for the disk would cost the clinician more.
func (s *Store) Show(ctx context.Context, c Showing) (bool, error) {
	const what = "note a card"
	const show = `
		WITH quick AS MATERIALIZED (SELECT set_config('synchronous_commit', 'off', true) AS done),
		noted AS (
			INSERT INTO card_viewer AS v (viewer, occasion, filter, rank, matter, shown_on, card)
			SELECT @viewer, @occasion, @filter, @rank, @matter, @on, @card FROM quick
			WHERE @quiet::integer = 0 OR NOT EXISTS (
				SELECT FROM card_viewer h WHERE h.viewer = @viewer AND h.occasion = @occasion AND h.shown_on > @on::date - @quiet::integer
					AND (@matter::bytea = ''::bytea AND h.rank > @rank AND h.filter IN (@filter, @stranger)
						OR h.rank = @rank AND h.matter = @matter AND h.filter = @stranger AND h.filter <> @filter))
			ON CONFLICT (viewer, occasion, filter, rank, matter) DO UPDATE SET shown_on = EXCLUDED.shown_on, card = EXCLUDED.card
			WHERE NOT v.stopped AND (v.card = EXCLUDED.card OR @quiet::integer = 0 OR v.shown_on <= EXCLUDED.shown_on - @quiet::integer)
			RETURNING viewer, occasion, filter, rank, matter, card)
		INSERT INTO card (uuid, service, kind, clinician, viewer, occasion, filter, rank, matter, key, shown_on)
		SELECT card, @service, @kind, @clinician, viewer, occasion, filter, rank, matter, @key, @on FROM noted
		ON CONFLICT (uuid) DO UPDATE SET shown_on = card.shown_on
		RETURNING true`
	who, err := s.whoami(ctx)
	if err != nil {
		return false, failed(what, err)
	}
	matter := []byte{}
	if c.Matter != "" {
		matter = who.digest("matter", c.Matter)
	}
	rows, err := s.pool.Query(ctx, show, pgx.NamedArgs{"viewer": who.digest("viewer", c.Issuer, c.Tenant, c.User, c.Feed, c.Patient), "occasion": c.Occasion, "filter": who.digest("filter", c.Key), "stranger": who.digest("filter", ""), "rank": c.Rank, "matter": matter,
		"on": date(c.On), "card": c.Card, "quiet": c.QuietDays, "service": c.Service, "kind": c.Kind, "clinician": who.digest("clinician", c.Issuer, c.Tenant, c.User), "key": c.Key})
	if err != nil {
		return false, failed(what, err)
	}
	shown, err := pgx.CollectRows(rows, pgx.RowTo[bool])
	return len(shown) == 1, failed(what, err)
}

// digest is a keyed hash of texts; label keeps hashes of different meaning apart.
func (i *identity) digest(label string, texts ...string) []byte {
	mac := hmac.New(sha256.New, i.hashKey)
	// A length before each text keeps two lists apart that join to one.
	for _, t := range append([]string{label}, texts...) {
		fmt.Fprintf(mac, "%d:", len(t))
		mac.Write([]byte(t))
	}
	return mac.Sum(nil)
}

// Feedback is what a clinician did with a card.
type Feedback struct {
	Card, Service  string
	Outcome        string // accepted | overridden
	Reason         string // one of our codes, or ""
	At             time.Time
	Issuer, Tenant string // of the client that tells
	By             string // who is said to have decided; "" where nobody is
}

// Told is what is known of a card that was fed back.
type Told struct {
	Key string // of the filter; "" where the patient is not followed
	// Same says that By is the clinician who was shown the card.
	Same bool
}

// Feedback stores what became of a card; told again it changes nothing. What an overridden card told, of the filter
// and at that moment, is not shown to its clinician again.
// known is false, and nothing is stored, where the service never showed such a card.
func (s *Store) Feedback(ctx context.Context, f Feedback) (told Told, known bool, err error) {
	const what = "store feedback"
	const read = `SELECT key, clinician FROM card WHERE uuid = @card AND service = @service`
	const insert = `
		INSERT INTO card_feedback (card, outcome, at, reason) VALUES (@card, @outcome, @at, @reason)
		ON CONFLICT DO NOTHING`
	const stop = `
		UPDATE card_viewer v SET stopped = true FROM card c
		WHERE c.uuid = @card AND (v.viewer, v.occasion, v.filter, v.rank, v.matter) = (c.viewer, c.occasion, c.filter, c.rank, c.matter)`
	if _, err := uuid.Parse(f.Card); err != nil {
		return Told{}, false, nil
	}
	who, err := s.whoami(ctx)
	if err != nil {
		return Told{}, false, failed(what, err)
	}
	args := pgx.NamedArgs{"card": strings.ToLower(f.Card), "service": f.Service, "outcome": f.Outcome, "at": f.At, "reason": f.Reason}
	err = s.inTx(ctx, what, func(tx pgx.Tx) error {
		var clinician []byte
		rows, err := tx.Query(ctx, read, args)
		if err != nil {
			return err
		}
		_, err = pgx.ForEachRow(rows, []any{&told.Key, &clinician}, func() error {
			known, told.Same = true, f.By != "" && hmac.Equal(clinician, who.digest("clinician", f.Issuer, f.Tenant, f.By))
			return nil
		})
		if err != nil || !known {
			return err
		}
		if _, err := tx.Exec(ctx, insert, args); err != nil || f.Outcome != "overridden" {
			return err
		}
		_, err = tx.Exec(ctx, stop, args)
		return err
	})
	return told, known && err == nil, err
}

// keptCards is how long cards are remembered beyond the time in which they are not shown again.
const keptCards = 400

// ForgetCards deletes what was shown longer ago than anybody asks for, with its feedback, and gives the number of cards. That a
// clinician overrode a card is kept.
func (s *Store) ForgetCards(ctx context.Context, today filter.Day) (int, error) {
	const cards = `DELETE FROM card WHERE shown_on < @before`
	const viewers = `DELETE FROM card_viewer WHERE shown_on < @before AND NOT stopped`
	number := 0
	err := s.inTx(ctx, "forget old cards", func(tx pgx.Tx) error {
		args := pgx.NamedArgs{"before": date(today.Add(-keptCards))}
		tag, err := tx.Exec(ctx, cards, args)
		if err != nil {
			return err
		}
		number = int(tag.RowsAffected())
		_, err = tx.Exec(ctx, viewers, args)
		return err
	})
	return number, err
}
