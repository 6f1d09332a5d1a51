package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"

	"github.com/gin-gonic/gin"
)

// compare refuses the steps that use the temporary name of somebody else's entry, and reports whether there is one. What is kept
// and names a refused entry keeps the temporary name there: what it stands for here is somebody else's.
func (s *server) compare(ctx context.Context, d *delivery, steps []step, backwards bool) (clashed bool, err error) {
	if !slices.ContainsFunc(steps, func(st step) bool { return st.kind == keep && st.temporary }) {
		return false, nil
	}
	items, of := s.screened(d, steps, backwards)
	clashes, err := s.Clashes(ctx, items)
	if err != nil {
		return false, err
	}
	if len(clashes) != len(items) {
		return false, errors.New("the store compared another number of items than it was given")
	}
	for n, clash := range clashes {
		if clash != "" {
			steps[of[n]], clashed = steps[of[n]].clashing(clash), true
		}
	}
	if !clashed {
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
	return true, nil
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
	personText  = "another person goes by this temporary name already: no identifier is shared, or neither name nor day of birth is the same; nothing was changed. " + anewText
	subjectText = "it is about, or linked to, a Patient of this delivery whose temporary name is another person's; it was refused with it"
	anewText    = "A temporary name (urn:uuid:…) is made anew for each resource, or the resource is sent with its id"
)

// aloneText answers a replay of an entry whose patient was named by another entry.
const aloneText = "whom this is about was told by a temporary name of the delivery that it came in, which means nothing alone; the sender must send it again"

// setAside puts into the quarantine what cannot be read and what was refused for its temporary name, each by itself, with what it names
// by other entries' temporary names resolved as far as these entries are taken.
func (s *server) setAside(c *gin.Context, d *delivery, steps []step, kind string) error {
	real, unkept := names(steps), 0
	for _, st := range steps {
		if st.kind != faulty && !st.clash {
			continue
		}
		r := Refused{Body: st.raw, Issues: st.faults, Method: http.MethodPost, Bundle: kind}
		if real != nil {
			r.Body = fhir.RewriteReferences(st.raw, real)
		}
		if st.clash {
			r.Issues, r.Keep = st.answer.issues, true
		} else if r.Keep = s.mayKeep(c, d, r.Body); !r.Keep {
			if unkept++; unkept > maxFaults {
				continue // the answer names it; thousands of notes without payloads help nobody
			}
		}
		if err := s.quarantine(c, d, r); err != nil {
			return err
		}
	}
	return nil
}
