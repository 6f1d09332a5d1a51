package api

import (
	"net/http"
	"strings"
	"sync"

	"dwellwatch/fhir"

	"github.com/gin-gonic/gin"
)

// future gives a faulty step the id that its resource will go by once it can be read, or none where that cannot be said.
func (st step) future(feed, base string, e fhir.Entry) step {
	r := &st.resource
	// The base of the feed may be what is wrong, so a URL below another one says the id too.
	if to := fhir.ParseReference(strings.TrimPrefix(e.URL, "/")); r.ID == "" && to.Type == r.Type {
		r.ID = to.ID
	}
	if r.ID == "" {
		if named, ok := ownName(st.fullURL, base); ok && named.Type == r.Type {
			r.ID = named.ID
		}
	}
	if r.ID == "" && isTemporary(st.fullURL) {
		r.ID, st.temporary = madeID(feed, st.fullURL, nil), true
	}
	if !kept(r.Type) || !fhir.ValidID(r.ID) {
		r.ID = ""
	}
	return st
}

// setAside puts into the quarantine the entries of a Bundle that cannot be read and those refused for their temporary names, each by
// itself, with what it names by other entries' temporary names resolved. Bytes are kept where they tell of a filter or name somebody
// followed, and where the entry names one of the same Bundle that tells of a filter: that a device was used in a patient often stands
// in an entry that does not say what the device is.
func (s *server) setAside(c *gin.Context, d *delivery, steps []step, bundle string) error {
	bodies, keeps := make([][]byte, len(steps)), make([]bool, len(steps))
	tells := map[string]func() bool{} // by Type/id: whether the entry tells of a filter
	real := names(steps)
	for i, st := range steps {
		if st.kind == keep {
			tells[st.resource.Ref()] = sync.OnceValue(func() bool { return s.Screen(d.feed, st.resource).Evidence })
		}
		if st.kind != faulty && !st.clash {
			continue
		}
		if bodies[i] = st.raw; real != nil {
			bodies[i] = fhir.RewriteReferences(st.raw, real)
		}
		if keeps[i] = st.clash || s.mayKeep(c, d, bodies[i]); keeps[i] && st.kind == faulty && st.resource.ID != "" {
			tells[st.resource.Ref()] = func() bool { return true }
		}
	}
	unkept := 0
	for i, st := range steps {
		if bodies[i] == nil {
			continue
		}
		r := Refused{Body: bodies[i], Issues: st.faults, Method: http.MethodPost, Bundle: bundle}
		if st.clash {
			r.Issues = st.answer.issues
		}
		if r.Keep = keeps[i] || namesFilter(bodies[i], d.base, tells); r.Keep {
			d.aside = true
		} else if unkept++; unkept > maxFaults {
			continue // the answer names it; thousands of notes without payloads help nobody
		}
		if err := s.quarantine(c, d, r); err != nil {
			return err
		}
	}
	return nil
}

// namesFilter reports whether bytes name an entry that tells of a filter.
func namesFilter(raw []byte, base string, tells map[string]func() bool) bool {
	found := false
	fhir.RewriteReferences(raw, func(reference string) (string, bool) {
		if tell := tells[fhir.ParseReference(reference).Local(base)]; tell != nil && !found {
			found = tell()
		}
		return "", false
	})
	return found
}
