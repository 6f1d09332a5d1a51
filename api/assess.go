package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"

	"github.com/gin-gonic/gin"
)

// assess answers what an assessment of the resources in the body would say. Nothing is stored, not even a payload that
// cannot be read.
func (s *server) assess(c *gin.Context) {
	number, err := s.assessBody(c)
	if err != nil {
		s.refuse(c, err)
	}
	s.audit(c, caller(c), "assess", int64(number))
}

func (s *server) assessBody(c *gin.Context) (int, error) {
	if !accepts(c.Request, "application/json", "application/x-ndjson", "application/fhir+json", "application/ndjson") {
		return 0, refusal(http.StatusNotAcceptable, "not-supported", "", "an assessment is application/json, or application/x-ndjson for several patients")
	}
	on, err := s.assessDay(c)
	if err != nil {
		return 0, err
	}
	body, err := s.readBody(c.Writer, c.Request, true)
	if err != nil {
		return 0, err
	}
	resources, err := readAll(body, s.Feeds[DefaultFeed])
	if err != nil {
		return 0, err
	}
	answers, err := s.Assess(resources, on)
	if err != nil {
		return 0, err
	}
	if len(answers) == 0 {
		return 0, refusal(http.StatusUnprocessableEntity, "not-found", "", "the resources name no patient that could be assessed")
	}
	if len(answers) == 1 && !strings.Contains(c.GetHeader("Accept"), "ndjson") {
		c.Data(http.StatusOK, plainJSON, answers[0])
		return len(resources), nil
	}
	var out bytes.Buffer
	for _, a := range answers {
		if err := json.Compact(&out, a); err != nil {
			return 0, errors.New("an assessment is not JSON")
		}
		out.WriteByte('\n')
	}
	c.Data(http.StatusOK, ndjson, out.Bytes())
	return len(resources), nil
}

// assessDay reads the day of the assessment; without one it is today at the hospital. A parameter that nobody reads could be a
// misspelt day, so it is refused.
func (s *server) assessDay(c *gin.Context) (filter.Day, error) {
	if err := onlyParameters(c, "on"); err != nil {
		return 0, err
	}
	text, given := c.GetQuery("on")
	if !given {
		return filter.NewDay(s.Now().In(s.Zone).Date()), nil
	}
	on, err := filter.ParseDay(text)
	if err != nil {
		return 0, refusal(http.StatusBadRequest, "value", "", "on is a calendar day, YYYY-MM-DD")
	}
	return on, nil
}

// onlyParameters refuses a parameter of the query that the route does not know, or that stands twice.
func onlyParameters(c *gin.Context, names ...string) error {
	query := c.Request.URL.Query()
	for _, name := range slices.Sorted(maps.Keys(query)) {
		switch {
		case !slices.Contains(names, name) && name != "_format":
			said := "a parameter"
			if fhir.ValidID(strings.ReplaceAll(name, "_", "-")) {
				said = name
			}
			return refusal(http.StatusBadRequest, "not-supported", "", said+" is not a parameter of this route; it knows "+strings.Join(names, ", "))
		case len(query[name]) > 1:
			return refusal(http.StatusBadRequest, "value", "", name+" is given more than once")
		}
	}
	return nil
}

// readAll gives the resources of a body: a Bundle is taken apart as at the doors, and what is deleted is gone. Several copies
// of a resource are all given, because which of them counts is the assessment's to say, by their versions and not by their
// order. The types that the doors ignore are left out.
func readAll(body []byte, base string) ([]fhir.Resource, error) {
	documents := [][]byte{body}
	if lines := bytes.Split(body, []byte("\n")); isNDJSON(lines) {
		documents = lines
	}
	var order []string
	copies, named, things := map[string][]fhir.Resource{}, map[string]fhir.Resource{}, users{}
	for n, document := range documents {
		if len(documents) > 1 && len(bytes.TrimSpace(document)) == 0 {
			continue
		}
		steps, err := readDocument(document, base)
		if err != nil {
			return nil, inLine(err, n+1, len(documents))
		}
		if len(documents) > 1 {
			rejoin(steps, named, base)
			things.part(steps, base)
		}
		history := isHistory(document)
		for _, st := range steps {
			ref := st.resource.Ref()
			switch st.kind {
			case keep:
				if before, again := named[ref]; again && st.temporary && somebodyElse(before, st.resource, base) {
					return nil, inLine(&fhir.Invalid{Issues: st.clashing(screen.ClashPatient).answer.issues}, n+1, len(documents))
				}
				if st.temporary {
					named[ref] = st.resource
				}
				if !slices.Contains(order, ref) {
					order = append(order, ref)
				}
				if history {
					copies[ref] = nil
				}
				copies[ref] = append(copies[ref], st.resource)
			case remove:
				delete(copies, ref)
			}
		}
	}
	var out []fhir.Resource
	for _, ref := range order {
		out = append(out, copies[ref]...)
	}
	return out, nil
}

