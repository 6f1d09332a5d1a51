package chart

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
)

const (
	outcomeSuccess   = "385669000" // SNOMED CT: successful
	outcomePartial   = "385670004" // SNOMED CT: partially successful
	outcomeNoSuccess = "385671000" // SNOMED CT: unsuccessful
)

// procedure reads a Procedure about a filter into one or more events.
func (r *reader) procedure(n *node) {
	status := n.status()
	if status == "not-done" {
		r.notDone(n)
	}
	if status == "entered-in-error" || status == "not-done" || status == "preparation" || status == "on-hold" {
		return
	}
	code := r.concept(n.get("code"))
	text := code.words + " . " + r.notes(n)
	base := filter.Event{Start: -1, Why: r.why(code, status), Encounter: r.encounterOf(n), Evidence: n.evidence(), Second: saysSecond(text)}
	implanted, explanted, touched := r.focalDevices(n)
	placement := code.in("filter-placement")
	removal := code.in("filter-removal")
	nonspecific := code.in("filter-removal-nonspecific")
	moved := code.in("filter-repositioning")
	told := noAction // by words alone
	if !placement && !removal && !nonspecific && !moved {
		told = saysAction(code.words)
		placement, moved, removal = told == placed, told == repositioned, told == retrieved || told == retrievalFailed
	}
	if !placement && !removal && !nonspecific && !moved && len(implanted)+len(explanted) == 0 {
		r.lookalikes(n)
		r.sightings(n, touched)
		return
	}
	base.When, base.Start = r.performed(n)
	unsaid := 0 // devices named without saying that they were explanted
	if placement || removal || moved {
		implantedHere := implanted
		if placement {
			implanted = append(implantedHere, touched...)
		}
		if removal && !placement {
			explanted = append(explanted, touched...)
			unsaid = len(touched)
		}
	}
	if placement || len(implanted) > 0 {
		r.placement(n, base, status, implanted)
		r.reasons(n, code)
	}
	if removal || nonspecific || len(explanted) > 0 {
		stated := len(explanted) > unsaid
		base := base
		base.Of = n.saidOf()
		base.Nonspecific = nonspecific && !removal && len(explanted) == 0
		r.removal(n, base, status, stated, text, explanted, told)
	}
	if moved && status == "completed" {
		e := base
		e.Kind = filter.Repositioning
		e.Devices, e.Evidence = join(e.Evidence, touched)
		r.out.Events = append(r.out.Events, e)
	}
}

// sightings tells of filters that a procedure names without saying what it did: this patient has, or had, the filter. The day
// of its placement stays unknown.
func (r *reader) sightings(n *node, devices []named) {
	if n.status() != "completed" {
		return
	}
	for _, d := range devices {
		r.out.Events = append(r.out.Events, filter.Event{Kind: filter.InPlace, When: filter.Unknown(), Start: -1, Devices: []filter.Device{d.device},
			Why: "named by a procedure", Evidence: append(n.evidence(), d.refs...)})
	}
}

// why says for people how the entry tells its event.
func (r *reader) why(c concept, status string) string {
	if status == "" {
		status = "no status"
	}
	return c.label() + ", " + status
}

// performed gives the day and the clock time of a procedure.
func (r *reader) performed(n *node) (filter.Span, int) {
	if n.get("performedPeriod").Exists() {
		start, end, minute := r.period(n, "performedPeriod")
		switch {
		case start.Known() && end.Known() && end.Latest >= start.Earliest:
			return start.Hull(end), minute
		case start.Known():
			return start, minute
		}
		return end, minute
	}
	for _, path := range []string{"performedString", "performedAge", "performedRange"} {
		if n.get(path).Exists() {
			r.unread(n, path, "not a date; the day is taken as unknown")
			return filter.Unknown(), -1
		}
	}
	return r.day(n, "performedDateTime")
}

// doneBy says who did a procedure and where, as far as the entry itself names them; "" where it names neither.
func doneBy(n *node) string {
	var words []string
	for _, path := range []string{"performer.0.actor.display", "performer.0.onBehalfOf.display", "location.display"} {
		if name := strings.Join(strings.Fields(n.get(path).String()), " "); name != "" && !slices.Contains(words, name) {
			words = append(words, name)
		}
	}
	if len(words) == 0 {
		return ""
	}
	return "; " + strings.Join(words, ", ")
}

type named struct {
	device filter.Device
	refs   []filter.Ref
}

// focalDevices sorts the filters that a procedure names by what was done to them.
func (r *reader) focalDevices(n *node) (implanted, explanted, touched []named) {
	for f := range n.get("focalDevice").Each() {
		d, refs, ok := r.namedDevice(n, f.Get("manipulated"))
		if !ok {
			continue
		}
		action := f.Get("action")
		is := func(code string) bool {
			for c := range action.Get("coding").Each() {
				if c.Get("code").String() == code && c.Get("system").String() == "http://hl7.org/fhir/device-action" {
					return true
				}
			}
			return false
		}
		switch {
		case is("implanted"):
			implanted = append(implanted, named{d, refs})
		case is("explanted"):
			explanted = append(explanted, named{d, refs})
		default:
			touched = append(touched, named{d, refs})
		}
	}
	return implanted, explanted, touched
}

