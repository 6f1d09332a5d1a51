package plan

import (
	"math"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

const askHaemoglobin = "test-haemoglobin"

// asks lists what people must find out: first what is never read from a record, then what is missing from this one.
func (c *proposal) asks() []Ask {
	out := make([]Ask, 0, 24)
	out = append(out, []Ask{
		{"allergy-contrast", "Has there been a reaction to contrast? Nothing is inferred from silence.", practice()},
		{"allergy-latex", "Is there an allergy to latex?", practice()},
		{"allergy-local-anaesthetic", "Is there an allergy to local anaesthetics?", practice()},
		{"heparin-thrombocytopenia", "Was there ever a heparin-induced thrombocytopenia? Then no heparin, nor in flushes.", practice()},
		{"pregnancy", "Where it can be: is there a pregnancy?", practice()},
		{"airway-anaesthesia", "Airway, fasting, and earlier trouble with sedation or anaesthesia?", practice()},
		{"consent", "Does the patient, or who decides for them, agree? Where advanced technique is likely, its hazards are named.", Source{sir2006 + ", condition f", policy.Memory}},
		{"anticoagulant-afterwards", "Who stops or continues the anticoagulant after the removal, and on which day is that decided?", practice()},
		{"anticoagulant-taken", "What anticoagulant is taken in fact, and when was the last dose? Prescribed does not mean taken.", practice()},
	}...)
	put := func(what, text string, s Source) { out = append(out, Ask{what, text, s}) }
	add := func(is bool, what, text string, s Source) {
		if is {
			put(what, text, s)
		}
	}
	missing := Source{ours + "what the record lacks is asked", policy.Choice}
	sides := unknownSides(c.jugular)
	if len(sides) > 0 {
		put("jugular-patency", "Is the "+strings.Join(sides, " or the ")+" jugular vein open? Lines, pacemakers, earlier punctures?", missing)
	}
	sides = unknownSides(c.femoral)
	if len(sides) > 0 {
		put("femoral-patency", "Is the "+strings.Join(sides, " or the ")+" femoral vein open?", missing)
	}
	report := "The report of the attempt: which technique, and why it failed."
	if tries := c.attempts(); len(tries) > 1 {
		var days []string
		for _, e := range tries {
			days = append(days, e.When.String())
		}
		report = "The report of each attempt (" + strings.Join(days, ", ") + "): which technique, and why it failed."
	}
	add(c.failed.is(), "attempt-report", report, Source{kethidi + ": a failed attempt is the main reason for advanced technique", policy.Seen})
	add(!c.failed.is(), "earlier-attempt", "Was a retrieval tried elsewhere?", missing)
	model := "Which model is it: from the implant card, the placement report or a film?"
	if m := c.Filter.Model; m.Name != "" && m.By == "none" {
		model = "The model is named in the record and not in the catalogue: what are its design and its labelled use?"
	}
	add(c.closedCell.state == NotKnown || c.permanent.state == NotKnown, "model", model, missing)
	add(c.Filter.Placed.Exact(), "placement-report", "The report of the placement: access, level, size of the cava, tilt, anything left undone.", missing)
	add(!c.Filter.Placed.Exact(), "placement-day", "The exact day of placement, and the report of it: access, level, size of the cava.", missing)
	add(c.dwell.is() && (c.tilt.state == NotKnown || c.embedded.state == NotKnown), "hook-and-tilt", "Where do the hook and the axis lie on the newest images?", missing)
	undated := c.undated
	if len(undated) > 0 {
		put("vte-day", "When was this thromboembolism, of which no day is on record: "+strings.Join(told(undated), "; ")+" ("+strings.Join(sorted(evidenceOf(undated)), ", ")+")?", missing)
	}
	full := c.fullDoses()
	if len(full) > 1 {
		put("anticoagulant-which", "Which of these is taken: "+strings.Join(full, ", ")+"? More than one at a treatment dose is never meant.", practice())
	}
	signs, _ := c.doubtful(readable)
	if len(signs) > 0 {
		put("which-filter", "Of which filter do the entries tell that name none: "+names(signs)+"?", missing)
	}
	signs, _ = c.doubtful(unreadable)
	if len(signs) > 0 {
		put("unread-signs", "What do the entries say that could not be read: "+names(signs)+"?", missing)
	}
	add(c.amountOpen(), "thrombus-share", "How much of the filter does the thrombus fill?", trade())
	add(c.Filter.Standing == filter.StandingPartly || c.fractured.is(), "fragment", "Where do the fragments lie, and who follows them?", practice())
	tests, renal := c.tests, c.renalHold()
	k, measured := c.Kidneys()
	add(!measured && (renal || tests.Needed), "creatinine", "A recent creatinine.", missing)
	add(renal && k.Weight.Value == 0, "weight", "A recent body weight.", missing)
	add(renal || tests.Contrast != nil, "dialysis", "Dialysis, or a recent acute kidney injury? Then no published hold fits, and contrast is a high risk.", Source{sir2019 + ", no figure seen; " + acrnkf, policy.SecondHand})
	for _, t := range tests.Tests {
		if t.Result == Unknown {
			put("test-"+strings.ToLower(t.Name), "A recent value: "+t.Name+".", Source{sir2019, policy.SecondHand})
		}
	}
	scan := c.scan
	add(scan.Need == recommended && !slices.ContainsFunc(c.Studies(), func(s rules.Study) bool { return s.Modality == "ct-abdomen" }),
		"ct-abdomen", "Computed tomography of the abdomen in a venous phase: none is on record since the placement, by a code that says so.", scan.Source)
	return out
}

// renalHold reports whether the kidneys have a say in a hold.
func (c *proposal) renalHold() bool {
	return slices.ContainsFunc(c.prescribed, func(p rules.Prescription) bool {
		return slices.ContainsFunc(rowsOf(p.Agent, p.Level), func(r Row) bool { return r.Lowest > 0 || !math.IsInf(r.Below, 1) })
	})
}

// afterwards lists what must follow a removal.
func (c *proposal) afterwards() []Statement {
	out := []Statement{
		say("A cavogram before the sheath comes out: leak, thrombus, narrowing, a strut left behind.", nil, trade()),
		say("Name in the report who stops or continues the anticoagulant; the filter's end is no reason to stop it.", nil, practice()),
		say("Code the outcome (successful, partial, unsuccessful): without it the filter counts as in, or as presumed out.", nil, Source{ours + "a coded outcome ends the follow-up", policy.Choice}),
	}
	if c.Filter.Standing == filter.StandingPartly || c.fractured.is() {
		refs := slices.Clone(c.fractured.evidence)
		if c.Filter.Standing == filter.StandingPartly {
			refs = append(refs, c.Filter.Evidence...)
		}
		out = append(out, say("A fragment that stays: where it lies, who follows it, by which imaging and until when, and what the patient is told to watch for.", refs, practice()))
	}
	return out
}
