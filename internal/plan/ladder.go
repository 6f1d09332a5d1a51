package plan

import "dwellwatch/internal/filter"

// Sheath is the usual size in French; Note says what one size does not.
type Sheath struct {
	MinFrench int    `json:"minFrench"`
	MaxFrench int    `json:"maxFrench"`
	Note      string `json:"note"`
}

// Step is one technique, in the order in which it would be tried.
type Step struct {
	Step      int      `json:"step"`
	Technique string   `json:"technique"`
	When      string   `json:"when"`
	Access    string   `json:"access"`
	Sheath    Sheath   `json:"sheath"`
	Hazards   []string `json:"hazards"`
	BailOut   string   `json:"bailOut"`
	Source
}

// ladder lists the techniques that fit, each step after the first only once risk and benefit were weighed again.
func (c *proposal) ladder() []Step {
	out := make([]Step, 0, 12)
	jugular, femoral := c.jugularAccess(), c.femoralAccess()
	both := "jugular and femoral: " + jugular + "; " + femoral
	add := func(is bool, s Step) {
		if !is {
			return
		}
		s.Step = len(out) + 1
		if s.Source.Source == "" {
			s.Source = trade()
		}
		out = append(out, s)
	}
	whole := c.Filter.Standing != filter.StandingPartly
	reach := c.tilt.state != Absent || c.embedded.is() // the hook may be hard to reach
	add(c.occluded.is(), Step{Technique: "cross the occlusion and keep a wire through it", When: "before anything is pulled: the cava is recorded as occluded; think of its reconstruction from the start", Access: both,
		Sheath: Sheath{Note: "as needed"}, Hazards: []string{"loss of the way through", "embolus"}, BailOut: "stop with the wire in place; the filter can wait, the way through cannot"})
	add(!whole, Step{Technique: "find the part that stayed, and decide whether it is better left", When: "first: a removal left a part in", Access: "by where the part lies",
		Sheath: Sheath{Note: "by the technique chosen"}, Hazards: []string{"travel of the part to the heart or the lung", "injury of the wall it is grown into"}, BailOut: "leave it, write down where it lies, and follow it", Source: practice()})
	when := "first, while the hook can be reached and the force stays as usual"
	if c.complicatedRemoval() {
		when = "a short try where the hook can be reached; no more force than usual"
	}
	add(whole, Step{Technique: "standard snare and sheath", When: when, Access: jugular, Sheath: Sheath{9, 12, "coaxial"},
		Hazards: []string{"spasm or tear of the cava", "fracture of the filter"}, BailOut: "let go of the hook, cavogram, and weigh again before the next step"})
	add(whole && c.closedCell.is(), Step{Technique: "two-ended capture, jugular and femoral at once", When: "symmetrical design: both ends may have to be held, over a wire that goes through", Access: both, Sheath: Sheath{10, 16, "each end"},
		Hazards: []string{"longer procedure", "two punctures"}, BailOut: "take off one end and leave the filter as it lies"})
	add(whole && c.tilt.state != Absent, Step{Technique: "curved sheath or tip-deflecting wire", When: "the filter leans and the hook is free", Access: jugular, Sheath: Sheath{10, 14, ""},
		Hazards: []string{"injury of the wall"}, BailOut: "straighten, withdraw, cavogram", Source: Source{snares + "; sizes are trade knowledge", trade().Known}})
	add(whole, Step{Technique: "loop snare: a wire loop round the neck, or between the hook and the wall", When: "the hook lies against the wall or the snare slips", Access: jugular + "; femoral to pass the wire", Sheath: Sheath{11, 16, ""},
		Hazards: []string{"the wire cuts the wall", "the wall folds into the sheath"}, BailOut: "let one end of the wire go; cavogram before the sheath comes out"})
	add(whole && reach, Step{Technique: "balloon displacement", When: "the hook lies against the wall and must be moved to the middle", Access: "a second access, often femoral: " + femoral, Sheath: Sheath{Note: "balloon of 10 to 20 mm by the size of the cava on the cavogram"},
		Hazards: []string{"rupture of the cava by too large a balloon"}, BailOut: "let the balloon down, cavogram; up again at low pressure where it leaks"})
	add(whole && reach, Step{Technique: "sling: a wire between the struts and back", When: "the hook cannot be reached", Access: jugular, Sheath: Sheath{12, 16, ""},
		Hazards: []string{"fracture of a strut"}, BailOut: "let one end of the wire go; count the struts"})
	add(whole, Step{Technique: "rigid endobronchial forceps", When: "the tip is embedded or the snares have failed", Access: jugular, Sheath: Sheath{12, 18, ""},
		Hazards: []string{"tear or pseudoaneurysm of the cava", "a fragment comes off"}, BailOut: "cavogram after each pass; balloon up where it leaks, then a covered stent", Source: Source{forceps + " (major complications 2.1%); sizes are trade knowledge", trade().Known}})
	add(whole && !c.closedCell.is(), Step{Technique: "inversion: the lower struts are pulled down", When: "the hook cannot be reached from above and the design allows it", Access: femoral, Sheath: Sheath{14, 18, ""},
		Hazards: []string{"fracture", "injury by the barbs"}, BailOut: "stop at the first resistance; leave it"})
	add(whole, Step{Technique: "laser sheath", When: "dense tissue holds it after much force has failed; likely with closed cells and a long dwell; only where the centre has it", Access: c.byDesign(jugular, femoral), Sheath: Sheath{12, 20, "laser sheath of 12 to 16 in an outer one of 16 to 20"},
		Hazards: []string{"injury of the cava or an organ", "bleeding"}, BailOut: "balloon up, covered stent, surgeon", Source: Source{laser2017 + "; " + laser2020 + "; sizes are trade knowledge", trade().Known}})
	add(c.occluded.is(), Step{Technique: "reconstruction of the cava with stents", When: "an occlusion or a narrowing stays, or the filter cannot come out and is crossed", Access: both, Sheath: Sheath{10, 14, ""},
		Hazards: []string{"migration", "a renal vein is covered", "follow-up for life"}, BailOut: "keep the wire; leave the cava for another session"})
	add(true, Step{Technique: "rescue: covered stent or balloon tamponade", When: "the cava is torn", Access: "by the sheath that is in; a second one from the other end", Sheath: Sheath{14, 20, "in the room before it is needed"},
		Hazards: []string{"cover of the renal or hepatic veins"}, BailOut: "surgery"})
	return out
}

