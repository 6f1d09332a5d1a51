package postgres

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"
)

// A resource without an id goes by one that is made of its entry's temporary name (urn:uuid:...). A sender that fills one template for
// each patient names the entries of the next one as those of the last; taken for newer versions, they would move the filter of the one
// to the other.

// Clashes gives for each item whether it must be refused because what is kept under its temporary name, or stands before it in the call,
// is about somebody else; and what is about a Patient that is refused. A Patient that came before under another temporary name is named
// by it, beside the entries that clash for want of that. Nothing is written.
func (s *Store) Clashes(ctx context.Context, items []screen.Item) ([]screen.Clash, error) {
	const what = "compare temporary names"
	if !slices.ContainsFunc(items, func(i screen.Item) bool { return i.Temporary }) {
		return make([]screen.Clash, len(items)), nil
	}
	who, err := s.whoami(ctx)
	if err != nil {
		return nil, failed(what, err)
	}
	var out []screen.Clash
	err = s.inSnapshot(ctx, what, func(tx pgx.Tx) error {
		k, err := read(ctx, tx, who, items)
		if err == nil {
			out, _ = k.clashes(items)
		}
		return err
	})
	return out, err
}

// queueToldRead reads what is told of the Patients of the call that go by a temporary name, and of what goes by one and names no
// patient: the current version, or the last one before it was deleted.
func queueToldRead(b *pgx.Batch, items []screen.Item, k *known) {
	var keys []key
	for _, i := range items {
		if i.Temporary && (i.Resource.Type == "Patient" || thing(i)) {
			keys = append(keys, keyOf(i))
		}
	}
	queueLastRead(b, keys, k)
}

func queueLastRead(b *pgx.Batch, keys []key, k *known) {
	const read = `
		SELECT DISTINCT ON (r.feed, r.type, r.id) r.feed, r.type, r.id, r.body
		FROM unnest(@feeds::text[], @types::text[], @ids::text[]) AS want (feed, type, id) JOIN resource r USING (feed, type, id)
		WHERE NOT r.deleted
		ORDER BY r.feed, r.type, r.id, r.current DESC, r.version DESC`
	if len(keys) == 0 {
		return
	}
	b.Queue(read, columns(keys)).Query(func(rows pgx.Rows) error {
		var at key
		var body []byte
		_, err := pgx.ForEachRow(rows, []any{&at.feed, &at.kind, &at.id, &body}, func() error {
			k.told[at] = fhir.Resource{Type: at.kind, ID: at.id, Raw: slices.Clone(body)}
			return nil
		})
		return err
	})
}

// readFormer reads the Patients that entries of the call are about so far, where the call brings a Patient for them that is new here.
func readFormer(ctx context.Context, tx pgx.Tx, items []screen.Item, k *known) error {
	var keys []key
	for _, i := range items {
		if former := k.formerOf(i); former != "" && slices.ContainsFunc(items, func(p screen.Item) bool { return k.fresh(p) && p.Feed == i.Feed && p.Patient == i.Patient }) {
			keys = append(keys, key{i.Feed, "Patient", former})
		}
	}
	if len(keys) == 0 {
		return nil
	}
	b := &pgx.Batch{}
	queueLastRead(b, keys, k)
	return tx.SendBatch(ctx, b).Close()
}

// thing reports a device or medication that names no patient.
func thing(i screen.Item) bool {
	return i.Patient == "" && !i.Deleted && (i.Resource.Type == "Device" || i.Resource.Type == "Medication")
}

// fresh reports a Patient under a temporary name of whom nothing is here.
func (k known) fresh(i screen.Item) bool {
	return i.Temporary && !gone(i) && i.Resource.Type == "Patient" && len(k.kept[keyOf(i)]) == 0 && k.persons[alias{i.Feed, i.Patient}] == ""
}

// formerOf gives the made id of another Patient that what is kept under an entry's temporary name is about; "" where there is none.
func (k known) formerOf(i screen.Item) string {
	if !i.Temporary || i.Patient == "" || i.Resource.Type == "Patient" {
		return ""
	}
	former := ""
	if cur := k.kept[keyOf(i)].current(); cur != nil && !cur.moved {
		former = cur.patient
	} else if w, held := k.waiting[keyOf(i)]; held && cur == nil {
		former = w.item.Patient
	}
	if id, err := uuid.Parse(former); former == i.Patient || err != nil || id.Version() != 5 {
		return ""
	}
	return former
}

// clashes is Clashes of what is known; any reports whether there is one.
func (k known) clashes(items []screen.Item) (out []screen.Clash, any bool) {
	out = make([]screen.Clash, len(items))
	if !slices.ContainsFunc(items, func(i screen.Item) bool { return i.Temporary }) {
		return out, false
	}
	c := comparison{known: k, items: items, out: out, refused: map[alias]bool{}, joined: map[string]string{}, owners: map[key][]string{}, users: map[key][]string{}}
	c.patients()
	for _, i := range items {
		if i.Patient == "" {
			continue
		}
		user := c.person(alias{i.Feed, i.Patient})
		if c.refused[alias{i.Feed, i.Patient}] {
			user = stranger
		}
		for _, ref := range i.Refs {
			if at := named(i.Feed, ref); at.kind == "Device" || at.kind == "Medication" {
				c.users[at] = append(c.users[at], user)
			}
		}
	}
	for n, i := range items {
		if out[n] == "" && i.Resource.Type != "Patient" {
			out[n] = c.entry(i)
		}
		if out[n] == screen.ClashPatient {
			c.earlier(i)
		}
	}
	return out, slices.ContainsFunc(out, func(c screen.Clash) bool { return c != "" })
}

