package api

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/screen"

	"github.com/gin-gonic/gin"
)

// delivery is one request at a door.
type delivery struct {
	feed   string
	base   string // the sender's FHIR base URL; "" where it is not known
	body   []byte
	number int64 // of resources handed to the store

	grant   *auth.Grant  // what the caller may deliver; nil for everything
	route   string       // the pattern of the door that it came through
	at      time.Time    // when it came, if it lay in the quarantine since; else zero
	refused []fhir.Issue // of a single request that was understood and answered with a refusal
	took    bool         // something of it changed what is here, or was here already
	aside   bool         // an entry of it was set aside with its bytes
	told    []fhir.Issue // what it was told of resources that were understood
}

// answer is what a request or an entry is told.
type answer struct {
	status   int
	location string // "Type/id/_history/v"; "" where nothing is kept
	etag     string
	fate     string
	issues   []fhir.Issue
}

// door reads a delivery, lets h take it, and sees to what every delivery needs: an answer to each error, the quarantine
// of what could not be read, the audit row.
func (s *server) door(h func(c *gin.Context, d *delivery) error) gin.HandlerFunc {
	return func(c *gin.Context) {
		d, err := s.open(c)
		if d == nil {
			s.refuse(c, err)
			return
		}
		grant := grantOf(c)
		d.grant = &grant
		if err == nil {
			err = h(c, d)
		}
		if err != nil {
			if p := problemOf(err); p.unreadable {
				s.meters.resource("", fateRefused)
				r := whole(c, d, p.issues)
				r.Keep = p.concerns || s.mayKeep(c, d, r.Body)
				if failed := s.quarantine(c, d, r); failed != nil {
					err = failed
				}
			}
			s.refuse(c, err)
		}
		s.audit(c, "feed "+d.feed+grant.By(), "deliver", d.number)
	}
}

// open finds the feed and reads the body. Where the body is at fault the delivery is given too.
func (s *server) open(c *gin.Context) (*delivery, error) {
	feed := c.Param("feed")
	if feed == "" {
		feed = DefaultFeed
	}
	base, ok := s.Feeds[feed]
	if !ok {
		return nil, notFound("there is no such feed")
	}
	if err := negotiate(c.Request); err != nil {
		return nil, err
	}
	d := &delivery{feed: feed, base: base, route: pattern(c)}
	if c.Request.Method == http.MethodDelete {
		return d, nil
	}
	var err error
	d.body, err = s.readBody(c.Writer, c.Request, false)
	return d, err
}

// forbid answers 403 to each step for which the caller's access token has no scope, and reports whether there was one.
func (d *delivery) forbid(steps []step) bool {
	found := false
	for i, st := range steps {
		verbs := st.verbs
		switch {
		case d.grant == nil || st.kind != keep && st.kind != remove:
			continue
		case st.kind == remove:
			verbs = "d"
		case verbs == "":
			verbs = "cu"
		}
		if !d.grant.MayDeliver(st.resource.Type, verbs) {
			steps[i] = st.ready(http.StatusForbidden, "error", "forbidden", st.path, "the access token has no scope for this")
			found = true
		}
	}
	return found
}

// accept screens all steps that are to be kept and hands them to the store in one call, so that the entries of a patient
// that arrive together with the filter are kept with it. It then fills in the answers. Order is the order of steps;
// backwards says that the newest stands first, as in a history.
func (s *server) accept(ctx context.Context, d *delivery, steps []step, backwards bool) error {
	items, of := s.screened(d, steps, backwards)
	if len(items) > 0 {
		outcomes, err := s.acceptItems(ctx, d, items)
		if err != nil {
			return err
		}
		if len(outcomes) != len(items) {
			return errors.New("the store gave another number of outcomes than it was given items")
		}
		d.number = int64(len(items))
		used := map[string]bool{} // entries that one about a patient names
		for n, it := range items {
			if fate := outcomes[n].Fate; it.Patient != "" && !it.Retracted && (fate == screen.Created || fate == screen.Updated || fate == screen.Duplicate) {
				for _, ref := range it.Refs {
					used[ref] = true
				}
			}
		}
		for n, i := range of {
			steps[i].answer = s.answerTo(d, steps[i], items[n], outcomes[n], used[items[n].Resource.Ref()])
			d.took = d.took || outcomes[n].Fate != screen.Dropped
		}
	}
	for _, st := range steps {
		d.told = append(d.told, st.answer.issues...)
		fate := st.answer.fate
		if st.kind == faulty {
			fate = fateRefused
		}
		s.meters.resource(st.resource.Type, fate)
	}
	return nil
}

// screened gives what is to be handed to the store, and which step each item is of.
func (s *server) screened(d *delivery, steps []step, backwards bool) (items []screen.Item, of []int) {
	for n := range steps {
		i := n
		if backwards {
			i = len(steps) - 1 - n
		}
		switch st := steps[i]; st.kind {
		case keep:
			it := s.Screen(d.feed, st.resource)
			it.Temporary = st.temporary
			items, of = append(items, it), append(of, i)
		case remove:
			items, of = append(items, screen.Item{Feed: d.feed, Resource: st.resource, Deleted: true}), append(of, i)
		}
	}
	return items, of
}

func (s *server) acceptItems(ctx context.Context, d *delivery, items []screen.Item) ([]screen.Outcome, error) {
	if d.at.IsZero() {
		return s.Accept(ctx, items)
	}
	return s.AcceptHeld(ctx, items, d.at)
}

// received is when a delivery came, or first came.
func (s *server) received(d *delivery) time.Time {
	if d.at.IsZero() {
		return s.Now()
	}
	return d.at
}

