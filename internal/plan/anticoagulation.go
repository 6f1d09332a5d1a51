package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/renal"
	"dwellwatch/internal/rules"
)

// Anticoagulation is how the anticoagulant is handled around a removal. Its default is to go on; a hold is never an order.
type Anticoagulation struct {
	Default Statement `json:"default"`
	// Unsettled says that the default line cannot hold before people have settled what is taken.
	Unsettled bool `json:"unsettled"`
	// Red says that a thromboembolism is acute, so that a hold is a high risk; RedUntil is the first day on which it is not.
	Red      bool      `json:"red"`
	RedUntil *string   `json:"redUntil"`
	RedText  Statement `json:"redText"`
	// Condition stands above the holds; the text of each begins with it too, so that none is read without it.
	Condition string      `json:"condition"`
	Holds     []AgentHold `json:"holds"`
}

// AgentHold is the published hold of one agent prescribed.
type AgentHold struct {
	Agent string `json:"agent"`
	Level string `json:"level"`
	// Clearance is the estimate that decides, as shown with its weight; null where none could be made.
	Clearance      *Clearance `json:"clearance"`
	Hold           string     `json:"hold"`    // in doses, days or hours as published, or NEEDS-CLINICIAN
	Restart        string     `json:"restart"` // after the procedure
	NeedsClinician bool       `json:"needsClinician"`
	Statement
}

// Clearance is a creatinine clearance by Cockcroft and Gault with what went into it. Low and high differ where the birthday is not
// known to the day.
type Clearance struct {
	Low           float64 `json:"low"` // mL/min, one decimal, rounded down
	High          float64 `json:"high"`
	WeightKg      float64 `json:"weightKg"` // as measured, not an ideal one
	WeightDay     string  `json:"weightDay"`
	Creatinine    float64 `json:"creatinine"` // mg/dL
	CreatinineDay string  `json:"creatinineDay"`
}

const ifComplex = "Only if a complex removal is planned"

func (c *proposal) anticoagulation() Anticoagulation {
	out := Anticoagulation{Condition: ifComplex + ", and the operator and who treats the clot agree.", Holds: []AgentHold{}}
	out.Default = c.goOn()
	out.Unsettled = len(c.fullDoses()) > 1 || len(c.Conflict) > 0 || slices.ContainsFunc(c.prescribed, func(p rules.Prescription) bool { return len(p.Denied) > 0 || p.Undated })
	acute, until := c.AcuteVTEs()
	out.Red = len(acute) > 0
	if out.Red {
		day := until.String()
		out.RedUntil = &day
		out.RedText = say("Acute until "+day+": "+strings.Join(told(acute), "; ")+". A hold before that day is a high thrombotic risk.", evidenceOf(acute), Source{chest2022 + "; the length is that of the policy", policy.SecondHand})
	} else if undated := c.undated; len(undated) > 0 {
		out.RedText = say("No thromboembolism of a known day is acute, and of this no day is on record: "+strings.Join(told(undated), "; ")+". Until its day is known a hold may be a high thrombotic risk.", evidenceOf(undated), Source{chest2022, policy.SecondHand})
	} else {
		out.RedText = say("No thromboembolism on record is acute; one whose day is not known must be asked about.", nil, Source{chest2022, policy.SecondHand})
	}
	for _, p := range c.prescribed {
		out.Holds = append(out.Holds, c.hold(p))
	}
	return out
}