// stranger stands for whoever a refused Patient is.
const stranger = "?"

// comparison is the work in hand.
type comparison struct {
	known
	items   []screen.Item
	out     []screen.Clash
	refused map[alias]bool    // Patients that are another person
	joined  map[string]string // persons that Patients of the call join, by the one whose name is taken for both
	owners  map[key][]string  // whose the entries of the call are so far
	users   map[key][]string  // whose entries of the call name a device or medication
}

// patients compares the Patients of the call, and notes whom those that may be taken join.
func (c *comparison) patients() {
	told := map[key]fhir.Resource{}
	for n, i := range c.items {
		if !i.Temporary || i.Resource.Type != "Patient" || i.Deleted {
			continue
		}
		at := keyOf(i)
		before, here := told[at]
		if !here {
			before, here = c.told[at]
		}
		if here && fhir.OtherPerson(before, i.Resource) {
			c.out[n], c.refused[alias{i.Feed, i.Patient}] = screen.ClashPerson, true
			continue
		}
		told[at] = i.Resource
	}
	for n, i := range c.items {
		if i.Resource.Type != "Patient" || c.out[n] != "" || gone(i) {
			continue
		}
		for _, other := range i.Links {
			if c.refused[alias{i.Feed, other}] {
				c.out[n] = screen.ClashSubject
			}
		}
		for _, other := range i.Links {
			if a, b := c.person(alias{i.Feed, i.Patient}), c.person(alias{i.Feed, other}); c.out[n] == "" && a != b {
				c.joined[b] = a
			}
		}
	}
}

// person names whom an alias is of, or would begin.
func (c *comparison) person(a alias) string {
	person := c.persons[a]
	if person == "" {
		person = personOf(a)
	}
	return c.now(person)
}

// now gives the name that a person goes by with the links of the call.
func (c *comparison) now(person string) string {
	for next := c.joined[person]; next != ""; next = c.joined[person] {
		person = next
	}
	return person
}

// entry compares an entry that is no Patient.
func (c *comparison) entry(i screen.Item) screen.Clash {
	if i.Patient != "" && c.refused[alias{i.Feed, i.Patient}] {
		return screen.ClashSubject
	}
	if !i.Temporary || i.Deleted {
		return ""
	}
	at := keyOf(i)
	kept, sure := c.keptOf(at)
	own := c.ownersOf(i)
	cur := c.kept[at].current()
	switch {
	case len(kept) == 0:
	case len(own) == 0 && sure && fhir.TemporaryPatient(i.Resource):
		return screen.ClashPatient // whom it names cannot be told, and would lose the entry
	case len(own) == 0:
	case !sure && cur != nil && !cur.gone() && thing(i) && thingDigest(c.told[at].Raw) == thingDigest(i.Resource.Raw):
		return "" // two patients' entries name one thing
	case !sure && thing(i) && !slices.Contains(own, stranger) && slices.ContainsFunc(kept, func(person string) bool { return !slices.Contains(own, person) }):
		return screen.ClashThing // it is not theirs alone
	case slices.ContainsFunc(own, func(person string) bool { return slices.Contains(kept, person) }):
	case thing(i) && !slices.Contains(own, stranger):
		return screen.ClashThing
	default:
		return screen.ClashPatient
	}
	if len(own) > 0 {
		c.owners[at] = own
	}
	return ""
}

// earlier names the Patient of an entry by the temporary name that the same person came under before.
func (c *comparison) earlier(i screen.Item) {
	former := c.formerOf(i)
	before, here := c.told[key{i.Feed, "Patient", former}]
	if former == "" || !here {
		return
	}
	for n, p := range c.items {
		if c.out[n] == "" && p.Feed == i.Feed && p.Patient == i.Patient && c.fresh(p) && fhir.SamePerson(before, p.Resource) {
			c.out[n] = screen.Earlier(former)
		}
	}
}

// thingDigest is contentDigest of what is told but for meta, which tells of the copy and not of the thing.
func thingDigest(body []byte) [sha256.Size]byte {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(body, &members); err != nil {
		return contentDigest(body)
	}
	delete(members, "meta")
	rest, err := json.Marshal(members)
	if err != nil {
		return contentDigest(body)
	}
	return contentDigest(rest)
}

// keptOf gives whose the entry is that goes by a name already. sure says that it names its patient; one that names none is of those whose
// entries name it.
func (c *comparison) keptOf(at key) (persons []string, sure bool) {
	if before := c.owners[at]; len(before) > 0 {
		return before, true
	}
	cur := c.kept[at].current()
	if w, held := c.waiting[at]; held && cur == nil {
		return []string{c.person(alias{at.feed, w.item.Patient})}, true
	}
	if cur == nil || cur.moved {
		return nil, false
	}
	if cur.patient != "" {
		persons = append(persons, c.person(alias{at.feed, cur.patient}))
	}
	if cur.person != "" {
		persons = append(persons, c.now(cur.person))
	}
	if len(persons) > 0 {
		return persons, true
	}
	for _, by := range c.namers[at] {
		if by.person != "" {
			persons = append(persons, c.now(by.person))
		}
	}
	return persons, false
}

// ownersOf gives whose an entry of the call is: of the patient that it names, else of those whose entries in the call name it.
func (c *comparison) ownersOf(i screen.Item) []string {
	if i.Patient != "" {
		return []string{c.person(alias{i.Feed, i.Patient})}
	}
	return c.users[keyOf(i)]
}
