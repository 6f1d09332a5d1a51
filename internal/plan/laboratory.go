package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// Laboratory is which tests are worth making, with the latest values against the published ranges.
type Laboratory struct {
	Needed   bool      `json:"needed"`
	Category string    `json:"category"` // low | high: the bleeding risk of the removal that is planned for
	Tests    []Test    `json:"tests"`
	Contrast *Contrast `json:"contrast"` // null where tests are not needed and nothing on record speaks of a risk
	Statement
}

// Test is one test with its range: up to pass it passes, beyond correct it is corrected first, between the operator decides.
type Test struct {
	Name     string       `json:"name"` // INR | platelets | haemoglobin
	Unit     string       `json:"unit"`
	Value    *float64     `json:"value"` // null where none is on record, it is too old, or only a limit is told
	Day      *string      `json:"day"`
	Pass     *float64     `json:"pass"` // null where no number is published
	Correct  *float64     `json:"correct"`
	Result   string       `json:"result"` // pass | operator decides | correct | not known
	Text     string       `json:"text"`
	Evidence []filter.Ref `json:"evidence"`
	Source
}

// Contrast is what the latest creatinine says of contrast.
type Contrast struct {
	Risk       string       `json:"risk"`       // high | single patients | not raised | not known
	Filtration *float64     `json:"filtration"` // mL/min/1.73 m², CKD-EPI 2021, one decimal
	Day        *string      `json:"day"`
	Text       string       `json:"text"`
	Evidence   []filter.Ref `json:"evidence"`
	Source
}

// The results of a test.
const (
	Passes   = "pass"
	Operator = "operator decides"
	Correct  = "correct"
	Unknown  = "not known"
)

func (c *proposal) laboratory() Laboratory {
	out := Laboratory{Category: "low", Tests: []Test{}}
	watched := c.watched()
	if c.complicatedRemoval() {
		out.Category = "high"
	}
	if out.Category == "low" && len(watched) == 0 {
		// A cavogram is made at every removal: what is on record of the kidneys is told where it bears on contrast.
		if contrast := c.contrast(); contrast.Risk == "high" || contrast.Risk == "single patients" {
			out.Contrast = &contrast
		}
		out.Statement = say("Not routinely needed before an uncomplicated removal.", nil, Source{sir2020 + "; " + sir2019, policy.SecondHand})
		return out
	}
	out.Needed = true
	out.Statement = say("A complex removal counts as a high bleeding risk: INR, platelets and haemoglobin.", nil, Source{sir2019, policy.SecondHand})
	if out.Category == "low" {
		var agents []string
		for _, w := range watched {
			agents = append(agents, w.agent)
			out.Evidence = append(out.Evidence, w.evidence...)
		}
		out.Statement = say("An uncomplicated removal under "+strings.Join(agents, " and ")+": consider the INR.", out.Evidence, Source{sir2019, policy.SecondHand})
	}
	out.Text += " In chronic liver disease other limits hold: ask for it. There " + map[string]string{
		"low":  "platelets above 20 and fibrinogen above 100 mg/dL; the INR does not count.",
		"high": "an INR below 2.5, platelets above 30 and fibrinogen above 100 mg/dL.",
	}[out.Category]
	p := c.Policy
	pass, correct, platelets := p.INRLowPass, p.INRLowCorrect, p.PlateletsLow
	if out.Category == "high" {
		pass, correct, platelets = p.INRHighPass, p.INRHighCorrect, p.PlateletsHigh
	}
	inr := c.test("INR", "inr", "", p.INRDays, func(v float64) string { return JudgeINR(v, pass, correct) })
	inr.Pass, inr.Correct = ptr(float64(pass)/10), ptr(float64(correct)/10)
	inr.Text += fmt.Sprintf(" Up to %.1f passes, above %.1f is corrected first, between them the operator decides.", *inr.Pass, *inr.Correct)
	if slices.ContainsFunc(watched, func(w watchedAgent) bool { return w.agent != "heparin" }) {
		inr.Text += " Under a vitamin K antagonist that is meant to go on, who treats the clot is asked before anything is corrected."
	}
	out.Tests = append(out.Tests, inr)
	count := c.test("platelets", "platelets", "10^9/L", p.PlateletDays, func(v float64) string { return JudgePlatelets(v, platelets) })
	count.Pass, count.Correct = ptr(float64(platelets)), ptr(float64(platelets))
	count.Text += fmt.Sprintf(" From %d × 10⁹/L on they pass, below platelets are given first.", platelets)
	if out.Category == "high" {
		out.Tests = append(out.Tests, count)
		blood := c.test("haemoglobin", "haemoglobin", "g/dL", p.PlateletDays, func(float64) string { return Operator })
		blood.Text += " No number is published."
		out.Tests = append(out.Tests, blood)
	} else if slices.ContainsFunc(watched, func(w watchedAgent) bool { return w.agent == "heparin" }) {
		out.Tests = append(out.Tests, count)
	}
	contrast := c.contrast()
	out.Contrast = &contrast
	return out
}

type watchedAgent struct {
	agent    string
	evidence []filter.Ref
}