// answerTo turns what the store did into what the sender is told. used says that an entry about a patient, of the same delivery, names it.
func (s *server) answerTo(d *delivery, st step, it screen.Item, o screen.Outcome, used bool) answer {
	a := answer{status: http.StatusOK, fate: string(o.Fate)}
	if o.Version > 0 {
		version := strconv.FormatInt(o.Version, 10)
		a.etag = `W/"` + version + `"`
		if st.kind == keep {
			a.location = st.resource.Ref() + "/_history/" + version
		}
	}
	if o.Fate == screen.Created && st.kind == keep {
		a.status = http.StatusCreated
	}
	a.issues = []fhir.Issue{{Severity: "information", Code: "informational", Text: fateText(o.Fate, st.kind)}}
	if o.Fate == screen.Dropped && needsPatient(it) {
		a.issues[0].Text = "it names no patient who could be followed; nothing was kept"
	}
	if o.Fate == screen.Dropped && it.Evidence && it.Patient != "" {
		a.issues[0].Text = "a later entry of the same delivery takes its place or takes it back; nothing of this one was kept"
	}
	if st.resource.Ahead(s.received(d)) {
		w := st.resource.AheadWarning()
		w.Expression = st.path + strings.TrimPrefix(w.Expression, st.resource.Type)
		if st.toldBy != "" {
			w.Expression = st.toldBy
		}
		a.issues = append(a.issues, w)
	}
	if st.kind != keep {
		return a
	}
	if o.Retracted {
		a.issues[0] = fhir.Issue{Severity: "warning", Code: "conflict", Text: retractedText}
	}
	switch {
	case o.SameVersion:
		a.issues = append(a.issues, fhir.Issue{Severity: "warning", Code: "conflict", Expression: st.path + ".meta", Text: sameVersionText})
	case o.Undecided:
		a.issues = append(a.issues, fhir.Issue{Severity: "information", Code: "informational", Expression: st.path + ".meta", Text: undecidedText})
	}
	if o.Version > 0 {
		a.issues = append(a.issues, st.notes...)
	}
	warnings := fhir.Warnings(st.resource)
	if st.resource.Type == "Patient" {
		warnings = append(warnings, fhir.LinkFaults(st.resource.Document(), d.base)...)
	}
	for _, path := range it.Lookalikes {
		warnings = append(warnings, fhir.Issue{Severity: "warning", Code: "code-invalid", Expression: path, Text: screen.LookalikeText})
	}
	if st.resource.Type == "Patient" && o.Version > 0 && st.resource.NamelessID() {
		warnings = append(warnings, fhir.Issue{Severity: "warning", Code: "incomplete", Expression: "Patient.id", Text: namelessText})
	}
	if w, ok := fhir.NoPatient(st.resource, o.Version > 0); ok && needsPatient(it) {
		if used && st.resource.Type == "Device" {
			w = fhir.Issue{Severity: "information", Code: "informational", Expression: w.Expression, Text: usedText}
		}
		warnings = append(warnings, w)
	}
	for _, w := range warnings {
		w.Expression = st.path + strings.TrimPrefix(w.Expression, st.resource.Type)
		a.issues = append(a.issues, w)
	}
	return a
}

// retractedText answers content that a deletion or retraction heard before keeps out. A plain DELETE tells neither a version
// nor a time, so only a time after it was heard is certainly newer.
const retractedText = "a deletion or retraction of this resource stands, so this changes nothing. Only a newer version revives it: " +
	"one with a later meta.lastUpdated than the retraction (or than when it came, if it told no time), " +
	"or with a higher numeric meta.versionId if the retraction told one"

// undecidedText answers content that replaced other content, or did not, for no other reason than when it came.
const undecidedText = "neither meta.versionId nor meta.lastUpdated tells whether this is newer than what was here, so the order of receipt decided"

// sameVersionText answers content that replaced other content of the very same version.
const sameVersionText = "same version, other content: a record gives every change a new meta.versionId and meta.lastUpdated; " +
	"the order of receipt decided"

// namelessText answers a Patient whose id was made here.
const namelessText = "this Patient came without an id of the record, so nothing in the record can be about the patient: " +
	"no draft can be written until the same patient arrives with the record's id"

// usedText answers a filter Device that names no patient, which another entry of the delivery says to be a patient's.
const usedText = "no patient is named; it is assessed as the device of the patient whom an entry of this delivery names with it"

// needsPatient reports whether an item is of no use before somebody says whose it is: it tells of a filter, or of the use of
// a device that may be one.
func needsPatient(it screen.Item) bool {
	return it.Patient == "" && !it.Retracted && (it.Evidence || it.Resource.Type == "DeviceUseStatement")
}

func fateText(f screen.Fate, k kind) string {
	switch f {
	case screen.Created, screen.Updated:
		if k == remove {
			return "the deletion was noted"
		}
		return "kept"
	case screen.Duplicate:
		return "this was already here"
	case screen.Stale:
		return "a newer version is already here; this one changes nothing"
	case screen.Waiting:
		return "held until the device it names is known; nobody is followed for it yet"
	case screen.Forgotten:
		return "nothing of this resource was here; that it is gone was noted"
	}
	return "not about a vena cava filter and not about a followed patient; nothing was kept"
}

// answerSingle writes the answer to a request that was no Bundle.
func (s *server) answerSingle(c *gin.Context, a answer) {
	if a.location != "" {
		c.Header("Location", s.doorURL(c)+"/"+a.location)
	}
	if a.etag != "" {
		c.Header("ETag", a.etag)
	}
	s.writeFHIR(c, a.status, fhir.Outcome(a.issues...))
}

// doorURL gives the base of the door that the request came through.
func (s *server) doorURL(c *gin.Context) string {
	if feed := c.Param("feed"); feed != "" {
		return s.PublicURL + "/feeds/" + feed + "/fhir"
	}
	return s.PublicURL + "/fhir"
}
