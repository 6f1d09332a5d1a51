package plan_test

import (
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// TestApproach: how to begin and why, and the order of the ladder by its first words. Placed on 2025-12-01, asked on 2026-03-05 but where
// a case says otherwise.
func TestApproach(t *testing.T) {
	t.Parallel()
	with := func(m rules.Measure) patient { return quiet(t).measure(t, m, "2026-02-01") }
	part := quiet(t)
	part.filter.Standing, part.filter.Removed = filter.StandingPartly, on(t, "2026-02-01")
	for name, c := range map[string]struct {
		p      patient
		asOf   string
		first  string
		why    string
		ladder string
	}{
		"nothing on record": {quiet(t), "", "standard", "", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"straight and free": {with(rules.Measure{Sign: rules.Tilt, Value: 2}).measure(t, rules.Measure{Sign: rules.HookEmbedded}, "2026-02-01"), "", "standard", "",
			"standard loop rigid inversion: laser rescue:"},
		"tilt 15":                        {with(rules.Measure{Sign: rules.Tilt, Value: 15}), "", "standard", "", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"tilt 15.1":                      {with(rules.Measure{Sign: rules.Tilt, Value: 15.1}), "", "advanced", "tilt", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"embedded":                       {with(rules.Measure{Sign: rules.HookEmbedded, Yes: true}), "", "advanced", "hook-embedded", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"7 months to the day":            {placedOn(t, "2025-08-05"), "2026-03-05", "standard", "", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"7 months and a day":             {placedOn(t, "2025-08-04"), "2026-03-05", "advanced", "dwell", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"an attempt":                     {quiet(t).tried(t, "2026-01-20"), "", "advanced", "failed-attempt", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"double basket at 3 months":      {quiet(t).model("double-basket", "retrievable"), "", "standard", "", "standard two-ended curved loop balloon sling: rigid laser rescue:"},
		"double basket past 6 months":    {placedOn(t, "2025-09-01").model("double-basket", "retrievable"), "", "advanced", "closed-cell-design", "standard two-ended curved loop balloon sling: rigid laser rescue:"},
		"penetration alone":              {quiet(t).diagnosed(t, rules.Penetration, rules.Words{}, "2026-02-10"), "", "standard", "", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"fracture":                       {quiet(t).diagnosed(t, rules.Fracture, rules.Words{}, "2026-02-10"), "", "advanced", "fracture", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"occluded":                       {with(rules.Measure{Sign: rules.CavaOccluded, Yes: true}), "", "advanced", "caval-occluded", "cross standard curved loop balloon sling: rigid inversion: laser reconstruction rescue:"},
		"25 percent thrombus":            {with(rules.Measure{Sign: rules.ThrombusShare, Value: 25}), "", "standard", "", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"25.5 percent thrombus":          {with(rules.Measure{Sign: rules.ThrombusShare, Value: 25.5}), "", "defer", "thrombus", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"26 percent and a hook in there": {with(rules.Measure{Sign: rules.ThrombusShare, Value: 26}).measure(t, rules.Measure{Sign: rules.HookEmbedded, Yes: true}, "2026-02-01"), "", "defer", "thrombus hook-embedded", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"a clot of unknown size":         {quiet(t).diagnosed(t, rules.DeviceThrombosis, rules.Words{}, "2026-02-10"), "", "image", "", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"displaced":                      {quiet(t).diagnosed(t, rules.Displacement, rules.Words{}, "2026-02-10"), "", "advanced", "displacement", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"in the heart":                   {quiet(t).diagnosed(t, rules.Displacement, rules.Words{HeartOrLung: true}, "2026-02-10"), "", "team", "displacement", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"penetration with pain":          {quiet(t).diagnosed(t, rules.Penetration, rules.Words{Pain: true}, "2026-02-10"), "", "advanced", "penetration", "standard curved loop balloon sling: rigid inversion: laser rescue:"},
		"a part left in":                 {part, "", "advanced", "part-left", "find rescue:"},
	} {
		asOf := c.asOf
		if asOf == "" {
			asOf = "2026-03-05"
		}
		p := c.p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, asOf)
		var why, ladder []string
		for _, r := range p.Approach.Why {
			why = append(why, r.Predictor)
		}
		for i, s := range p.Ladder {
			word, _, _ := strings.Cut(s.Technique, " ")
			ladder = append(ladder, word)
			if s.Step != i+1 || s.When == "" || s.Access == "" || len(s.Hazards) == 0 || s.BailOut == "" || s.Sheath.MinFrench > s.Sheath.MaxFrench || s.Sheath.MaxFrench == 0 && s.Sheath.Note == "" {
				t.Errorf("%s: step %+v", name, s)
			}
		}
		got := strings.Join(ladder, " ")
		if p.Approach.First != c.first || strings.Join(why, " ") != c.why || got != c.ladder || p.Approach.Complex != (c.why != "" && c.why != "thrombus") {
			t.Errorf("%s: %s (complex %v), why %v, ladder %s", name, p.Approach.First, p.Approach.Complex, why, got)
		}
	}
}

// TestSideOfAccess: a jugular vein that is recorded as open, the right one first, else one that is not recorded as closed; the sides that
// are not on record are asked for by name. A filter that leans decides on the cavogram.
func TestSideOfAccess(t *testing.T) {
	t.Parallel()
	jugular := func(p patient, open bool, side string) patient {
		return p.measure(t, rules.Measure{Sign: rules.JugularPatent, Yes: open, Side: side}, "2026-02-01")
	}
	const right, left, both = "Is the right jugular", "Is the left jugular", "Is the right or the left jugular"
	for name, c := range map[string]struct {
		p    patient
		want string
		ask  string
	}{
		"nothing known":                {quiet(t), "right internal jugular, not known to be open", both},
		"right open":                   {jugular(quiet(t), true, "right"), "right internal jugular", left},
		"left open":                    {jugular(quiet(t), true, "left"), "left internal jugular (recorded as open; the right is not known to be)", right},
		"both open":                    {jugular(jugular(quiet(t), true, "left"), true, "right"), "right internal jugular", ""},
		"right closed":                 {jugular(quiet(t), false, "right"), "left internal jugular, not known to be open (the right is recorded as not open)", left},
		"right closed, left not":       {jugular(jugular(quiet(t), false, "right"), true, "left"), "left internal jugular (the right is recorded as not open)", ""},
		"left closed":                  {jugular(quiet(t), false, "left"), "right internal jugular, not known to be open", right},
		"both closed":                  {jugular(jugular(quiet(t), false, "left"), false, "right"), "no jugular route is on record as open: femoral, or another way that the operator knows", ""},
		"closed, side unsaid":          {jugular(quiet(t), false, ""), "no jugular route is on record as open: femoral, or another way that the operator knows", ""},
		"open, side unsaid":            {jugular(quiet(t), true, ""), "right internal jugular, not known to be open", both},
		"straight":                     {quiet(t).measure(t, rules.Measure{Sign: rules.Tilt, Value: 4}, "2026-02-01"), "right internal jugular, not known to be open", both},
		"leaning":                      {jugular(quiet(t).measure(t, rules.Measure{Sign: rules.Tilt, Value: 8}, "2026-02-01"), true, "right"), "right internal jugular; the filter leans, so its tilt on the cavogram decides the side: the vein that lines up with its axis, the left jugular or a femoral vein included", left},
		"open, closed a day on":        {jugular(quiet(t), true, "right").measure(t, rules.Measure{Sign: rules.JugularPatent, Side: "right"}, "2026-02-02"), "left internal jugular, not known to be open (the right is recorded as not open)", left},
		"open, then closed on no side": {jugular(quiet(t), true, "right").measure(t, rules.Measure{Sign: rules.JugularPatent}, "2026-02-02"), "no jugular route is on record as open: femoral, or another way that the operator knows", ""},
		"closed on no side, then open": {jugular(quiet(t), false, "").measure(t, rules.Measure{Sign: rules.JugularPatent, Side: "right", Yes: true}, "2026-02-02"), "right internal jugular", ""},
		"could not be read":            {jugular(jugular(quiet(t), true, "right"), true, "left").measure(t, rules.Measure{Sign: rules.JugularPatent, Side: "right", Unread: "why"}, "2026-02-02"), "left internal jugular (recorded as open; the right is not known to be)", right},
	} {
		p := c.p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, "2026-03-05")
		if got := p.Ladder[0].Access; got != c.want {
			t.Errorf("%s: %q", name, got)
		}
		asked := ""
		for _, a := range p.Asks {
			if a.What == "jugular-patency" {
				asked = a.Text
			}
		}
		if c.ask == "" && asked != "" || !strings.HasPrefix(asked, c.ask) {
			t.Errorf("%s: asked %q", name, asked)
		}
	}
}

// TestImagingAdvice: a removal without anything that asks for it needs no imaging beforehand (SIR 2020); what is on record is listed.
func TestImagingAdvice(t *testing.T) {
	t.Parallel()
	lists := func(p *plan.Plan) string {
		var out []string
		for _, a := range p.Imaging.Advice {
			word, _, _ := strings.Cut(a.Examination, " ")
			out = append(out, word+"="+a.Need)
		}
		return strings.Join(out, ", ")
	}
	for name, c := range map[string]struct {
		p    patient
		want string
	}{
		"nothing":          {quiet(t), "cavogram=recommended, computed=not routinely needed"},
		"leaning":          {quiet(t).measure(t, rules.Measure{Sign: rules.Tilt, Value: 8}, "2026-02-01"), "cavogram=recommended, computed=recommended"},
		"fracture":         {quiet(t).diagnosed(t, rules.Fracture, rules.Words{}, "2026-02-10"), "cavogram=recommended, computed=recommended, plain=recommended"},
		"fragment missing": {quiet(t).diagnosed(t, rules.Fracture, rules.Words{Missing: true}, "2026-02-10"), "cavogram=recommended, computed=recommended, plain=recommended, echocardiogram=recommended"},
		"26 percent":       {quiet(t).measure(t, rules.Measure{Sign: rules.ThrombusShare, Value: 26}, "2026-02-01"), "cavogram=recommended, computed=recommended, computed=recommended"},
		"clot, how much?":  {quiet(t).diagnosed(t, rules.DeviceThrombosis, rules.Words{}, "2026-02-10"), "cavogram=recommended, computed=recommended, cavogram=recommended"},
	} {
		if got := lists(c.p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, "2026-03-05")); got != c.want {
			t.Errorf("%s: %s", name, got)
		}
	}
	p := quiet(t).takes(t, "apixaban", 5, 2, "2025-12-10")
	p.facts.Studies = []rules.Study{{Modality: "duplex", When: on(t, "2026-01-02"), Evidence: []filter.Ref{"ImagingStudy/d"}}, {Modality: "ct-abdomen", Place: "Alder Bay", When: on(t, "2026-02-01"), Evidence: []filter.Ref{"ImagingStudy/c"}},
		{Modality: "ct-abdomen", When: on(t, "2025-11-30"), Evidence: []filter.Ref{"ImagingStudy/before"}}, {Modality: "cavogram", When: on(t, "2026-03-06"), Evidence: []filter.Ref{"ImagingStudy/to-come"}}}
	got := p.propose(t, "2026-03-05").Imaging.OnRecord
	if len(got) != 2 || got[0].Modality != "ct-abdomen" || got[0].Place != "Alder Bay" || got[0].Day != "2026-02-01" || got[1].Modality != "duplex" {
		t.Errorf("%+v", got)
	}
}

// TestAsksAreNeverInferred: allergies, pregnancy, airway, consent and who goes on with the anticoagulant are asked in every plan.
func TestAsksAreNeverInferred(t *testing.T) {
	t.Parallel()
	for _, p := range []patient{quiet(t), quiet(t).tried(t, "2026-01-20"), quiet(t).model("conical", "retrievable")} {
		got := p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, "2026-03-05")
		for _, what := range []string{"allergy-contrast", "allergy-latex", "allergy-local-anaesthetic", "heparin-thrombocytopenia", "pregnancy", "airway-anaesthesia", "consent", "anticoagulant-afterwards"} {
			if !slices.ContainsFunc(got.Asks, func(a plan.Ask) bool { return a.What == what }) {
				t.Errorf("%s is not asked", what)
			}
		}
		seen := map[string]bool{}
		for _, a := range got.Asks {
			if seen[a.What] {
				t.Errorf("%s is asked twice", a.What)
			}
			seen[a.What] = true
		}
	}
}

// TestReportsOfEveryAttempt: the report of each attempt is asked for by its day.
func TestReportsOfEveryAttempt(t *testing.T) {
	t.Parallel()
	for want, p := range map[string]patient{
		"The report of the attempt: which technique, and why it failed.":                           quiet(t).tried(t, "2026-01-20"),
		"The report of each attempt (2026-01-20, 2026-02-10): which technique, and why it failed.": quiet(t).tried(t, "2026-01-20").tried(t, "2026-02-10"),
	} {
		got := p.takes(t, "apixaban", 5, 2, "2025-12-10").propose(t, "2026-03-05")
		if !slices.ContainsFunc(got.Asks, func(a plan.Ask) bool { return a.What == "attempt-report" && a.Text == want }) {
			t.Errorf("%q is not asked", want)
		}
	}
}
