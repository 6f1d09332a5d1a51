package postgres

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/screen"
)

// Patients that the record has merged are one person here (http://hl7.org/fhir/R4/patient.html#merge): Patient.link with
// replaced-by or replaces joins two patient ids of a feed, whichever of the two says so, through chains and loops alike.
// What the links say now decides, so a newer version without the link takes the merge back. A deletion says nothing of a
// link: a record that was merged away is often deleted later, and its entries stay with the one that replaced it.

// link begins the patient ids that a Patient of this call joins to someone followed, as that person, so that what the same
// call tells of them is kept. It notes both persons where two are joined, since both must be locked.
func (p *planner) link() {
	for again := true; again; {
		again = false
		for _, i := range p.items {
			if !p.joins(i) {
				continue
			}
			own := alias{i.Feed, i.Patient}
			group := []alias{own}
			for _, other := range i.Links {
				group = append(group, alias{i.Feed, other})
			}
			person := p.known.persons[own]
			if person == "" {
				person = p.lowest(group)
			}
			if person == "" {
				continue
			}
			for _, a := range group {
				switch known := p.known.persons[a]; known {
				case person:
				case "":
					if p.idle[a] {
						continue
					}
					p.known.persons[a], p.begun[a] = person, person
					again = true
				default:
					p.changed.add(known)
					p.changed.add(person)
				}
			}
		}
	}
}

// joins reports whether an item is a Patient with links that will count.
func (p *planner) joins(i screen.Item) bool {
	if i.Resource.Type != "Patient" || i.Patient == "" || len(i.Links) == 0 || gone(i) || p.outdated(i) {
		return false
	}
	kept := p.known.kept[keyOf(i)]
	return kept.current() == nil || kept.weigh(p.arriving(i)) == screen.Updated
}

// lowest gives the lowest person among the aliases that are followed.
func (p *planner) lowest(group []alias) string {
	person := ""
	for _, a := range group {
		if known := p.known.persons[a]; known != "" && (person == "" || known < person) {
			person = known
		}
	}
	return person
}

// regroup joins and splits persons by the links of the Patients that a call wrote, after write and under the locks of the
// persons. Of joined persons the one with the lowest id stays, with the patient ids, entries, keys and referrals of all; the
// others end. Whoever is split off becomes the person that their patient id begins, with the entries that name them and the
// keys that stood on nothing else.
func regroup(ctx context.Context, tx pgx.Tx, p plan, k known, now time.Time) error {
	concerned := set{}
	for _, r := range p.rows {
		if r.key.kind != "Patient" {
			continue
		}
		concerned.add(r.version.person)
		for _, other := range r.links {
			concerned.add(k.persons[alias{r.key.feed, other}])
		}
	}
	if len(concerned) == 0 {
		return nil
	}
	f, err := readFamily(ctx, tx, concerned)
	if err != nil {
		return err
	}
	moves := f.moves()
	if len(moves) == 0 {
		return nil
	}
	ended, err := f.apply(ctx, tx, moves, now)
	if err != nil {
		return err
	}
	for _, m := range moves {
		p.changed.add(m.from)
		p.changed.add(m.to)
		p.pulled.add(m.to)
	}
	for _, person := range ended {
		delete(p.changed, person)
		delete(p.pulled, person)
		delete(p.doubted, person)
	}
	return nil
}

// move takes one patient id from one person to another; to nobody where to is "".
type move struct {
	alias    alias
	from, to string
}

// family is what decides which patient ids are one person.
type family struct {
	persons map[alias]string
	links   map[alias][]alias
	told    map[alias]bool // an entry that is kept is about it
}

