package postgres

import (
	"crypto/sha256"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"dwellwatch/internal/screen"
)

// personSpace is the namespace of person ids.
var personSpace = uuid.MustParse("f8c6dfd3-81b9-42cf-8628-78970887ba3e")

// personOf gives the id of the person that an alias begins.
func personOf(a alias) string {
	return uuid.NewSHA1(personSpace, []byte(a.feed+"|"+a.patient)).String()
}

type set map[string]bool

func (s set) add(v string) {
	if v != "" {
		s[v] = true
	}
}

// sorted is never nil, because the database would take nil for null.
func (s set) sorted() []string {
	list := slices.AppendSeq(make([]string, 0, len(s)), maps.Keys(s))
	slices.Sort(list)
	return list
}

// row is a version to be inserted.
type row struct {
	key     key
	version *version
	raw     []byte
	refs    []string
	links   []string // of a Patient
}

// plan is what one call changes. It is computed from the items and from what is known, without I/O.
type plan struct {
	outcomes []screen.Outcome
	rows     []row
	demoted  []key              // resources whose current version in the database no longer counts
	retired  map[key]retraction // to be written
	begun    map[alias]string   // persons followed from now on
	held     map[key]waiting    // entries to be held until a device that they name is known
	released []key              // entries that are no longer held
	settled  []key              // devices that turned out to be no filter, or that of somebody
	filters  map[key]bool       // devices of this call that are filters without a patient
	changed  set                // persons whose chart_version rises
	pulled   set                // persons whose context is to be read
	doubted  set                // persons of whom only the order of receipt told what counts
	slots    slots
}

// empty reports whether nothing is to be written.
func (p plan) empty() bool {
	return len(p.rows) == 0 && len(p.retired) == 0 && len(p.held) == 0 && len(p.released) == 0 && len(p.settled) == 0
}

// persons lists whoever must be locked.
func (p plan) persons() set {
	all := set{}
	maps.Copy(all, p.changed)
	for _, id := range p.begun {
		all.add(id)
	}
	for _, r := range p.rows {
		all.add(r.version.person)
	}
	return all
}

// planner works one call out, item by item in the order given.
type planner struct {
	plan
	items   []screen.Item
	joined  []waiting // what was held until now; the last of the items
	known   known
	now     time.Time
	late    bool           // the items came at now and were kept aside until later
	fresh   map[alias]bool // aliases that this transaction made
	idle    map[alias]bool // aliases not to be begun: the call tells of them, and ends with nothing of theirs
	tells   []bool         // per item: tells of a filter of its patient
	keep    []bool         // per item: may be kept
	arrived map[key]bool   // devices of which this call brings something that is not gone
	removed map[key]retraction
}

// newPlan works out what the items change. It uses k up.
func newPlan(items []screen.Item, joined []waiting, k known, now time.Time, late bool, fresh, idle map[alias]bool) plan {
	p := planner{items: items, joined: joined, known: k, now: now, late: late, fresh: fresh, idle: idle,
		plan: plan{retired: map[key]retraction{}, begun: map[alias]string{}, changed: set{}, pulled: set{}, doubted: set{}, slots: slots{},
			held: map[key]waiting{}, filters: map[key]bool{}},
		arrived: map[key]bool{}}
	for _, w := range joined {
		p.items = append(slices.Clip(p.items), w.item)
		p.release(w.key())
	}
	p.follow()
	p.admit()
	for n := range p.items {
		p.outcomes = append(p.outcomes, p.take(n))
	}
	p.outcomes = p.outcomes[:len(items)]
	p.settle()
	return p.plan
}

// arriving gives an item as a version. Content keeps its digest; a delete has none but that of no bytes.
func (p *planner) arriving(i screen.Item) version {
	v := version{stamp: stamp{i.Resource.VersionID, i.Resource.LastUpdated}, receivedAt: p.now, held: p.late, read: i.Read, deleted: i.Deleted,
		retracted: i.Retracted && !i.Deleted, evidence: i.Evidence && !gone(i), current: true}
	if !i.Deleted {
		v.digest = contentDigest(i.Resource.Raw)
	} else {
		v.digest = sha256.Sum256(nil)
	}
	return v
}

