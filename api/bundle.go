package api

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"

	"dwellwatch/fhir"

	"github.com/gin-gonic/gin"
)

// responseBundle is the answer to a Bundle: one entry for each entry of the request, in the same order.
// http://hl7.org/fhir/R4/http.html#transaction-response
type responseBundle struct {
	ResourceType string          `json:"resourceType"`
	Type         string          `json:"type"`
	Entry        []responseEntry `json:"entry,omitempty"`
}

type responseEntry struct {
	Response entryResponse `json:"response"`
}

type entryResponse struct {
	Status   string          `json:"status"`
	Location string          `json:"location,omitempty"`
	ETag     string          `json:"etag,omitempty"`
	Outcome  json.RawMessage `json:"outcome,omitempty"`
}

// deliverBundle takes the entries of a Bundle in one call to the store. In a transaction one entry that cannot be read or done
// makes the whole fail; in all other Bundles it is answered by itself and the rest is kept.
func (s *server) deliverBundle(c *gin.Context, d *delivery, b fhir.Bundle) error {
	if notification, ok := b.NotificationType(); ok && notification != "event-notification" {
		s.answerSingle(c, step{}.informed("the notification was understood; it tells of no resource").answer)
		return nil
	}
	steps, err := plan(d.feed, d.base, b)
	if err != nil {
		return err
	}
	if d.forbid(steps) && b.Type == "transaction" {
		return refusal(http.StatusForbidden, "forbidden", "", "the access token has no scope for some entries, so none was kept")
	}
	if faults := faultsOf(steps, b.Type == "transaction"); b.Type == "transaction" && len(faults) > 0 {
		return unread(http.StatusBadRequest, faults...)
	}
	_, notified := b.NotificationType()
	backwards := b.Type == "history" && !notified
	clashed, err := s.compare(c.Request.Context(), d, steps, backwards)
	if err != nil {
		return err
	}
	if clashed && b.Type == "transaction" {
		return &problem{status: http.StatusUnprocessableEntity, issues: faultsOf(steps, true), unreadable: true, concerns: true}
	}
	// Before anything is stored: a sender that is told of a failure sends the whole again.
	if err := s.setAside(c, d, steps, bundleKind(b)); err != nil {
		return err
	}
	if err := s.accept(c.Request.Context(), d, steps, backwards); err != nil {
		return err
	}
	body, err := json.Marshal(respond(b.Type, steps))
	if err != nil {
		return err
	}
	s.writeFHIR(c, http.StatusOK, body)
	return nil
}

func respond(bundleType string, steps []step) responseBundle {
	out := responseBundle{ResourceType: "Bundle", Type: "batch-response"}
	if bundleType == "transaction" {
		out.Type = "transaction-response"
	}
	for _, st := range steps {
		a := st.answer
		if st.kind == faulty {
			a = answer{status: http.StatusBadRequest, issues: st.faults}
		}
		e := entryResponse{Status: strconv.Itoa(a.status) + " " + http.StatusText(a.status), Location: a.location, ETag: a.etag}
		if len(a.issues) > 0 {
			e.Outcome = fhir.Outcome(a.issues...)
		}
		out.Entry = append(out.Entry, responseEntry{e})
	}
	return out
}

// maxFaults keeps the answer to a hopeless Bundle short.
const maxFaults = 100

// faultsOf lists what is wrong with entries, with what cannot be done where the entries stand or fall together.
func faultsOf(steps []step, together bool) []fhir.Issue {
	var all []fhir.Issue
	for _, st := range steps {
		switch {
		case st.kind == faulty:
			all = append(all, st.faults...)
		case together && st.kind == answered && st.answer.status >= http.StatusBadRequest:
			all = append(all, st.answer.issues...)
		}
	}
	return all[:min(len(all), maxFaults)]
}

// plan says what is to be done with each entry, and gives each resource that came without an id one.
func plan(feed, base string, b fhir.Bundle) ([]step, error) {
	_, notified := b.NotificationType()
	switch b.Type {
	case "transaction", "batch", "history", "subscription-notification", "searchset", "collection", "message", "document":
	default:
		return nil, &fhir.Invalid{Issues: []fhir.Issue{{Severity: "error", Code: "not-supported", Expression: "Bundle.type",
			Text: "a Bundle that answers a request cannot be delivered"}}}
	}
	steps := make([]step, len(b.Entries))
	for i, e := range b.Entries {
		at := "Bundle.entry[" + strconv.Itoa(i) + "]"
		st := step{path: at + ".resource", fullURL: e.FullURL, resource: e.Resource, raw: e.Raw}
		if e.Fault != nil {
			st.kind, st.faults = faulty, e.Fault.Issues
			steps[i] = st.future(feed, base, e)
			continue
		}
		switch b.Type {
		case "transaction", "batch":
			steps[i] = planRequest(feed, base, st, e, at)
		case "history", "subscription-notification":
			steps[i] = planHistory(feed, base, st, e, at, notified)
		default:
			steps[i] = planContent(feed, base, st, e)
		}
		if steps[i].kind == faulty {
			steps[i] = steps[i].future(feed, base, e)
		}
	}
	resolve(steps)
	return steps, nil
}