func (r *reader) placement(n *node, base filter.Event, status string, devices []named) {
	base.Kind, base.Why = filter.Placement, base.Why+doneBy(n)
	if r.notPlaced(n) {
		// A placement that failed put nothing in; one that names an implanted filter all the same contradicts itself.
		if len(devices) == 0 || !r.saysImplanted(n) {
			return
		}
		base.Kind = filter.Claim
	}
	if status != "completed" {
		base.Kind = filter.Claim
		if status != "in-progress" && status != "stopped" && status != "unknown" {
			r.unread(n, "status", "missing or not a status that FHIR knows; the entry counts as a claim only")
		}
	}
	if len(devices) == 0 {
		r.place(n, base)
		return
	}
	// One entry that names two implanted filters placed two.
	for _, d := range devices {
		e := base
		e.Devices = []filter.Device{d.device}
		e.Evidence = append(slices.Clone(base.Evidence), d.refs...)
		r.place(n, e)
	}
}

// removal reads a retrieval, whole, in part, tried or only claimed. Words alone never take a filter out: where no code says
// what was done, an explanted device must; and a code that the entry's own words deny makes the service ask.
func (r *reader) removal(n *node, base filter.Event, status string, explanted bool, text string, devices []named, told action) {
	base.Devices, base.Evidence = join(base.Evidence, devices)
	outcome := r.concept(n.get("outcome"))
	exception := r.concept(n.get("statusReason"))
	complications, tellers := r.complications(n)
	base.Evidence = append(base.Evidence, tellers...)
	text += " . " + exception.words
	for _, c := range complications {
		text += " . " + c.words
	}
	has := func(code string) bool {
		return slices.ContainsFunc(outcome.codes, func(c coding) bool { return c.system == "http://snomed.info/sct" && c.code == code })
	}
	// A coded outcome decides; words count only where there is none.
	partial := has(outcomePartial) || !has(outcomeSuccess) && !has(outcomeNoSuccess) && (saysPartial(text) || saysPartialOutcome(outcome.words))
	failed := has(outcomeNoSuccess) || told == retrievalFailed && !has(outcomeSuccess) || saysFailed(outcome.words) || !has(outcomeSuccess) && saysNotOut(outcome.words) || hasModifier(n, "52", "53", "73", "74")
	stated := has(outcomeSuccess) || explanted
	switch status {
	case "completed", "stopped":
		switch {
		case partial:
			base.Kind, base.Fragment = filter.PartialRemoval, true
		case failed || status == "stopped":
			base.Kind = filter.Attempt
		case told == retrieved && !explanted:
			base.Kind, base.Why = filter.RemovalClaim, "by words only, "+status
		case !stated && (saysDenied(text) || saysDenied(outcome.words)) || stated && (saysStillIn(text) || saysPartLeft(text)):
			base.Kind, base.Why = filter.RemovalClaim, base.Why+", but its own words deny it"
		case !stated && !base.Nonspecific && (slices.ContainsFunc(complications, ofFilter) || !understood(outcome) || !understood(exception)):
			base.Kind, base.Why = filter.RemovalClaim, base.Why+", with an outcome that is not understood"
		default:
			base.Kind = filter.Removal
			base.Confirmed = stated
			base.Presumed = !base.Confirmed
		}
	case "in-progress":
		base.Kind = filter.RemovalClaim
	default:
		base.Kind = filter.RemovalClaim
		if status != "unknown" {
			r.unread(n, "status", "missing or not a status that FHIR knows; the entry counts as a claim only")
		}
	}
	if base.Nonspecific && base.Kind != filter.Removal {
		return
	}
	if !base.When.Known() && (base.Kind == filter.Removal || base.Kind == filter.PartialRemoval) {
		base.When.Latest = r.written(n).Latest // what is done is not later than the word of it
	}
	r.out.Events = append(r.out.Events, r.dated(n, base))
}

// notes joins the free words of an entry.
func (r *reader) notes(n *node) string {
	var words []string
	for v := range n.get("note").Each() {
		words = append(words, v.Get("text").String())
	}
	return strings.Join(words, " . ")
}

// encounterOf gives the encounter an entry belongs to, as evidence names it.
func (r *reader) encounterOf(n *node) filter.Ref {
	if _, ref := r.target(n, n.get("encounter")); ref != "" {
		return ref
	}
	_, ref := r.target(n, n.get("context"))
	return ref
}

func join(evidence []filter.Ref, devices []named) ([]filter.Device, []filter.Ref) {
	out := slices.Clone(evidence)
	var ds []filter.Device
	for _, d := range devices {
		ds = append(ds, d.device)
		out = append(out, d.refs...)
	}
	return ds, out
}