// follow finds whose filter the call tells of. It looks at the whole call first, so that what stands before the evidence is kept
// too, and so that evidence taken back by the same call starts nothing.
func (p *planner) follow() {
	p.removed = map[key]retraction{}
	devices := maps.Clone(p.known.devices)
	for _, i := range p.items {
		k := keyOf(i)
		if gone(i) {
			r := retraction{stamp: p.arriving(i).stamp, at: p.now}
			if old, ok := p.removed[k]; ok {
				r = old.later(r)
			}
			p.removed[k] = r
			delete(devices, k)
			delete(p.known.here, k)
		}
	}
	for _, i := range p.items {
		if i.Resource.Type != "Device" || gone(i) || p.outdated(i) {
			continue
		}
		if i.Vague {
			continue // it does not tell what it is: what waits for it goes on waiting
		}
		p.arrived[keyOf(i)] = true
		if i.Evidence && i.Patient == "" {
			devices[keyOf(i)], p.filters[keyOf(i)] = true, true
		}
	}
	for _, i := range p.items {
		tells := i.Evidence && !gone(i)
		for _, d := range usedDevices(i) {
			tells = tells || devices[d]
		}
		p.tells = append(p.tells, tells && i.Patient != "")
		a := alias{i.Feed, i.Patient}
		if !tells || i.Patient == "" || p.outdated(i) {
			continue
		}
		if _, followed := p.known.persons[a]; !followed && !p.idle[a] {
			p.begun[a] = personOf(a)
		}
	}
	for a, person := range p.begun {
		p.known.persons[a] = person
	}
	p.link()
	for _, person := range p.begun {
		p.pulled.add(person)
		p.changed.add(person)
	}
	for a := range p.begun {
		p.slots.alone(patientKey(a)) // what is held of them is joined
	}
	for a := range p.fresh {
		p.slots.alone(patientKey(a))
		p.pulled.add(p.known.persons[a])
		p.changed.add(p.known.persons[a])
	}
}

// outdated reports whether content is known to be older than what is kept, or taken back before or in this call.
func (p *planner) outdated(i screen.Item) bool {
	v := p.arriving(i)
	if p.unsure(i, v) {
		return true
	}
	if r, ok := p.removed[keyOf(i)]; ok && r.refuses(v) {
		return true
	}
	if kept := p.known.kept[keyOf(i)]; kept.current() != nil {
		return kept.weigh(v) == screen.Stale
	}
	r, ok := p.known.retired[keyOf(i)]
	return ok && r.refuses(v)
}

// admit decides which items may be kept: those about someone followed, new versions of what is kept, and what names no
// patient if it may be held or something kept names it, in the database or in this call.
func (p *planner) admit() {
	p.keep = make([]bool, len(p.items))
	nobodys := map[key][]int{} // items that name no patient
	for n, i := range p.items {
		if i.Patient == "" {
			nobodys[keyOf(i)] = append(nobodys[keyOf(i)], n)
		}
	}
	var reached []int
	admit := func(n int) {
		if !p.keep[n] {
			p.keep[n] = true
			reached = append(reached, n)
		}
	}
	for n, i := range p.items {
		k := keyOf(i)
		_, followed := p.known.persons[alias{i.Feed, i.Patient}]
		held := i.Patient == "" && (i.Holdable && !gone(i) || len(p.known.namers[k]) > 0)
		if i.Patient != "" && followed || held || p.known.kept[k].current() != nil {
			admit(n)
		}
	}
	for len(reached) > 0 {
		i := p.items[reached[0]]
		reached = reached[1:]
		for _, ref := range i.Refs {
			for _, n := range nobodys[named(i.Feed, ref)] {
				admit(n)
			}
		}
	}
}

// take works out one item.
func (p *planner) take(n int) screen.Outcome {
	i := p.items[n]
	k := keyOf(i)
	v := p.arriving(i)
	if first := len(p.items) - len(p.joined); n >= first {
		v.receivedAt, v.held = p.joined[n-first].receivedAt, true
	}
	if p.unsure(i, v) {
		return screen.Outcome{Fate: screen.Stale, Unsure: true}
	}
	heard, ok := p.known.retired[k]
	late := ok && (gone(i) && (v.against(heard.stamp) == older || toldLate(v.stamp, heard.stamp, heard.at)) || !gone(i) && heard.refuses(v))
	switch {
	case gone(i) && leavesHash(k.kind):
		p.retire(k, retraction{stamp: v.stamp, at: p.now, ended: p.ended(k, v.stamp)})
	case late:
		// What is refused is not newer than the retraction, so neither is anything that is older than it.
		p.retire(k, retraction{stamp: heard.stamp, at: heard.at, ended: v.stamp})
	}
	cur := p.known.kept[k].current()
	if cur == nil {
		return p.takeNew(n, k, v, late)
	}
	p.unhold(k, v)
	v.patient = i.Patient
	p.assign(i, &v, *cur)
	undecided, again := v.undecided(*cur), v.sameVersion(*cur)
	opposed := v.opposed(*cur)
	switch fate := p.known.kept[k].weigh(v); fate {
	case screen.Updated:
		undecided = undecided && !cur.gone() // what revives is newer by its time
		if undecided || opposed {
			p.doubt(k, v.person)
		}
		cur.current = false
		if !p.made(k, cur) {
			p.demoted = append(p.demoted, k)
		}
		out := p.add(n, k, v, cur, fate)
		out.Undecided, out.SameVersion = undecided, again
		return out
	case screen.Duplicate:
		return screen.Outcome{Fate: fate, Version: cur.number}
	}
	refused := cur.gone() && !v.gone()
	if old := p.known.kept[k].repeats(v); old != nil {
		return screen.Outcome{Fate: screen.Duplicate, Version: old.number, Retracted: refused}
	}
	if v.moved {
		return screen.Outcome{Fate: screen.Stale, Retracted: refused}
	}
	v.current = false
	out := p.add(n, k, v, cur, screen.Stale)
	out.Retracted, out.Undecided, out.SameVersion = refused, undecided && !refused, again
	if undecided || opposed {
		p.doubt(k, v.person)
	}
	return out
}

