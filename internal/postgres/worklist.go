package postgres

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/filter"
)

// PageKey names a filter in URLs: a keyed hash of 128 bits, from which neither the filter nor the person can be told.
func (s *Store) PageKey(ctx context.Context, key string) (string, error) {
	who, err := s.whoami(ctx)
	if err != nil {
		return "", err
	}
	return who.page(key), nil
}

func (i *identity) page(key string) string {
	mac := hmac.New(sha256.New, i.hashKey)
	mac.Write([]byte("page|" + key))
	return hex.EncodeToString(mac.Sum(nil)[:16])
}

// Listed is one line of the worklist with what the database adds to it.
type Listed struct {
	agenda.Line
	Page      string
	Attention string // why a person must look at the write-back; "" where nobody must
	Written   bool   // the newest state is in the record
	Version   int64  // of the referral; 0 where there is none
	Listed    bool   // the newest assessment knows the filter
}

// WorkQuery says which lines of the worklist are wanted.
type WorkQuery struct {
	Verdict string   // "" for every verdict but closed
	Show    string   // one of Shows; "" for all
	Words   []string // each must stand in what the search looks through, in lower case; nil for all
	Limit   int
	Offset  int
}

// Shows are the kinds of line that WorkQuery.Show can ask for.
func Shows() []string { return []string{"overdue", "in-hospital", "unreachable", "lost", "put-off"} }

// workColumns are the columns of Listed, in the order in which scanListed reads them. Where a person must look at what was asked under a key
// that is this filter's too, the line says so: the other has none.
const workColumns = `
	w.key, w.page, w.listed, w.rank, w.waiting_since, w.verdict, w.standing, w.overdue, w.emergency, w.headline, w.name, w.born, w.patient, w.model,
	w.placed_from, w.placed_to, w.asked, w.task_status, w.task_owner, w.owner, w.step, w.step_on, w.put_off, w.in_hospital, w.unreachable, w.attempts, w.last_contact, w.last_reached, w.lost,
	CASE WHEN r.attention_version = r.version THEN r.attention ELSE coalesce((
		SELECT min(m.attention) FROM filter_key k JOIN referral m USING (key)
		WHERE k.person_id = r.person_id AND k.merged_into = w.key AND m.attention_version = m.version), '') END, coalesce(r.written_version = r.version, true), coalesce(r.version, 0)`

// Worklist gives lines in order of urgency, then of waiting.
func (s *Store) Worklist(ctx context.Context, q WorkQuery) ([]Listed, error) {
	const what = "read the worklist"
	const all = `
		SELECT ` + workColumns + ` FROM worklist w LEFT JOIN referral r USING (key)
		WHERE w.listed AND w.rank < @closed
		ORDER BY w.rank, w.sort_day, w.page LIMIT @limit OFFSET @offset`
	const some = `
		SELECT ` + workColumns + ` FROM worklist w LEFT JOIN referral r USING (key)
		WHERE w.listed AND (@verdict = w.verdict OR @verdict = '' AND (w.rank < @closed OR cardinality(@words::text[]) > 0))
		AND CASE @show::text WHEN '' THEN true WHEN 'overdue' THEN w.overdue WHEN 'in-hospital' THEN w.in_hospital
			WHEN 'unreachable' THEN w.unreachable WHEN 'lost' THEN w.lost WHEN 'put-off' THEN w.put_off IS NOT NULL ELSE false END
		AND NOT EXISTS (SELECT FROM unnest(@words::text[]) AS word WHERE position(word IN w.search) = 0)
		ORDER BY w.rank, w.sort_day, w.page LIMIT @limit OFFSET @offset`
	sql := some
	if q.Verdict == "" && q.Show == "" && len(q.Words) == 0 {
		sql = all
	}
	words := q.Words
	if words == nil {
		words = []string{}
	}
	rows, err := s.pool.Query(ctx, sql, pgx.NamedArgs{"verdict": q.Verdict, "show": q.Show, "words": words, "limit": q.Limit, "offset": q.Offset, "closed": agenda.RankClosed})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, scanListed)
	return list, failed(what, err)
}

