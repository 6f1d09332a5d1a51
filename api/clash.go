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
// and names a refused entry keeps the temporary name there: what it stands for here is somebody else's.
func (s *server) compare(ctx context.Context, d *delivery, steps []step, backwards bool) (clashed bool, err error) {
	if !slices.ContainsFunc(steps, func(st step) bool { return st.temporary }) {
		return false, nil
	}
	items, of := s.screened(d, steps, backwards)
	for i, st := range steps {
		if st.kind == faulty && st.temporary {
			// What cannot be read goes by a name all the same, and is of those whose entries name it.
			items, of = append(items, screen.Item{Feed: d.feed, Resource: fhir.Resource{Type: st.resource.Type, ID: st.resource.ID}, Temporary: true}), append(of, i)
		}
	}
	clashes, err := s.Clashes(ctx, items)
	if err != nil {
		return false, err
	}
	if len(clashes) != len(items) {
		return false, errors.New("the store compared another number of items than it was given")
	}
	unnamed := false
	for n, clash := range clashes {
		switch st := &steps[of[n]]; {
		case clash == "":
		case st.kind == faulty:
			st.resource.ID, unnamed = "", true
		default:
			*st, clashed = st.clashing(clash), true
		}
	}
	if !clashed && !unnamed {
		return false, nil
	}
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
	return clashed, nil
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
