package chart

import (
	"slices"
	"strings"

	"dwellwatch/fhir"
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
		p := rules.Plan{Permanent: true, Made: made, Evidence: n.evidence()}
		r.out.Facts.Plans = append(r.out.Facts.Plans, p)
	case retrieval && slices.Contains([]string{"proposal", "plan"}, n.get("intent").String()):
		r.out.Facts.Plans = append(r.out.Facts.Plans, rules.Plan{Made: made, Evidence: n.evidence()})
	case retrieval && n.get("intent").String() == "option":
		// http://hl7.org/fhir/R4/valueset-request-intent.html: one of several courses, chosen by nobody yet.
	case retrieval && status == "active":
		r.out.Facts.Orders = append(r.out.Facts.Orders, rules.Order{Made: made, For: filter.Unknown(), Of: r.namedBy(n), Evidence: n.evidence()})
	case !retrieval && status == "active" && !n.get("doNotPerform").Bool():
		when, _ := r.day(n, "occurrenceDateTime")
		if !when.Known() {
			when, _, _ = r.period(n, "occurrencePeriod")
		}
		r.out.Facts.Surgeries = append(r.out.Facts.Surgeries, rules.Dated{When: when, Made: made, Evidence: n.evidence()})
	}
}

func (r *reader) isSurgery(n *node, code concept) bool {
	if code.in("surgery") || saysOperation(code.words) {
		return true
	}
	for v := range n.get("category").Each() {
		if r.concept(v).in("surgery") {
			return true
		}
	}
	return false
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
		for v := range n.get(path).Each() {
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
		for v := range n.get(path).Each() {
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
	evidence := n.evidence()
	retrieval = retrieval || slices.ContainsFunc(slices.Concat(slot, beside), asksRetrieval)
	of := r.namedBy(n)
	for v := range n.get("basedOn").Each() {
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
	v := rules.Visit{Evidence: n.evidence()}
	for c := range n.get("reasonCode").Each() {
		v.Bleed = v.Bleed || r.concept(c).in("bleed")
	}
	for c := range n.get("reasonReference").Each() {
		v.For = r.about(n, c, v.For)
	}
	for c := range n.get("diagnosis").Every("condition") {
		v.For = r.about(n, c, v.For)
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
		r.out.Facts.Discharges = append(r.out.Facts.Discharges, rules.Dated{When: end, Made: end, Evidence: n.evidence()})
	}
}

// about adds the Condition that a reference names, where it names one.
func (r *reader) about(n *node, reference fhir.Value, to []filter.Ref) []filter.Ref {
	if t, ref := r.target(n, reference); t != nil && t.Type == "Condition" {
		return append(to, ref)
	}
	return to
}

// task reads our own Task as the record shows it: its status, and the entries it listed when it was written.
func (r *reader) task(n *node) {
	key := ""
	for v := range n.get("identifier").Each() {
		if v.Get("system").String() == SeriesSystem {
			key = v.Get("value").String()
		}
	}
	if key == "" {
		return
	}
	t := rules.OwnTask{Key: key, Status: n.status(), Priority: n.get("priority").String(), Owner: n.get("owner.display").String(), Ref: n.ref(), Order: n.get("intent").String() == "order"}
	if t.Owner == "" {
		t.Owner = n.get("owner.reference").String()
	}
	for c := range n.get("statusReason.coding").Each() {
		t.ClosedByUs = t.ClosedByUs || c.Get("system").String() == ClosedSystem
	}
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
	r.out.Patient = n.ref()
	r.out.Person = Person{BirthDate: n.get("birthDate").String(), Sex: n.get("gender").String(), Numbers: hospitalNumbers(n), Known: true, Reachable: reachable(n)}
	r.out.Person.Name, r.out.Person.OtherNames = namesOf(n)
	born, _ := r.day(n, "birthDate")
	r.out.Facts.Body = rules.Body{Born: born, Sex: n.get("gender").String(), Evidence: n.evidence()}
}

// namesOf gives the name that the head of a document takes, the official one or else the first, and the others in use.
func namesOf(n *node) (name string, others []string) {
	var all, official, usual, rest []string
	for v := range n.get("name").Each() {
		text := v.Get("text").String()
		if text == "" {
			var parts []string
			for g := range v.Get("given").Each() {
				parts = append(parts, g.String())
			}
			text = strings.TrimSpace(strings.Join(append(parts, v.Get("family").String()), " "))
		}
		all = append(all, text)
		switch v.Get("use").String() {
		case "official":
			official = append(official, text)
		case "usual":
			usual = append(usual, text)
		case "old":
		default:
			rest = append(rest, text)
		}
	}
	if len(all) == 0 {
		return "", nil
	}
	if name = all[0]; len(official) > 0 {
		name = official[0]
	}
	for _, text := range slices.Concat(official, usual, rest) {
		if text != "" && text != name && !slices.Contains(others, text) {
			others = append(others, text)
		}
	}
	return name, others
}

// hospitalNumbers gives the identifiers of the type MR (http://terminology.hl7.org/CodeSystem/v2-0203) that are in use.
func hospitalNumbers(n *node) []string {
	var out []string
	for v := range n.get("identifier").Each() {
		number := strings.TrimSpace(v.Get("value").String())
		if number == "" || v.Get("use").String() == "old" || slices.Contains(out, number) {
			continue
		}
		for c := range v.Get("type.coding").Each() {
			if c.Get("code").String() == "MR" && c.Get("system").String() == "http://terminology.hl7.org/CodeSystem/v2-0203" {
				out = append(out, number)
				break
			}
		}
	}
	return out
}

// death notes that a Patient has died. An empty text for the day says nothing; one that cannot be read tells of a death all the same.
func (r *reader) death(n *node) {
	v := n.get("deceasedDateTime")
	when, _ := r.day(n, "deceasedDateTime")
	if strings.TrimSpace(v.String()) != "" {
		r.out.Facts.Deceased = &rules.Dated{When: when, Evidence: n.evidence()}
	} else if n.get("deceasedBoolean").Bool() {
		r.out.Facts.Deceased = &rules.Dated{When: filter.Unknown(), Evidence: n.evidence()}
	}
}