func readFamily(ctx context.Context, tx pgx.Tx, persons set) (family, error) {
	const aliases = `
		SELECT a.feed, a.patient_id, a.person_id::text,
			EXISTS (SELECT FROM resource r WHERE r.person_id = a.person_id AND r.feed = a.feed AND r.patient_id = a.patient_id)
		FROM person_alias a WHERE a.person_id = ANY(@persons::uuid[])`
	const patients = `
		SELECT r.feed, r.id, r.version, r.version_id, r.last_updated, r.received_at, r.deleted OR r.retracted, r.current, r.links
		FROM resource r JOIN person_alias a ON a.feed = r.feed AND a.patient_id = r.id
		WHERE r.type = 'Patient' AND a.person_id = ANY(@persons::uuid[])
		ORDER BY r.feed, r.id, r.version`
	f := family{persons: map[alias]string{}, links: map[alias][]alias{}, told: map[alias]bool{}}
	args := pgx.NamedArgs{"persons": persons.sorted()}
	rows, err := tx.Query(ctx, aliases, args)
	if err != nil {
		return f, err
	}
	var a alias
	var person string
	var told bool
	_, err = pgx.ForEachRow(rows, []any{&a.feed, &a.patient, &person, &told}, func() error {
		f.persons[a], f.told[a] = person, told
		return nil
	})
	if err != nil {
		return f, err
	}
	if rows, err = tx.Query(ctx, patients, args); err != nil {
		return f, err
	}
	newest := map[alias]version{}
	var v version
	var updated *time.Time
	var links []string
	_, err = pgx.ForEachRow(rows, []any{&a.feed, &a.patient, &v.number, &v.versionID, &updated, &v.receivedAt, &v.deleted, &v.current, &links}, func() error {
		v.lastUpdated = believed(timeOf(updated), v.receivedAt)
		if before, ok := newest[a]; v.deleted || ok && !v.current && (before.current || v.against(before.stamp) == older) {
			return nil
		}
		newest[a], f.links[a] = v, nil
		for _, other := range links {
			f.links[a] = append(f.links[a], alias{a.feed, other})
		}
		return nil
	})
	return f, err
}

// moves lists what must change so that linked patient ids are one person and unlinked ones are not, in order of aliases.
func (f family) moves() []move {
	var list []move
	size := map[string]int{} // aliases of each person
	for _, person := range f.persons {
		size[person]++
	}
	for _, group := range f.groups() {
		to, told := "", false
		within := map[string]int{}
		for _, a := range group {
			within[f.persons[a]]++
			told = told || f.told[a]
		}
		for _, a := range group {
			// A person stays with the patient id that began them, or whole.
			person := f.persons[a]
			if own := personOf(a); size[own] > 0 {
				person = own
			} else if within[person] < size[person] {
				continue
			}
			if to == "" || person < to {
				to = person
			}
		}
		if at := slices.IndexFunc(group, func(a alias) bool { return a.feed != LocalFeed }); to == "" && told && at >= 0 {
			to = personOf(group[at])
		}
		for _, a := range group {
			if f.persons[a] != to {
				list = append(list, move{a, f.persons[a], to})
			}
		}
	}
	return list
}

// groups gives the patient ids that belong together, each group and all groups in order.
func (f family) groups() [][]alias {
	order := slices.SortedFunc(maps.Keys(f.persons), func(a, b alias) int {
		return cmp.Or(cmp.Compare(a.feed, b.feed), cmp.Compare(a.patient, b.patient))
	})
	near := map[alias][]alias{}
	for a, others := range f.links {
		for _, b := range others {
			if _, here := f.persons[b]; here {
				near[a], near[b] = append(near[a], b), append(near[b], a)
			}
		}
	}
	for a := range f.persons {
		if a.feed != LocalFeed {
			continue
		}
		if b, ok := homeOf(a, order); ok {
			near[a], near[b] = append(near[a], b), append(near[b], a)
		}
	}
	var groups [][]alias
	seen := map[alias]bool{}
	for _, start := range order {
		if seen[start] {
			continue
		}
		seen[start] = true
		group := []alias{start}
		for n := 0; n < len(group); n++ {
			for _, b := range near[group[n]] {
				if !seen[b] {
					seen[b] = true
					group = append(group, b)
				}
			}
		}
		groups = append(groups, slices.SortedFunc(slices.Values(group), func(a, b alias) int {
			return cmp.Or(cmp.Compare(a.feed, b.feed), cmp.Compare(a.patient, b.patient))
		}))
	}
	return groups
}

