package plan

import (
	"fmt"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// Approach says how to begin.
type Approach struct {
	// First is standard | advanced | image | defer | team.
	First string `json:"first"`
	// Complex says that a complex removal is to be planned for; tests and holds go by it.
	Complex bool     `json:"complex"`
	Why     []Reason `json:"why"`
	Statement
}

// Reason is a predictor that decided, with its own words.
type Reason struct {
	Predictor string `json:"predictor"`
	Text      string `json:"text"`
	Source
}

// reasons lists what makes advanced technique likely. Each alone suffices; they are not added up.
func (c *proposal) reasons() []Reason {
	out := []Reason{}
	add := func(is bool, name, text string, s Source) {
		if is {
			out = append(out, Reason{name, text, s})
		}
	}
	add(c.failed.is(), "failed-attempt", c.failed.text, Source{kethidi, policy.Seen})
	add(c.embedded.is(), "hook-embedded", c.embedded.text, Source{white2021 + "; " + kethidi, policy.Seen})
	add(c.steep.is(), "tilt", c.steep.text, Source{monash, policy.Seen})
	add(c.dwellVery.is(), "dwell", c.dwellVery.text, Source{desai2017, policy.Seen})
	add(c.closedCell.is() && c.dwell.is(), "closed-cell-design", c.closedCell.text+" "+c.dwell.text, Source{desaiCells, policy.Seen})
	add(c.permanent.is(), "permanent-design", c.permanent.text, Source{kethidi + "; " + centre, policy.Seen})
	add(c.fractured.is(), "fracture", c.fractured.text, practice())
	add(c.severely("penetration") || c.penetrated.contact, "penetration", c.penetrated.text, practice())
	add(c.displaced.is(), "displacement", c.displaced.text, practice())
	add(c.occluded.is(), "caval-occluded", c.occluded.text, trade())
	add(c.Filter.Standing == filter.StandingPartly, "part-left", "A removal "+c.Filter.Removed.String()+" left a part in.", practice())
	return out
}

// complicatedRemoval reports whether a complex removal is to be planned for.
func (c *proposal) complicatedRemoval() bool { return len(c.advanced) > 0 }

// amountOpen reports whether thrombus may fill more of the filter than the limit, by an entry that does not settle it.
func (c *proposal) amountOpen() bool {
	return c.defers.state == NotKnown && len(c.defers.evidence) > 0
}

// open names the signs that something is recorded of which does not settle them, with the entries.
func (c *proposal) open() (signs []string, evidence []filter.Ref) {
	for _, x := range [...]struct {
		name string
		f    finding
	}{{"tilt", c.tilt}, {"hook-embedded", c.embedded}, {"penetration", c.penetrated}, {"thrombus", c.thrombus}, {"caval-occluded", c.occluded}} {
		if x.f.doubt {
			signs, evidence = append(signs, x.name), append(evidence, x.f.evidence...)
		}
	}
	return signs, evidence
}

func (c *proposal) approach() Approach {
	a := Approach{Why: c.advanced, Complex: c.complicatedRemoval()}
	var codes []string
	for _, r := range a.Why {
		codes = append(codes, r.Predictor)
	}
	open, evidence := c.open()
	switch {
	case c.Emergency:
		a.First = "team"
		a.Statement = say("An emergency is recorded: a team decides how and when. The ladder holds for a filter that lies in the cava, and for nothing else.", c.urgent(), practice())
	case c.defers.is():
		a.First, a.Statement = "defer", say(c.defers.text, c.defers.evidence, trade())
		a.Why = append([]Reason{{"thrombus", c.defers.text, trade()}}, a.Why...)
	case c.amountOpen():
		a.First = "image"
		a.Statement = say(fmt.Sprintf("Image first: %s Above %d%% the removal is put off.", c.thrombus.text, c.Policy.ThrombusPercent), c.thrombus.evidence, trade())
	case len(open) > 0:
		a.First = "image"
		text := "Image first: the entries on record do not settle these: " + names(open) + "."
		if a.Complex {
			text += " Advanced technique is likely to be needed besides (" + names(codes) + ")."
		}
		a.Statement = say(text, evidence, Source{ours + "an entry that cannot be used is no word that nothing is there", policy.Choice})
	case a.Complex:
		a.First = "advanced"
		a.Statement = say("Advanced technique is likely to be needed ("+names(codes)+"): plan for it where it can be done, with the operator, the kit and the help in the room. A long dwell alone never rules a removal out.",
			nil, Source{sir2020 + ": advanced technique after weighing risk and benefit again, where the expertise is at hand", policy.SecondHand})
	default:
		a.First = "standard"
		a.Statement = say("Standard technique first: nothing on record makes advanced technique likely. What is not known is listed, and can change this.",
			nil, Source{sir2020 + ": advanced technique where the standard one has failed", policy.SecondHand})
	}
	return a
}
