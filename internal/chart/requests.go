package chart

import (
	"slices"
	"strings"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// SeriesSystem is the identifier system of our own Tasks and documents: the value is the filter's key.
const SeriesSystem = "urn:dwellwatch:referral"

// ClosedSystem is the code system of Task.statusReason where we ended a Task ourselves.
const ClosedSystem = "urn:dwellwatch:closed"

// serviceRequest reads a request for a retrieval, a decision against one, or an order for surgery.
func (r *reader) serviceRequest(n *node) {
	status := n.status()
	code := r.concept(n.get("code"))
	retrieval := code.in("filter-removal") || asksRetrieval(code.words)
	if status != "active" && status != "completed" || !retrieval && !r.isSurgery(n, code) {
		return
	}
	made, _ := r.day(n, "authoredOn")
	if !made.Known() {
		made = r.written(n)
	}
	switch {
	case retrieval && n.get("doNotPerform").Bool() && (status == "active" || status == "completed"):
		p := rules.Plan{Permanent: true, Made: made, Evidence: []filter.Ref{n.name}}
		r.out.Facts.Plans = append(r.out.Facts.Plans, p)
	case retrieval && slices.Contains([]string{"proposal", "plan"}, n.get("intent").String()):
		r.out.Facts.Plans = append(r.out.Facts.Plans, rules.Plan{Made: made, Evidence: []filter.Ref{n.name}})
	case retrieval && n.get("intent").String() == "option":
		// http://hl7.org/fhir/R4/valueset-request-intent.html: one of several courses, chosen by nobody yet.
	case retrieval && status == "active":
		r.out.Facts.Orders = append(r.out.Facts.Orders, rules.Order{Made: made, For: filter.Unknown(), Of: r.namedBy(n), Evidence: []filter.Ref{n.name}})
	case !retrieval && status == "active" && !n.get("doNotPerform").Bool():
		when, _ := r.day(n, "occurrenceDateTime")
		if !when.Known() {
			when, _, _ = r.period(n, "occurrencePeriod")
		}
		r.out.Facts.Surgeries = append(r.out.Facts.Surgeries, rules.Dated{When: when, Made: made, Evidence: []filter.Ref{n.name}})
	}
}

func (r *reader) isSurgery(n *node, code concept) bool {
	if code.in("surgery") || saysOperation(code.words) {
		return true
	}
	return slices.ContainsFunc(n.get("category").Array(), func(v gjson.Result) bool { return r.concept(v).in("surgery") })
}

// asksRetrieval reports whether the words of a request or appointment ask for a retrieval: as a procedure's words tell of one,
// with the words taken off with which people ask.
func asksRetrieval(text string) bool {
	return slices.ContainsFunc(clauses(text), func(clause string) bool {
		words := tokens(clause)
		for len(words) > 0 && slices.Contains([]string{"please", "request", "requested", "referral", "refer", "schedule", "ir", "interventional", "radiology", "outpatient", "urgent", "routine", "scheduled", "appointment", "booking", "booked", "slot", "elective", "planned", "order", "procedure", "for", "to", "the", "a"}, words[0]) {
			words = words[1:]
		}
		for len(words) > 0 && slices.Contains([]string{"please", "request", "requested", "scheduled", "appointment", "booking", "booked", "slot", "planned"}, words[len(words)-1]) {
			words = words[:len(words)-1]
		}
		rest := strings.Join(words, " ")
		a := saysAction(rest)
		// A further attempt is asked for as one.
		return a == retrieved || a == retrievalFailed && !saysFailed(rest) && !says(rest, "attempted")
	})
}

// namedBy lists the entries that a request or appointment says it is about: the device, or the placement.
func (r *reader) namedBy(n *node) []filter.Ref {
	var out []filter.Ref
	for _, path := range []string{"reasonReference", "supportingInfo", "supportingInformation"} {
		for _, v := range n.get(path).Array() {
			if _, ref := r.target(n, v); ref != "" {
				out = append(out, ref)
			}
		}
	}
	return out
}

// appointment reads a booked slot for a retrieval or for surgery.
func (r *reader) appointment(n *node) {
	if !slices.Contains([]string{"booked", "arrived", "checked-in"}, n.status()) {
		return
	}
	// What the slot is, and what stands beside it: a follow-up for a hip replacement is no hip replacement. The specialty says who
	// sees the patient, not what for.
	slot, beside := []string{n.get("description").String()}, []string{n.get("comment").String()}
	retrieval, surgery := false, false
	for _, path := range []string{"serviceType", "reasonCode"} {
		for _, v := range n.get(path).Array() {
			c := r.concept(v)
			if path == "serviceType" {
				slot = append(slot, c.words)
			} else {
				beside = append(beside, c.words)
			}
			retrieval = retrieval || c.in("filter-removal")
			surgery = surgery || c.in("surgery")
		}
	}
	evidence := []filter.Ref{n.name}
	retrieval = retrieval || slices.ContainsFunc(slices.Concat(slot, beside), asksRetrieval)
	of := r.namedBy(n)
	for _, v := range n.get("basedOn").Array() {
		// What the slot is for may stand in the request only.
		if t, ref := r.target(n, v); t != nil && !retrieval {
			c := r.concept(t.get("code"))
			beside = append(beside, c.words)
			retrieval = c.in("filter-removal") || asksRetrieval(c.words)
			surgery = surgery || c.in("surgery")
			evidence = append(evidence, ref)
			of = append(of, r.namedBy(t)...)
		}
	}
	visit := slices.ContainsFunc(slot, saysVisit)
	surgery = surgery || slices.ContainsFunc(slot, saysNamedOperation) || !visit && slices.ContainsFunc(slices.Concat(slot, beside), saysOperation)
	if !retrieval && !surgery {
		return
	}
	when, _ := r.day(n, "start")
	made, _ := r.day(n, "created")
	if !made.Known() {
		made = r.written(n)
	}
	switch {
	case retrieval:
		r.out.Facts.Orders = append(r.out.Facts.Orders, rules.Order{Booked: true, Made: made, For: when, Of: of, Evidence: evidence})
	case surgery:
		r.out.Facts.Surgeries = append(r.out.Facts.Surgeries, rules.Dated{When: when, Made: made, Evidence: evidence})
	}
}

// encounter notes the end of an inpatient stay, and what any visit was for.
func (r *reader) encounter(n *node) {
	if n.status() == "entered-in-error" || n.status() == "cancelled" || n.status() == "planned" {
		return
	}
	v := rules.Visit{Evidence: []filter.Ref{n.name}}
	for _, c := range n.get("reasonCode").Array() {
		v.Bleed = v.Bleed || r.concept(c).in("bleed")
	}
	for _, c := range append(n.get("reasonReference").Array(), n.get("diagnosis.#.condition").Array()...) {
		if t, ref := r.target(n, c); t != nil && t.Type == "Condition" {
			v.For = append(v.For, ref)
		}
	}
	if v.Bleed || len(v.For) > 0 {
		v.When, _, _ = r.period(n, "period")
		r.out.Facts.Visits = append(r.out.Facts.Visits, v)
	}
	if !inpatientClass(n) {
		return
	}
	r.stay(n)
	if _, end, _ := r.period(n, "period"); end.Known() {
		r.out.Facts.Discharges = append(r.out.Facts.Discharges, rules.Dated{When: end, Made: end, Evidence: []filter.Ref{n.name}})
	}
}

// task reads our own Task as the record shows it: its status, and the entries it listed when it was written.
func (r *reader) task(n *node) {
	key := ""
	for _, v := range n.get("identifier").Array() {
		if v.Get("system").String() == SeriesSystem {
			key = v.Get("value").String()
		}
	}
	if key == "" {
		return
	}
	t := rules.OwnTask{Key: key, Status: n.status(), Priority: n.get("priority").String(), Owner: n.get("owner.display").String(), Ref: n.name}
	if t.Owner == "" {
		t.Owner = n.get("owner.reference").String()
	}
	t.ClosedByUs = slices.ContainsFunc(n.get("statusReason.coding").Array(), func(c gjson.Result) bool { return c.Get("system").String() == ClosedSystem })
	// The focus alone says which filter it was: the inputs may also name entries of another filter that contradict it.
	if _, ref := r.target(n, n.get("focus")); ref != "" {
		t.Evidence = []filter.Ref{ref}
	}
	r.out.Facts.OwnTasks = append(r.out.Facts.OwnTasks, t)
}

// patient reads who the patient is and whether the patient died.
func (r *reader) patient(n *node) {
	r.death(n)
	if r.out.Patient != "" && r.replaced(n) {
		return // the one that replaces it is who the answer is about
	}
	r.out.Patient = n.name
	name := n.get("name.0")
	for _, v := range n.get("name").Array() {
		if v.Get("use").String() == "official" {
			name = v
			break
		}
	}
	text := name.Get("text").String()
	if text == "" {
		var parts []string
		for _, g := range name.Get("given").Array() {
			parts = append(parts, g.String())
		}
		text = strings.TrimSpace(strings.Join(append(parts, name.Get("family").String()), " "))
	}
	r.out.Person = Person{Name: text, BirthDate: n.get("birthDate").String(), Sex: n.get("gender").String(), Known: true, Reachable: reachable(n)}
	born, _ := r.day(n, "birthDate")
	r.out.Facts.Body = rules.Body{Born: born, Sex: n.get("gender").String(), Evidence: []filter.Ref{n.name}}
}

// death notes that a Patient has died.
func (r *reader) death(n *node) {
	if v := n.get("deceasedDateTime"); v.Exists() {
		when, _ := r.day(n, "deceasedDateTime")
		r.out.Facts.Deceased = &rules.Dated{When: when, Evidence: []filter.Ref{n.name}}
	} else if n.get("deceasedBoolean").Bool() {
		r.out.Facts.Deceased = &rules.Dated{When: filter.Unknown(), Evidence: []filter.Ref{n.name}}
	}
}
