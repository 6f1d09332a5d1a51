// Package plan proposes how a filter could be taken out, for the radiologist who decides: what speaks for a difficult retrieval, which
// techniques in which order, tests, anticoagulants, and what is still to be asked. It is pure: no clock (a day is asked of the
// situation's clock), no I/O, no FHIR, no SQL. It must never order anything, guess what was not told, or make one number of several
// predictors. Texts carry dates, never lengths of time up to a day, so that they hold as long as the answer does.
package plan

import (
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// Source is where a statement comes from and how that is known, in the words of the policy.
type Source struct {
	Source string     `json:"source"`
	Known  policy.How `json:"known"`
}

// Statement is one sentence or two with its source and the entries it stands on.
type Statement struct {
	Text     string       `json:"text"`
	Evidence []filter.Ref `json:"evidence"`
	Source
}

// Ask is something that people must find out, because the record does not say it or must not be trusted to.
type Ask struct {
	What string `json:"what"` // a stable code, e.g. "allergy-contrast"
	Text string `json:"text"`
	Source
}

// Plan is the proposal for one filter. Lists are never null and have a total order.
type Plan struct {
	Notes           []Statement     `json:"notes"` // read first
	Predictors      []Predictor     `json:"predictors"`
	Approach        Approach        `json:"approach"`
	Routes          []Route         `json:"routes"`
	Ladder          []Step          `json:"ladder"`
	Kit             []Item          `json:"kit"`
	Imaging         Imaging         `json:"imaging"`
	Laboratory      Laboratory      `json:"laboratory"`
	Anticoagulation Anticoagulation `json:"anticoagulation"`
	Afterwards      []Statement     `json:"afterwards"`
	Asks            []Ask           `json:"asks"`
	// Disagreements tells where entries of one day say opposite things of one sign. The one that asks for more care counts.
	Disagreements []Statement `json:"disagreements"`
}

// Wanted reports whether a verdict has a plan.
func Wanted(v rules.Verdict) bool { return v == rules.Refer || v == rules.Urgent || v == rules.Review }

// Propose gives the plan for a filter that was judged, nil where its verdict wants none. alone is false where another filter of the
// patient is or may be in: then what was measured of a filter without saying of which is not used.
func Propose(j rules.Judgement, alone bool) *Plan { return new(Room).Propose(j, alone) }

// Room is memory that one who proposes many plans hands on from each to the next. No Plan is a part of it. The zero Room is ready. It
// must not be used by two at once.
type Room struct{ work proposal }

// Propose is the function of that name.
func (m *Room) Propose(j rules.Judgement, alone bool) *Plan {
	if !Wanted(j.Verdict) {
		return nil
	}
	c := &m.work
	c.begin(j, alone)
	return &Plan{
		Notes: c.notes(), Predictors: c.predictors(), Approach: c.approach(), Routes: c.routes(), Ladder: c.ladder(), Kit: c.kit(), Imaging: c.imaging(),
		Laboratory: c.tests, Anticoagulation: c.anticoagulation(), Afterwards: c.afterwards(), Asks: c.asks(), Disagreements: c.disagreements(),
	}
}

// proposal is one filter with what several parts of its plan ask for.
type proposal struct {
	rules.Judgement
	*rules.Situation
	alone bool

	dwell, dwellVery, tilt, steep, embedded, penetrated, fractured, thrombus, defers, displaced, failed, closedCell, permanent, occluded finding

	jugular, femoral []Route
	veins            []Statement // where entries of one day say opposite things of a vein
	prescribed       []rules.Prescription
	undated          []rules.Diagnosis // acute thromboembolisms of no known day
	advanced         []Reason          // what makes advanced technique likely
	scan             Advice
	tests            Laboratory
}

// finding is the state of something that the plan turns on.
type finding struct {
	state    State
	text     string
	day      filter.Span
	evidence []filter.Ref
	// dispute says that entries of one day, disputedBy, say opposite things of it; "" where none do.
	dispute    string
	disputedBy []filter.Ref
	contact    bool // with an organ, by a grade
	doubt      bool // something is recorded of it that cannot be used, so that images must settle it
}

func (f finding) is() bool { return f.state == Present }

func (c *proposal) begin(j rules.Judgement, alone bool) {
	*c = proposal{Judgement: j, Situation: j.Situation, alone: alone, prescribed: j.Situation.Prescriptions()}
	c.undated = c.undatedVTEs()
	c.dwell, c.dwellVery = c.dwellPast(c.Policy.DwellLongMonths), c.dwellPast(c.Policy.DwellVeryLongMonths)
	c.tilt, c.steep = c.tilts()
	c.embedded = c.hook()
	c.penetrated = c.penetration()
	c.fractured = c.complicated("fracture", "A fracture of the filter is recorded")
	c.displaced = c.complicated("displacement", "The filter is recorded as displaced")
	c.thrombus, c.defers = c.clot()
	c.failed = c.failure()
	c.closedCell, c.permanent = c.design(), c.intent()
	c.occluded = c.occlusion()
	c.jugular, c.femoral = c.route("jugular", rules.JugularPatent), c.route("femoral", rules.FemoralPatent)
	c.advanced = c.reasons()
	c.scan, c.tests = c.tomography(), c.laboratory()
}

// notes are what the reader must know before the rest.
func (c *proposal) notes() []Statement {
	out := []Statement{say("A draft for the operator: it holds if a removal is decided on, and nothing in it is an order, a dose or a consent.", nil, Source{ours + "drafts, never orders", policy.Choice})}
	put := func(text string, evidence []filter.Ref, s Source) { out = append(out, say(text, evidence, s)) }
	add := func(is bool, text string, evidence []filter.Ref, s Source) {
		if is {
			put(text, evidence, s)
		}
	}
	add(c.Emergency, "An emergency is recorded: telephone now. The steps below are for a filter in the cava; one in the heart or the lung, or a bleeding, is a matter for a team of surgeon, cardiologist and radiologist.",
		c.urgent(), practice())
	add(!c.alone, "Another filter of the patient is or may be in: which of them lies where, and which is caught first, comes before how.", c.Filter.Evidence, practice())
	signs, unnamed := c.doubtful(readable)
	if len(signs) > 0 {
		put("Entries tell of "+names(signs)+" without saying of which filter: each may be this one's. Images tell them apart before a technique is chosen.", unnamed, Source{ours + "what may be of this filter is not left out", policy.Choice})
	}
	signs, unread := c.doubtful(unreadable)
	if len(signs) > 0 {
		put("Recorded in a way that could not be read: "+names(signs)+". Read these entries first.", unread, Source{ours + "what could not be read is named", policy.Choice})
	}
	add(c.Filter.Standing == filter.StandingUnclear, "Whether the filter is in is not clear: settle that first.", c.Filter.Evidence, Source{ours + "contradictions are named", policy.Choice})
	add(c.Filter.Standing == filter.StandingRemoved, "The filter is recorded as removed "+c.Filter.Removed.String()+": what is in, and where it lies, is settled by images before anything else.", c.Filter.Evidence, Source{ours + "contradictions are named", policy.Choice})
	add(c.Filter.Standing == filter.StandingPartly, "A part of the filter stayed in: what follows is about that part. Where it lies decides whether it is better taken out or left.", c.Filter.Evidence, practice())
	add(len(c.LifeLimit) > 0, "Limited life expectancy is documented: whether a removal still helps comes before how.", c.LifeLimit, Source{sir2006 + ", condition d", policy.Memory})
	add(len(c.UntreatedVTE) > 0, "An acute thromboembolism has no treatment dose on record: settle anticoagulation before a removal is planned.", c.UntreatedVTE, Source{chest2021, policy.SecondHand})
	undated := c.undated
	add(len(undated) > 0, "A thromboembolism is on record without a day, and may be acute: find out when it was before a hold or a removal is planned.", evidenceOf(undated), Source{ours + "what may be acute is not passed over", policy.Choice})
	add(len(c.Conflict) > 0, "An active bleed is recorded beside a treatment dose: the treating team settles which holds before a removal is planned.", c.Conflict, practice())
	add(c.permanent.is() || c.Permanence.Plan, "The filter is meant to stay, by design or by decision: removal is not routine.", slices.Concat(c.permanent.evidence, c.Permanence.Evidence), Source{sir2020 + ": against routine removal of permanent filters", policy.Memory})
	hit := c.On(rules.HIT)
	add(len(hit) > 0, "Heparin-induced thrombocytopenia is on record: no heparin, nor in flushes or on coated catheters.", evidenceOf(hit), practice())
	return out
}

// urgent lists the entries of what makes the verdict urgent.
func (c *proposal) urgent() []filter.Ref {
	var out []filter.Ref
	for _, x := range c.Complications {
		if x.Weight == rules.IsUrgent {
			out = append(out, x.Evidence...)
		}
	}
	return out
}

func evidenceOf(ds []rules.Diagnosis) []filter.Ref {
	var out []filter.Ref
	for _, d := range ds {
		out = append(out, d.Evidence...)
	}
	return out
}

func say(text string, evidence []filter.Ref, s Source) Statement {
	return Statement{Text: text, Evidence: sorted(evidence), Source: s}
}

// sorted gives each entry once, in order; never nil.
func sorted(refs []filter.Ref) []filter.Ref {
	out := append([]filter.Ref{}, refs...)
	slices.Sort(out)
	return slices.Compact(out)
}