// planRequest plans an entry of a transaction or batch. ifMatch and ifNoneExist are the sender's business with its own
// record and are not evaluated.
func planRequest(feed, base string, st step, e fhir.Entry, at string) step {
	if e.Method == "" {
		return st.fail("required", at+".request", "an entry of a transaction or batch has a request")
	}
	t, ok := parseTarget(e.URL, base)
	t.path = at + ".request.url"
	switch {
	case !ok && e.HasResource && !kept(e.Resource.Type):
		return st.ignoring(e.Resource.Type, st.path)
	case !ok:
		return st.fail("value", at+".request.url", "this is neither Type nor Type/id of this feed")
	case t.operation || e.Method == "GET" || e.Method == "HEAD":
		return st.informed("this service answers neither reads nor operations; nothing was done")
	case e.Method == "DELETE":
		return del(st, t)
	case e.Method == "PATCH":
		return st.ready(http.StatusBadRequest, "error", "not-supported", at+".request.method",
			"a patch is not supported: send the whole resource")
	case e.Method != "PUT" && e.Method != "POST":
		return st.fail("code-invalid", at+".request.method", "this is not a method of a Bundle entry")
	case !e.HasResource:
		return st.fail("required", st.path, "an entry with this method has a resource")
	case e.Method == "POST":
		// A POST goes to the type; a query there means nothing.
		t.conditional, st.verbs = false, "c"
	case t.ID == "" && !t.conditional && e.Resource.ID == "":
		return st.fail("required", st.path+".id", "an update names the id, in the URL or in the resource")
	}
	if e.Method == "PUT" {
		st.verbs = "u"
	}
	return put(feed, base, st, t)
}

// planHistory plans an entry of a history or of a topic notification: what is deleted goes, any resource that is there is
// taken as the state of its record. In a notification the entry of a GET may carry the resource as well.
func planHistory(feed, base string, st step, e fhir.Entry, at string, notified bool) step {
	t, ok := parseTarget(e.URL, base)
	t.path = at + ".request.url"
	if e.Method == "DELETE" {
		if !ok || t.ID == "" {
			return st.fail("value", at+".request.url", "a deletion in a history names Type/id of this feed")
		}
		st = del(st, t)
		if st.kind == remove && e.Version != "" {
			st.resource.VersionID = e.Version
		}
		st.resource.LastUpdated, st.toldBy = e.LastModified, at+".response.lastModified"
		return st
	}
	if !e.HasResource {
		return st.informed("the entry carries no resource; nothing was kept")
	}
	if e.Method == "GET" && !notified {
		return st.informed("this service answers no reads; nothing was done")
	}
	if st.resource.VersionID == "" {
		st.resource.VersionID = e.Version
	}
	if st.resource.LastUpdated.IsZero() {
		st.resource.LastUpdated, st.toldBy = e.LastModified, at+".response.lastModified"
	}
	if !ok || t.operation || t.conditional || e.Method == "GET" {
		t = target{}
	}
	return put(feed, base, st, t)
}

// planContent plans an entry of a Bundle that only carries resources.
func planContent(feed, base string, st step, e fhir.Entry) step {
	if !e.HasResource {
		return st.informed("the entry carries no resource; nothing was kept")
	}
	st = put(feed, base, st, target{})
	if at := fhir.ParseReference(e.FullURL); base != "" && at.Base != "" && at.Local(base) == "" && st.kind == keep {
		st.notes = append(st.notes, fhir.Issue{Severity: "warning", Code: "conflict", Expression: strings.TrimSuffix(st.path, ".resource") + ".fullUrl", Text: elsewhereText})
	}
	return st
}

// elsewhereText answers an entry that says of itself that it lives on another server. A record that is reached by another name
// than its own sends such entries too, so it is taken at the feed's word.
const elsewhereText = "this address is not below the base of the feed; the entry was taken as the feed's own, with all ids that it names. " +
	"If it comes from another server, deliver it through a feed of its own"

// resolve makes references by an entry's fullUrl into references by type and id. Inside a Bundle a resource may go by a
// temporary name (urn:uuid:...) that means nothing outside it (http://hl7.org/fhir/R4/bundle.html#references); the record
// that sent it gives every such reference the real id when it stores the Bundle
// (http://hl7.org/fhir/R4/http.html#trules), and once the entries are stored one by one nobody could follow it any more.
// So the bytes that are stored say Type/id there, and are otherwise as they came. Only entries that hold such a
// reference are touched. A refused entry is named too where it will go by that name once it can be read: what is replayed later
// then joins what was kept at once, and what is replayed besides.
func resolve(steps []step) {
	real := names(steps)
	if real == nil {
		return
	}
	for i := range steps {
		if steps[i].kind != keep {
			continue
		}
		was := steps[i].resource.Raw
		if now := fhir.RewriteReferences(was, real); len(now) != len(was) || !bytes.Equal(now, was) {
			steps[i].resource.Raw, steps[i].sent = now, was
		}
	}
}

// names gives what each fullUrl stands for; nil where there is none. What is refused for its temporary name has that of somebody else,
// and stands for nothing. What cannot be read stands for what it will be; where two go by one name, what can be read goes before it.
func names(steps []step) func(reference string) (string, bool) {
	known, refused := map[string]string{}, map[string]bool{}
	for _, st := range steps {
		if st.clash {
			refused[temporary(st.fullURL)] = true
		}
	}
	for _, unread := range []bool{false, true} {
		for _, st := range steps {
			if st.resource.ID == "" || (st.kind == faulty) != unread || !strings.Contains(st.fullURL, ":") {
				continue
			}
			if name := temporary(st.fullURL); known[name] == "" && !refused[name] {
				known[name] = st.resource.Ref()
			}
		}
	}
	if len(known) == 0 {
		return nil
	}
	return func(reference string) (string, bool) {
		to, ok := known[temporary(reference)]
		return to, ok
	}
}

// temporary writes a urn in lower case, since a UUID's letters may come in either (RFC 9562 section 4).
func temporary(url string) string {
	if strings.HasPrefix(url, "urn:uuid:") {
		return strings.ToLower(url)
	}
	return url
}
