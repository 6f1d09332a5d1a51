package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"
)

// compare refuses the steps that use the temporary name of somebody else's entry, and reports whether there is one. What is kept
// and names a refused entry keeps the temporary name there: what it stands for here is somebody else's. A Patient that came before under
// another temporary name goes by that one, and a device or medication of no named patient that is another one than is kept by its name
// goes by a name of its own; what names them in the Bundle follows.
func (s *server) compare(ctx context.Context, d *delivery, steps []step, backwards bool) (clashed bool, err error) {
	if !slices.ContainsFunc(steps, func(st step) bool { return st.temporary }) {
		return false, nil
	}
	c, err := s.compared(ctx, d, steps, backwards)
	for _, mend := range []func([]step, compared) bool{sameAsBefore, named} {
		if err == nil && mend(steps, c) {
			resolveAgain(steps)
			c, err = s.compared(ctx, d, steps, backwards)
		}
	}
	if err != nil {
		return false, err
	}
	unnamed := false
	for n, clash := range c.clashes {
		_, before := clash.Earlier()
		switch st := &steps[c.of[n]]; {
		case clash == "" || before:
		case st.kind == faulty:
			st.resource.ID, unnamed = "", true
		default:
			*st, clashed = st.clashing(clash), true
		}
	}
	if clashed || unnamed {
		resolveAgain(steps)
	}
	return clashed, nil
}

// compared holds what the store says of the items of a delivery.
type compared struct {
	items   []screen.Item
	of      []int // which step each item is of
	clashes []screen.Clash
}

func (s *server) compared(ctx context.Context, d *delivery, steps []step, backwards bool) (c compared, err error) {
	c.items, c.of = s.screened(d, steps, backwards)
	for i, st := range steps {
		if st.kind == faulty && st.temporary {
			// What cannot be read goes by a name all the same, and is of those whose entries name it.
			c.items, c.of = append(c.items, screen.Item{Feed: d.feed, Resource: fhir.Resource{Type: st.resource.Type, ID: st.resource.ID}, Temporary: true}), append(c.of, i)
		}
	}
	c.clashes, err = s.Clashes(ctx, c.items)
	if err == nil && len(c.clashes) != len(c.items) {
		err = errors.New("the store compared another number of items than it was given")
	}
	return c, err
}

// sameAsBefore gives Patients the ids that they came under before.
func sameAsBefore(steps []step, c compared) (changed bool) {
	for n, clash := range c.clashes {
		if id, before := clash.Earlier(); before && steps[c.of[n]].kind == keep {
			steps[c.of[n]].resource.ID, changed = id, true
		}
	}
	return changed
}

// named gives a device or medication that is another one than is kept by its temporary name an id of that name and the patients whose
// entries name it, so that a later version of it is the same resource.
func named(steps []step, c compared) (changed bool) {
	for n, clash := range c.clashes {
		st := &steps[c.of[n]]
		if clash != screen.ClashThing || st.kind != keep {
			continue
		}
		var patients []string
		for _, i := range c.items {
			if i.Patient != "" && slices.Contains(i.Refs, st.resource.Ref()) {
				patients = append(patients, i.Patient)
			}
		}
		st.resource.ID, changed = ownID(c.items[n].Feed, st.fullURL, patients), true
	}
	return changed
}

// ownID makes an id of a temporary name and the patients whose entries name what goes by it.
func ownID(feed, fullURL string, patients []string) string {
	slices.Sort(patients)
	return madeID(feed, strings.Join(append([]string{temporary(fullURL)}, slices.Compact(patients)...), " "), nil)
}

// users holds, by Type/id, the patients whose entries in the documents of one body name a device or medication that names no patient and
// goes by a temporary name.
type users map[string][]string

// part gives what entries of a document name, and somebody else's entries of an earlier one name too, an id of its own.
func (u users) part(steps []step, base string) {
	var things []int
	for i, st := range steps {
		if t := st.resource.Type; st.kind == keep && st.temporary && (t == "Device" || t == "Medication") && screen.Whose(st.resource, base).Patient == "" {
			things = append(things, i)
		}
	}
	if len(things) == 0 {
		return
	}
	here, parted := users{}, false
	for _, st := range steps {
		if st.kind != keep {
			continue
		}
		n := screen.Name(st.resource, base)
		for _, ref := range n.Refs {
			if n.Patient != "" {
				here[ref] = append(here[ref], n.Patient)
			}
		}
	}
	for _, i := range things {
		st := &steps[i]
		ref := st.resource.Ref()
		mine := here[ref]
		if len(mine) > 0 && slices.ContainsFunc(u[ref], func(before string) bool { return !slices.Contains(mine, before) }) {
			st.resource.ID, parted = ownID(DefaultFeed, st.fullURL, mine), true
			continue
		}
		u[ref] = append(u[ref], mine...)
	}
	if parted {
		resolveAgain(steps)
	}
}

// resolveAgain resolves the references by temporary names once more, after what they stand for has changed.
func resolveAgain(steps []step) {
	real := names(steps)
	for i, st := range steps {
		switch {
		case st.kind != keep || st.sent == nil:
		case real == nil:
			steps[i].resource.Raw = st.sent
		default:
			steps[i].resource.Raw = fhir.RewriteReferences(st.sent, real)
		}
	}
}

// clashing refuses a step.
func (st step) clashing(why screen.Clash) step {
	at, text := strings.TrimSuffix(st.path, ".resource")+".fullUrl", clashText
	switch why {
	case screen.ClashPerson:
		text = personText
	case screen.ClashSubject:
		at, text = st.path, subjectText
	}
	st = st.ready(http.StatusUnprocessableEntity, "error", "conflict", at, text)
	st.clash, st.answer.fate = true, fateRefused
	return st
}

// What the sender of such an entry is told.
const (
	clashText   = "an entry of another patient goes by this temporary name already; nothing was changed. " + anewText
	personText  = "another person goes by this temporary name already: no identifier is shared, and name, day of birth or gender differ or are not told; nothing was changed. " + anewText
	subjectText = "it is about, or linked to, a Patient of this delivery whose temporary name is another person's; it was refused with it"
	anewText    = "A temporary name (urn:uuid:…) is made anew for each resource, or the resource is sent with its id"
)

// aloneText answers a replay of an entry whose patient was named by another entry.
const aloneText = "whom this is about was told by a temporary name of the delivery that it came in, which means nothing alone; the sender must send it again"