// Page gives the line of one page; fault.NotFound if there is none.
func (s *Store) Page(ctx context.Context, page string) (Listed, error) {
	const what = "read a line of the worklist"
	const read = `SELECT ` + workColumns + ` FROM worklist w LEFT JOIN referral r USING (key) WHERE w.page = @page`
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"page": page})
	if err != nil {
		return Listed{}, failed(what, err)
	}
	l, err := pgx.CollectExactlyOneRow(rows, scanListed)
	return l, failed(what, err)
}

// LinesOf gives the listed lines of one person, in order of the birth of their keys.
func (s *Store) LinesOf(ctx context.Context, person string) ([]Listed, error) {
	const what = "read a person's lines of the worklist"
	const read = `
		SELECT ` + workColumns + ` FROM worklist w JOIN filter_key k USING (key) LEFT JOIN referral r USING (key)
		WHERE w.listed AND k.person_id = @person ORDER BY k.born`
	rows, err := s.pool.Query(ctx, read, pgx.NamedArgs{"person": person})
	if err != nil {
		return nil, failed(what, err)
	}
	list, err := pgx.CollectRows(rows, scanListed)
	return list, failed(what, err)
}

func scanListed(row pgx.CollectableRow) (Listed, error) {
	var l Listed
	var waiting, from, to, on, off, last pgtype.Date
	err := row.Scan(&l.Key, &l.Page, &l.Listed, &l.Rank, &waiting, &l.Verdict, &l.Standing, &l.Overdue, &l.Emergency, &l.Headline, &l.Name, &l.Born, &l.Patient, &l.Model,
		&from, &to, &l.Asked, &l.TaskStatus, &l.TaskOwner, &l.Owner, &l.Step, &on, &off, &l.InHospital, &l.Unreachable, &l.Attempts, &last, &l.LastReached, &l.Lost,
		&l.Attention, &l.Written, &l.Version)
	l.Waiting, l.StepOn, l.PutOff, l.LastContact = day(waiting), day(on), day(off), day(last)
	l.Placed = filter.Unknown()
	if from.Valid {
		l.Placed.Earliest = day(from)
	}
	if to.Valid {
		l.Placed.Latest = day(to)
	}
	return l, err
}

// WorkCounts says how many lines there are of each verdict, and of each of Shows.
type WorkCounts struct {
	Verdicts map[string]int
	Shows    map[string]int
}

// WorkCounts counts the lines of the worklist.
func (s *Store) WorkCounts(ctx context.Context) (WorkCounts, error) {
	const what = "count the worklist"
	const count = `
		SELECT verdict, count(*), count(*) FILTER (WHERE overdue), count(*) FILTER (WHERE in_hospital), count(*) FILTER (WHERE unreachable), count(*) FILTER (WHERE lost)
		FROM worklist WHERE listed GROUP BY verdict`
	const putOff = `SELECT count(*) FROM worklist WHERE listed AND rank = @rests AND put_off IS NOT NULL`
	c := WorkCounts{map[string]int{}, map[string]int{}}
	rows, err := s.pool.Query(ctx, count)
	if err != nil {
		return c, failed(what, err)
	}
	var verdict string
	var n, overdue, inHospital, unreachable, lost int
	_, err = pgx.ForEachRow(rows, []any{&verdict, &n, &overdue, &inHospital, &unreachable, &lost}, func() error {
		c.Verdicts[verdict] = n
		c.Shows["overdue"] += overdue
		if verdict != "closed" {
			c.Shows["in-hospital"] += inHospital
			c.Shows["unreachable"] += unreachable
			c.Shows["lost"] += lost
		}
		return nil
	})
	if err != nil {
		return c, failed(what, err)
	}
	var off int
	if err := s.pool.QueryRow(ctx, putOff, pgx.NamedArgs{"rests": agenda.RankRests}).Scan(&off); err != nil {
		return c, failed(what, err)
	}
	c.Shows["put-off"] = off
	return c, nil
}