// unsure reports whether what a search listed would revive what was taken back, or stands beside something of which neither version
// nor time tells the order, or both tell another: a search may lag behind the record, so by itself it decides none of this.
func (p *planner) unsure(i screen.Item, v version) bool {
	if !i.Listed {
		return false
	}
	if cur := p.known.kept[keyOf(i)].current(); cur != nil {
		return !gone(i) && cur.gone() || v.undecided(*cur) || v.opposes(cur.stamp)
	}
	_, retired := p.known.retired[keyOf(i)]
	return retired && !gone(i)
}

// doubt notes whose record should be asked which version is the current one: only the default feed's can be.
func (p *planner) doubt(k key, person string) {
	if k.feed == DefaultFeed {
		p.doubted.add(person)
	}
}

// takeNew works out an item of which no version is kept. late says that a retraction heard before is newer: then
// nothing is kept, not even a retraction, because only what is newer than all retractions may stand as the current version.
func (p *planner) takeNew(n int, k key, v version, late bool) screen.Outcome {
	i := p.items[n]
	if fate, ok := p.wait(n, k, v, late); ok {
		return screen.Outcome{Fate: fate, Retracted: fate == screen.Stale && late}
	}
	switch {
	case i.Deleted || i.Retracted && (late || !p.keep[n]):
		if leavesHash(k.kind) {
			return screen.Outcome{Fate: screen.Forgotten}
		}
		return screen.Outcome{Fate: screen.Dropped}
	case late && (p.keep[n] || p.tells[n]):
		return screen.Outcome{Fate: screen.Stale, Retracted: true}
	case !p.keep[n]:
		return screen.Outcome{Fate: screen.Dropped}
	}
	if i.Patient != "" {
		v.person, v.patient = p.known.persons[alias{i.Feed, i.Patient}], i.Patient
	}
	return p.add(n, k, v, nil, screen.Created)
}

// assign says whose the new version of a kept resource is. A delete or retraction leaves it with whom it was; content
// about a patient who is not followed leaves a mark that it moved away, and no bytes.
func (p *planner) assign(i screen.Item, v *version, cur version) {
	person, followed := p.known.persons[alias{i.Feed, i.Patient}]
	switch {
	case gone(i):
		v.person, v.patient = cur.person, cur.patient
	case i.Patient == "":
		v.person = ""
	case followed:
		v.person = person
	default:
		v.deleted, v.moved, v.evidence, v.person, v.patient = true, true, false, cur.person, cur.patient
	}
}

// add makes the row and notes whom it concerns.
func (p *planner) add(n int, k key, v version, cur *version, fate screen.Fate) screen.Outcome {
	i := p.items[n]
	v.number = p.known.kept[k].next()
	r := row{key: k, version: &v}
	if !v.deleted {
		r.raw, r.refs, r.links = i.Resource.Raw, i.Refs, i.Links
	}
	p.known.kept[k] = append(p.known.kept[k], &v)
	p.rows = append(p.rows, r)
	p.slots.alone(k)
	for _, ref := range r.refs {
		p.slots.share(named(k.feed, ref))
	}
	if fate != screen.Stale {
		p.note(n, k, v, cur)
	}
	return screen.Outcome{Fate: fate, Version: v.number}
}

// note marks the persons whom a change concerns: whose it was, whose it is, and, for what names no patient, who names it.
func (p *planner) note(n int, k key, v version, cur *version) {
	p.changed.add(v.person)
	shared := v.person == ""
	if cur != nil {
		p.changed.add(cur.person)
		shared = shared || cur.person == ""
	}
	if shared {
		for _, by := range p.known.namers[k] {
			p.changed.add(by.person)
			if by.person == "" {
				p.slots.alone(by.key)
			}
		}
	}
	first := cur == nil || cur.person != v.person || cur.deleted || cur.retracted || !cur.evidence && v.evidence
	if p.tells[n] && v.person != "" && first {
		p.pulled.add(v.person)
	}
}

// made reports whether this call made the version.
func (p *planner) made(k key, v *version) bool {
	return slices.ContainsFunc(p.rows, func(r row) bool { return r.key == k && r.version == v })
}

// ended tells of the highest version that a delete or retraction ends.
func (p *planner) ended(k key, gone stamp) stamp {
	top := p.known.kept[k].endedBy(gone)
	if w, held := p.known.waiting[k]; held && gone.against(w.stamp()) != older {
		top = top.join(w.stamp())
	}
	return top
}

// retire remembers a delete or retraction if it refuses more than what is remembered.
func (p *planner) retire(k key, r retraction) {
	old, ok := p.known.retired[k]
	if ok {
		r = old.later(r)
	}
	if ok && (r.tells(old) || r.at.Equal(old.at) && r.stamp.equal(old.stamp) && r.ended.equal(old.ended)) {
		return
	}
	p.known.retired[k], p.retired[k] = r, r
	p.slots.alone(k)
}