// apply carries the moves out and gives the persons that ended.
func (f family) apply(ctx context.Context, tx pgx.Tx, moves []move, now time.Time) ([]string, error) {
	const makePerson = `INSERT INTO person (id, due_on) VALUES (@to, @today::date) ON CONFLICT (id) DO NOTHING`
	const dropAlias = `DELETE FROM person_alias WHERE feed = @feed AND patient_id = @patient`
	const moveAlias = `UPDATE person_alias SET person_id = @to WHERE feed = @feed AND patient_id = @patient`
	const moveEntries = `UPDATE resource SET person_id = @to WHERE person_id = @from AND feed = @feed AND patient_id = @patient`
	left := map[string]string{}
	for _, m := range moves {
		args := pgx.NamedArgs{"from": m.from, "to": m.to, "feed": m.alias.feed, "patient": m.alias.patient, "today": now.UTC()}
		steps := []string{makePerson, moveAlias, moveEntries}
		if m.to == "" {
			steps, args = []string{dropAlias}, pgx.NamedArgs{"feed": m.alias.feed, "patient": m.alias.patient}
		}
		for _, sql := range steps {
			if _, err := tx.Exec(ctx, sql, args); err != nil {
				return nil, err
			}
		}
		delete(f.persons, m.alias)
		if m.to != "" {
			f.persons[m.alias] = m.to
			left[m.from] = m.to
		}
	}
	for _, m := range moves {
		if m.to != "" {
			if err := moveKeys(ctx, tx, m.from, m.to, false); err != nil {
				return nil, err
			}
		}
	}
	var ended []string
	for _, from := range slices.Sorted(maps.Keys(left)) {
		if slices.Contains(slices.Collect(maps.Values(f.persons)), from) {
			continue
		}
		if err := moveKeys(ctx, tx, from, left[from], true); err != nil {
			return nil, err
		}
		for _, sql := range []string{
			`UPDATE resource SET person_id = @to WHERE person_id = @from`,
			`DELETE FROM assessment WHERE person_id = @from`,
			`DELETE FROM person WHERE id = @from`,
		} {
			if _, err := tx.Exec(ctx, sql, pgx.NamedArgs{"from": from, "to": left[from]}); err != nil {
				return nil, err
			}
		}
		ended = append(ended, from)
	}
	return ended, setApart(ctx, tx, moves)
}

// moveKeys takes filter keys and their referrals from one person to another: all, or those that stand on entries of the other and on none
// of the one; of the keys that stand on entries of both or of neither, those whose Task is for a patient id of the other. What a key was
// given by others that were merged into it counts only where nothing else is left: each goes back to whose entries made it.
func moveKeys(ctx context.Context, tx pgx.Tx, from, to string, all bool) error {
	const keys = `
		WITH home AS (
			SELECT f.key, a.person_id FROM referral f
			JOIN person_alias a ON a.feed = @feed AND 'Patient/' || a.patient_id = f.state->>'patient'
			WHERE f.person_id = @from),
		told AS (
			SELECT k.key, r.person_id, EXISTS (SELECT FROM filter_key m WHERE m.merged_into = k.key AND e = ANY(m.evidence)) AS brought
			FROM filter_key k CROSS JOIN unnest(k.evidence) AS e
			JOIN resource r ON r.person_id IN (@from, @to) AND r.type || '/' || r.id = regexp_replace(split_part(e, '#', 1), '^.*/([^/]+/[^/]+)$', '\1')
			WHERE k.person_id = @from),
		stands AS (
			SELECT key, bool_or(person_id = @from) AS here, bool_or(person_id = @to) AS there
			FROM told WHERE NOT brought OR NOT EXISTS (SELECT FROM told own WHERE own.key = told.key AND NOT own.brought) GROUP BY key)
		UPDATE filter_key k SET person_id = @to
		WHERE k.person_id = @from AND (@all OR CASE
			WHEN EXISTS (SELECT FROM stands s WHERE s.key = k.key AND s.here <> s.there) THEN EXISTS (SELECT FROM stands s WHERE s.key = k.key AND s.there)
			ELSE EXISTS (SELECT FROM home WHERE home.key = k.key AND home.person_id = @to) END)`
	const referrals = `
		UPDATE referral SET person_id = k.person_id FROM filter_key k
		WHERE k.key = referral.key AND k.person_id = @to AND referral.person_id = @from`
	args := pgx.NamedArgs{"from": from, "to": to, "all": all, "feed": DefaultFeed}
	if _, err := tx.Exec(ctx, keys, args); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, referrals, pgx.NamedArgs{"from": from, "to": to})
	return err
}

// setApart makes a key that was merged into one of another person a key by itself again, once every move is done.
func setApart(ctx context.Context, tx pgx.Tx, moves []move) error {
	const apart = `
		UPDATE filter_key k SET merged_into = NULL FROM filter_key other
		WHERE other.key = k.merged_into AND k.person_id = ANY(@persons::uuid[]) AND other.person_id IS DISTINCT FROM k.person_id`
	concerned := set{}
	for _, m := range moves {
		concerned.add(m.from)
		concerned.add(m.to)
	}
	_, err := tx.Exec(ctx, apart, pgx.NamedArgs{"persons": concerned.sorted()})
	return err
}