// told names events, each once, in order.
func told(events []rules.Diagnosis) []string {
	var out []string
	for _, d := range events {
		out = append(out, d.Told())
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// undatedVTEs lists the acute thromboembolisms of which no day is on record: each may be of yesterday.
func (c *proposal) undatedVTEs() []rules.Diagnosis {
	var out []rules.Diagnosis
	for _, class := range [...]rules.Class{rules.PE, rules.DVT, rules.CavalThrombosis} {
		for i := range c.Facts.Diagnoses {
			if d := &c.Facts.Diagnoses[i]; d.Class == class && c.Clock.Reached(d.Day().Earliest) && d.Acute && !d.Later && !d.Inactive && !d.Day().Known() {
				out = append(out, *d)
			}
		}
	}
	return out
}

// goOn is the default line.
func (c *proposal) goOn() Statement {
	source := Source{illustrate + ": a treatment dose is kept at the removal, without more complications", policy.Seen}
	if len(c.prescribed) == 0 {
		text := "No current anticoagulant is on record; ask what is taken. A treatment dose is continued at the removal."
		if c.Anticoagulation.Level == rules.LevelNone {
			text = "The anticoagulants on record have ended; ask what is taken. A treatment dose would be continued at the removal."
		}
		return say(text, c.Situation.Anticoagulation.Evidence, source)
	}
	var names []string
	var refs []filter.Ref
	for _, p := range c.prescribed {
		names = append(names, p.Agent+" ("+string(p.Level)+")")
		refs = append(refs, p.Evidence...)
	}
	if len(c.Conflict) > 0 {
		return say("A bleed is active beside what is prescribed ("+strings.Join(names, ", ")+"): who treats it settles first what goes on. Nothing is continued or stopped on the word of this plan.",
			append(refs, c.Conflict...), practice())
	}
	if full := c.fullDoses(); len(full) > 1 {
		return say("More than one anticoagulant is on order at a treatment dose, or at one that may be: "+strings.Join(full, ", ")+". Settle which is taken before anything is continued or held.", refs, practice())
	}
	var taken, doubts []string
	for _, p := range c.prescribed {
		switch {
		case len(p.Denied) > 0:
			doubts = append(doubts, fmt.Sprintf("%s is on order, and the record says later that it is not taken: ask before anything is continued or held.", capital(p.Agent)))
		default:
			taken = append(taken, p.Agent+" ("+string(p.Level)+")")
			if p.Undated {
				doubts = append(doubts, fmt.Sprintf("%s: a treatment dose since no known day; ask since when, and whether it is taken.", capital(p.Agent)))
			}
		}
	}
	if len(taken) == 0 {
		return say(strings.Join(doubts, " ")+" A treatment dose would be continued at the removal.", refs, source)
	}
	text := strings.Join(append([]string{"Continue at the removal what is prescribed: " + strings.Join(taken, ", ") + "."}, doubts...), " ")
	if slices.ContainsFunc(c.prescribed, func(p rules.Prescription) bool { return p.Agent == "warfarin" }) {
		text += fmt.Sprintf(" Warfarin: INR up to %.1f.", float64(c.Policy.INRLowCorrect)/10)
	}
	if slices.ContainsFunc(c.prescribed, func(p rules.Prescription) bool { return direct(p.Agent) }) {
		text += " SIR 2019 (transcription) stops nothing for a low risk; CHEST 2022 stops a direct oral agent one day before (from memory): the service chooses."
	}
	return say(text, refs, source)
}

// fullDoses names the agents at a treatment dose, or at one that may be; one that the record says is not taken is not among them.
func (c *proposal) fullDoses() []string {
	var out []string
	for _, p := range c.prescribed {
		if len(p.Denied) == 0 && (p.Level == rules.Therapeutic || p.Level == rules.Indeterminate) {
			out = append(out, p.Agent+" ("+string(p.Level)+")")
		}
	}
	return out
}

// capital begins a sentence with a word.
func capital(word string) string { return strings.ToUpper(word[:1]) + word[1:] }

func direct(agent string) bool {
	return slices.Contains([]string{"apixaban", "betrixaban", "dabigatran", "edoxaban", "rivaroxaban"}, agent)
}

// hold gives the published hold of one agent. Where the record leaves open which row holds, the rows that can are told and a clinician
// settles it.
func (c *proposal) hold(p rules.Prescription) AgentHold {
	h := AgentHold{Agent: p.Agent, Level: string(p.Level)}
	refs := slices.Clone(p.Evidence)
	low, high := math.NaN(), math.NaN()
	rows := rowsOf(p.Agent, p.Level)
	renally := slices.ContainsFunc(rows, func(r Row) bool { return r.Lowest > 0 || !math.IsInf(r.Below, 1) })
	kidneys, _ := c.Kidneys()
	if k, ok := c.Kidneys(); ok && renally && !math.IsNaN(k.ClearanceLow) && !math.IsNaN(k.ClearanceHigh) {
		low, high = k.ClearanceLow, k.ClearanceHigh
		h.Clearance = &Clearance{tenths(low), tenths(high), round(k.Weight.Value), k.Weight.Day.String(), round(k.Creatinine.Value), k.Creatinine.Day.String()}
		refs = append(refs, k.Evidence...)
	}
	h.Hold, h.Restart, h.NeedsClinician = Hold(p.Agent, p.Level, low)
	if hold, restart, _ := Hold(p.Agent, p.Level, high); hold != h.Hold || restart != h.Restart {
		h.Hold, h.Restart, h.NeedsClinician = NeedsClinician, NeedsClinician, true
	}
	var text string
	switch {
	case len(p.Denied) > 0:
		h.Hold, h.Restart, h.NeedsClinician = NeedsClinician, NeedsClinician, true
		text = "the record says later than the order that " + p.Agent + " is not taken: a clinician settles that first. Rows for " + p.Agent + ": " + rowWords(rows) + "."
	case p.Undated:
		h.Hold, h.Restart, h.NeedsClinician = NeedsClinician, NeedsClinician, true
		text = "since when " + p.Agent + " is prescribed is not on record: a clinician settles first whether it is taken. Rows for " + p.Agent + ": " + rowWords(rows) + "."
	case c.MayBeChild():
		h.Hold, h.Restart, h.NeedsClinician, h.Clearance = NeedsClinician, NeedsClinician, true, nil
		text = "the holds that were published are for adults, and the patient is or may be below 18 years: a clinician decides."
	case len(rows) == 0:
		text = "no hold was published for " + p.Agent + " in what was seen: a clinician decides."
	case renally && c.kidneysFailed():
		h.Hold, h.Restart, h.NeedsClinician = NeedsClinician, NeedsClinician, true
		text = fmt.Sprintf("the creatinine on record (%v mg/dL of %s) means kidney failure, for which nothing is published: a clinician decides. Rows for %s: %s.",
			round(kidneys.Creatinine.Value), kidneys.Creatinine.Day, p.Agent, rowWords(rows))
		refs = append(refs, kidneys.Evidence...)
	case h.NeedsClinician && (!math.IsNaN(low) || !renally || !banded(rows)):
		text = "what was published does not settle it: a clinician decides. Rows for " + p.Agent + ": " + rowWords(rows) + "."
	case h.NeedsClinician:
		text = "the creatinine clearance decides, and a clinician; missing or too old for it: " + or(c.lacking(), "values with which it can be estimated") + ". Rows for " + p.Agent + ": " + rowWords(rows) + "."
	default:
		text = "the published hold of " + p.Agent + " is " + h.Hold + "; again " + h.Restart + "."
		if renally && math.IsNaN(low) {
			text += " The creatinine clearance is not known: below 15 mL/min and on dialysis nothing is published."
		}
	}
	if h.Clearance != nil {
		text += fmt.Sprintf(" Creatinine clearance %s mL/min (Cockcroft and Gault; weight %v kg of %s, creatinine %v mg/dL of %s). On dialysis it does not hold.",
			between(h.Clearance.Low, h.Clearance.High), h.Clearance.WeightKg, h.Clearance.WeightDay, h.Clearance.Creatinine, h.Clearance.CreatinineDay)
	}
	if acute, until := c.AcuteVTEs(); len(acute) > 0 {
		text += " A thromboembolism is acute until " + until.String() + ": a hold before that day is a high thrombotic risk."
		refs = append(refs, evidenceOf(acute)...)
	} else if undated := c.undated; len(undated) > 0 {
		text += " A thromboembolism is on record without a day: until it is known a hold may be a high thrombotic risk."
		refs = append(refs, evidenceOf(undated)...)
	}
	h.Statement = say(ifComplex+": "+text, refs, Source{sir2019 + " (Table 4)", policy.SecondHand})
	return h
}

// kidneysFailed reports a creatinine that means a filtration below 15 mL/min/1.73 m²: by the estimate, or, where age or sex are missing
// for it, in any adult (a man of 18 years has the most at a given creatinine). Below 15 mL/min no hold is published for what leaves by
// the kidneys.
func (c *proposal) kidneysFailed() bool {
	k, ok := c.Kidneys()
	if !ok {
		return false
	}
	filtration := k.FiltrationLow
	if math.IsNaN(filtration) {
		filtration = renal.CKDEPI2021(18, k.Creatinine.Value, false)
	}
	return filtration < 15
}

// lacking names what a creatinine clearance cannot be estimated without.
func (c *proposal) lacking() string {
	var out []string
	add := func(is bool, what string) {
		if is {
			out = append(out, what)
		}
	}
	_, measured := c.Kidneys()
	add(!measured, "creatinine")
	if w, ok := c.LatestLab("weight", c.Policy.WeightDays); !ok || w.Value <= 0 {
		add(true, "body weight")
	}
	add(!c.Facts.Body.Born.Bounded(), "birthday")
	add(c.Facts.Body.Sex != "female" && c.Facts.Body.Sex != "male", "sex")
	return strings.Join(out, ", ")
}

// rowWords tells rows with the clearances for which they hold.
func rowWords(rows []Row) string {
	var out []string
	for _, r := range rows {
		words := r.Hold
		switch {
		case !math.IsInf(r.Below, 1):
			words += fmt.Sprintf(" (clearance from %v to below %v)", r.Lowest, r.Below)
		case r.Lowest > 15:
			words += fmt.Sprintf(" (clearance from %v)", r.Lowest)
		}
		if r.Level != "" {
			words += " (" + string(r.Level) + ")"
		}
		out = append(out, words)
	}
	return strings.Join(out, "; ")
}

// tenths rounds down, so that what is shown never lies in a better band than what decided.
func tenths(v float64) float64 { return math.Floor(v*10+1e-9) / 10 }

func between(low, high float64) string {
	if low == high {
		return fmt.Sprintf("%.1f", low)
	}
	return fmt.Sprintf("%.1f to %.1f", low, high)
}