// saveLines keeps the lines of a person's filters. Whoever waits goes on waiting since the day it began, whatever round or
// revision the referral is in; a filter that has no line any more is not listed.
func saveLines(ctx context.Context, tx pgx.Tx, who *identity, person string, lines []agenda.Line) error {
	const unlist = `
		UPDATE worklist SET listed = false
		WHERE listed AND key <> ALL(@keys::text[]) AND key IN (SELECT key FROM filter_key WHERE person_id = @person)`
	keys := make([]string, 0, len(lines))
	for _, l := range lines {
		keys = append(keys, l.Key)
		if err := saveLine(ctx, tx, who, l); err != nil {
			return err
		}
	}
	_, err := tx.Exec(ctx, unlist, pgx.NamedArgs{"keys": keys, "person": person})
	return err
}

func saveLine(ctx context.Context, tx pgx.Tx, who *identity, l agenda.Line) error {
	const upsert = `
		INSERT INTO worklist AS w (key, page, listed, rank, sort_day, waiting_since, verdict, standing, overdue, emergency, headline, name, born, patient, model,
			placed_from, placed_to, asked, task_status, task_owner, owner, step, step_on, put_off, in_hospital, unreachable, attempts, last_contact, last_reached, lost, search)
		VALUES (@key, @page, true, @rank, coalesce(@sort_day::date, 'infinity'), @waiting, @verdict, @standing, @overdue, @emergency, @headline, @name, @born, @patient, @model,
			@placed_from, @placed_to, @asked, @task_status, @task_owner, @owner, @step, @step_on, @put_off, @in_hospital, @unreachable, @attempts, @last, @reached, @lost, @search)
		ON CONFLICT (key) DO UPDATE SET listed = true, rank = EXCLUDED.rank, waiting_since = CASE WHEN EXCLUDED.waiting_since IS NOT NULL THEN least(w.waiting_since, EXCLUDED.waiting_since) END,
			sort_day = CASE WHEN EXCLUDED.waiting_since IS NOT NULL THEN least(w.waiting_since, EXCLUDED.waiting_since) ELSE EXCLUDED.sort_day END,
			verdict = EXCLUDED.verdict, standing = EXCLUDED.standing, overdue = EXCLUDED.overdue, emergency = EXCLUDED.emergency, headline = EXCLUDED.headline,
			name = EXCLUDED.name, born = EXCLUDED.born, patient = EXCLUDED.patient, model = EXCLUDED.model, placed_from = EXCLUDED.placed_from, placed_to = EXCLUDED.placed_to,
			asked = EXCLUDED.asked, task_status = EXCLUDED.task_status, task_owner = EXCLUDED.task_owner, owner = EXCLUDED.owner, step = EXCLUDED.step, step_on = EXCLUDED.step_on,
			put_off = EXCLUDED.put_off, in_hospital = EXCLUDED.in_hospital, unreachable = EXCLUDED.unreachable, attempts = EXCLUDED.attempts, last_contact = EXCLUDED.last_contact, last_reached = EXCLUDED.last_reached, lost = EXCLUDED.lost, search = EXCLUDED.search`
	_, err := tx.Exec(ctx, upsert, pgx.NamedArgs{"key": l.Key, "page": who.page(l.Key), "rank": l.Rank, "sort_day": date(l.SortDay()), "waiting": date(l.Waiting),
		"verdict": l.Verdict, "standing": l.Standing, "overdue": l.Overdue, "emergency": l.Emergency, "headline": l.Headline, "name": l.Name, "born": l.Born,
		"patient": l.Patient, "model": l.Model, "placed_from": bound(l.Placed.Earliest), "placed_to": bound(l.Placed.Latest), "asked": l.Asked,
		"task_status": l.TaskStatus, "task_owner": l.TaskOwner, "owner": l.Owner, "step": l.Step, "step_on": date(l.StepOn), "put_off": date(l.PutOff),
		"in_hospital": l.InHospital, "unreachable": l.Unreachable, "attempts": l.Attempts, "last": date(l.LastContact), "reached": l.LastReached, "lost": l.Lost, "search": l.Search()})
	return err
}

// bound writes a day, or null where it is not known on this side.
func bound(d filter.Day) pgtype.Date {
	if d <= filter.MinDay {
		return pgtype.Date{}
	}
	return date(d)
}