// rejoin gives a Patient of a document, whose entry an earlier document told of the same person under another temporary name, that Patient's
// id. before holds what goes by temporary names so far.
func rejoin(steps []step, before map[string]fhir.Resource, base string) {
	ids := map[string]string{} // by the Patient's id in the document
	for _, st := range steps {
		if was, again := before[st.resource.Ref()]; again && st.kind == keep && st.temporary && st.resource.Type != "Patient" {
			ids[screen.Whose(st.resource, base).Patient] = screen.Whose(was, base).Patient
		}
	}
	changed := false
	for i, st := range steps {
		former, told := before["Patient/"+ids[st.resource.ID]]
		if _, known := before[st.resource.Ref()]; told && !known && st.kind == keep && st.temporary && st.resource.Type == "Patient" && fhir.SamePerson(former, st.resource) {
			steps[i].resource.ID, changed = former.ID, true
		}
	}
	if changed {
		resolveAgain(steps)
	}
}

// somebodyElse reports whether two resources that go by one temporary name are about two patients.
func somebodyElse(a, b fhir.Resource, base string) bool {
	if a.Type == "Patient" {
		return fhir.OtherPerson(a, b)
	}
	x, y := screen.Whose(a, base).Patient, screen.Whose(b, base).Patient
	return x != "" && y != "" && x != y
}

// isHistory recognises a history Bundle: there the order says which version is the last
// (http://hl7.org/fhir/R4/http.html#history).
func isHistory(document []byte) bool {
	var b struct {
		Type string `json:"type"`
	}
	return json.Unmarshal(document, &b) == nil && b.Type == "history"
}

// isNDJSON recognises lines that are a document each; a single document on one line, or spread over several, is not.
func isNDJSON(lines [][]byte) bool {
	filled := 0
	for _, l := range lines {
		if len(bytes.TrimSpace(l)) > 0 {
			filled++
		}
		if filled == 2 {
			break
		}
	}
	first := bytes.TrimPrefix(lines[0], []byte("\xef\xbb\xbf"))
	return filled == 2 && json.Valid(first)
}

// readDocument plans one document; any fault in it is an error, since an assessment of a part would mislead.
func readDocument(document []byte, base string) ([]step, error) {
	r, err := fhir.DecodeLoose(document)
	if err != nil {
		return nil, err
	}
	if r.Type != "Bundle" {
		steps := []step{put(DefaultFeed, base, step{path: r.Type, resource: r}, target{})}
		if faults := refusals(steps); len(faults) > 0 {
			return nil, &fhir.Invalid{Issues: faults}
		}
		return steps, nil
	}
	b, err := fhir.DecodeLooseBundle(r)
	if err != nil {
		return nil, err
	}
	steps, err := plan(DefaultFeed, base, b)
	if err != nil {
		return nil, err
	}
	if faults := refusals(steps); len(faults) > 0 {
		return nil, &fhir.Invalid{Issues: faults}
	}
	if _, notified := b.NotificationType(); b.Type == "history" && !notified {
		for i, j := 0, len(steps)-1; i < j; i, j = i+1, j-1 {
			steps[i], steps[j] = steps[j], steps[i]
		}
	}
	return steps, nil
}

// refusals lists the faults of all steps, also of those that a door would answer by themselves.
func refusals(steps []step) []fhir.Issue {
	var all []fhir.Issue
	for _, st := range steps {
		switch {
		case st.kind == faulty:
			all = append(all, st.faults...)
		case st.kind == answered && st.answer.status >= http.StatusBadRequest:
			all = append(all, st.answer.issues...)
		}
	}
	return all[:min(len(all), maxFaults)]
}

// inLine adds to the faults of one line of NDJSON which line it is; the path is one of that line's resource.
func inLine(err error, line, lines int) error {
	var invalid *fhir.Invalid
	if lines == 1 || !errors.As(err, &invalid) {
		return err
	}
	out := &fhir.Invalid{}
	for _, i := range invalid.Issues {
		i.Text = "line " + strconv.Itoa(line) + ": " + strings.TrimPrefix(i.Expression+": ", ": ") + i.Text
		out.Issues = append(out.Issues, i)
	}
	return out
}