// byDesign gives the access for a technique that follows the design.
func (c *proposal) byDesign(jugular, femoral string) string {
	if c.closedCell.is() {
		return "jugular or femoral by the design: " + jugular + "; " + femoral
	}
	return jugular
}

// Item is one thing to have on the shelf.
type Item struct {
	Name string `json:"name"`
	For  string `json:"for"`
	Source
}

func (c *proposal) kit() []Item {
	out := append(make([]Item, 0, 16), []Item{
		{"ultrasound for the puncture", "every access", practice()},
		{"pigtail catheter and what a cavogram needs", "cavogram in three projections", trade()},
		{"coaxial retrieval sheath, 9 to 12 Fr", "standard technique", trade()},
		{"single-loop and three-loop snares", "standard technique", trade()},
		{"directional and stiff wires, angled catheters", "every step", trade()},
	}...)
	add := func(is bool, name, use string) {
		if is {
			out = append(out, Item{name, use, trade()})
		}
	}
	hard := c.complicatedRemoval()
	add(c.tilt.state != Absent, "curved sheath, tip-deflecting wire", "tilt")
	add(true, "reverse-curve catheter and a long wire for a loop", "loop snare")
	add(hard, "sheaths of 14 to 20 Fr", "advanced technique and rescue")
	add(hard, "rigid endobronchial forceps", "embedded tip")
	add(hard, "laser sheath with its generator, where the centre has it", "dense tissue")
	add(c.closedCell.is(), "a second retrieval set for the other end", "two-ended capture")
	add(c.occluded.is(), "crossing wires, intravascular ultrasound, venous stents", "occluded cava")
	add(hard, "large compliant balloon and covered stents of the size of the cava", "tear of the cava")
	add(hard, "blood ready, large-bore lines, anaesthesia, surgeon told", "bleeding")
	return out
}