// watched lists the agents prescribed under which tests are considered even before an uncomplicated removal: vitamin K antagonists and
// unfractionated heparin. Heparins of low molecular weight are not among them: the INR says nothing of these.
func (c *proposal) watched() []watchedAgent {
	var out []watchedAgent
	for _, p := range c.prescribed {
		if slices.Contains([]string{"warfarin", "acenocoumarol", "phenprocoumon", "heparin"}, p.Agent) {
			out = append(out, watchedAgent{p.Agent, p.Evidence})
		}
	}
	return out
}

// JudgeINR judges an INR against limits in tenths.
//
// SIR 2019, Table 3: to be corrected to 2.0-3.0 or below for a low, to 1.5-1.8 or below for a high bleeding risk.
func JudgeINR(v float64, pass, correct int) string {
	switch tenths := math.Round(v*1000) / 100; {
	case tenths <= float64(pass):
		return Passes
	case tenths <= float64(correct):
		return Operator
	}
	return Correct
}

// JudgePlatelets judges a platelet count in 10^9/L.
//
// SIR 2019, Table 3: transfuse below 20 for a low, below 50 for a high bleeding risk.
func JudgePlatelets(v float64, limit int) string {
	if v < float64(limit) {
		return Correct
	}
	return Passes
}

func (c *proposal) test(name, what, unit string, days int, judge func(float64) string) Test {
	t := Test{Name: name, Unit: unit, Result: Unknown, Evidence: []filter.Ref{}, Text: "No recent value is on record.", Source: Source{sir2019, policy.SecondHand}}
	if lab, ok := c.LatestLab(what, days); ok {
		low, high := lab.Bounds()
		t.Day, t.Evidence, t.Result = dayOf(lab.Day), sorted(lab.Evidence), judge(low)
		if lab.Form == rules.Exactly {
			t.Value = ptr(round(lab.Value))
		} else if judge(high) != t.Result {
			t.Result = Operator // the limit leaves open on which side of ours the value lies
		}
		lab.Value = round(lab.Value)
		if strings.HasPrefix(unit, "10^9") {
			unit = "× 10⁹" + strings.TrimPrefix(unit, "10^9")
		}
		t.Text = strings.Join(strings.Fields(fmt.Sprintf("%s %s on %s.", lab.Told(), unit, lab.Day)), " ")
	}
	return t
}

// Filtration sorts an estimated glomerular filtration rate by what it means for contrast into the vein.
//
// ACR-NKF 2020: below 30 a high risk, for which saline is given; 30 to 44 only single patients at high risk; from 45 on none.
func Filtration(rate float64, low, watch int) string {
	switch {
	case math.IsNaN(rate):
		return Unknown
	case rate < float64(low):
		return "high"
	case rate < float64(watch):
		return "single patients"
	}
	return "not raised"
}

func (c *proposal) contrast() Contrast {
	out := Contrast{Risk: Unknown, Evidence: []filter.Ref{}, Source: Source{acrnkf, policy.Seen}}
	k, ok := c.Kidneys()
	if k.Child {
		out.Text = "Below 18 years the estimate does not hold: ask."
		return out
	}
	if c.kidneysFailed() && math.IsNaN(k.FiltrationLow) {
		out.Risk, out.Day, out.Evidence = "high", dayOf(k.Creatinine.Day), sorted(k.Evidence)
		out.Text = fmt.Sprintf("Birthday or sex is missing for an estimate; a creatinine of %.2f mg/dL on %s is a filtration below 15 mL/min/1.73 m² in any adult: high risk.", k.Creatinine.Value, k.Creatinine.Day)
		return out
	}
	if !ok || math.IsNaN(k.FiltrationLow) {
		out.Text = "No recent creatinine is on record, or birthday or sex is missing: ask."
		return out
	}
	// Where the birthday leaves a range, the lower end counts: it is the careful one.
	rate := k.FiltrationLow
	out.Risk, out.Filtration, out.Day, out.Evidence = Filtration(rate, c.Policy.FiltrationLow, c.Policy.FiltrationWatch), ptr(math.Floor(rate*10)/10), dayOf(k.Creatinine.Day), sorted(k.Evidence)
	said := fmt.Sprintf("Estimated filtration %.1f mL/min/1.73 m² (CKD-EPI 2021; creatinine %.2f mg/dL of %s).", *out.Filtration, k.Creatinine.Value, k.Creatinine.Day)
	switch out.Risk {
	case "high":
		said += fmt.Sprintf(" Below %d: high risk; isotonic saline beforehand unless on maintenance dialysis; carbon dioxide cavography is another way.", c.Policy.FiltrationLow)
	case "single patients":
		said += fmt.Sprintf(" From %d to below %d: saline only in single patients at high risk.", c.Policy.FiltrationLow, c.Policy.FiltrationWatch)
	default:
		said += fmt.Sprintf(" From %d on, where stable, nothing is needed.", c.Policy.FiltrationWatch)
	}
	out.Text = said + " A recent acute kidney injury counts as high whatever the number: ask."
	return out
}

func ptr[T any](v T) *T { return &v }

// round keeps two decimals.
func round(v float64) float64 { return math.Round(v*100) / 100 }
