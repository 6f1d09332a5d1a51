package assess

import (
	"slices"
	"strconv"
	"strings"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/plan"
)

// Said is what one revision of a document was made from: an assessment that lists one filter only, and its referral.
type Said struct {
	Assessment Assessment     `json:"assessment"`
	Referral   draft.Referral `json:"referral"`
}

// Change is one thing that two revisions of a document say differently.
type Change struct {
	About string // a stable code: what it is about, e.g. "verdict", "event", "predictor"
	Of    string // which of several, e.g. a rule or a predictor; "" where there is one
	Old   string // a code or text; "" where the earlier revision says nothing of it
	New   string // the same of the later one
}

// Changes lists what after says differently from before, what weighs most first. Days that pass, and measured values that are
// judged as before, are no changes. It is empty exactly where the two mean the same and ask the same; equal input gives an
// equal list.
func Changes(before, after Said) []Change {
	var c comparison
	old, now := before.filter(), after.filter()
	c.answer(old, now)
	c.request(before.Referral, after.Referral)
	c.lists(old, now)
	c.plan(unmeasured(old).Plan, unmeasured(now).Plan)
	c.person(before.Assessment, after.Assessment)
	if d := newDigest(); len(c.list) == 0 && meaning(d, &before.Assessment, old) != meaning(d, &after.Assessment, now) {
		c.list = append(c.list, Change{About: "details"})
	}
	return c.list
}

func (s Said) filter() Filter {
	if len(s.Assessment.Filters) == 0 {
		return Filter{}
	}
	return s.Assessment.Filters[0]
}

// comparison collects changes in the order in which they are compared.
type comparison struct{ list []Change }

func (c *comparison) value(about, old, now string) {
	if old != now {
		c.list = append(c.list, Change{About: about, Old: old, New: now})
	}
}

// answer compares what has one value.
func (c *comparison) answer(old, now Filter) {
	c.value("verdict", old.Verdict, now.Verdict)
	c.value("emergency", yes(old.Emergency), yes(now.Emergency))
	c.value("overdue", yes(old.Overdue), yes(now.Overdue))
	c.value("reassessmentOverdue", yes(old.ReassessmentOverdue), yes(now.ReassessmentOverdue))
	c.value("standing", old.Standing, now.Standing)
	c.value("removed", told(old.Removed), told(now.Removed))
	c.value("placed", told(old.Placed), told(now.Placed))
	c.value("placedFor", old.PlacedFor, now.PlacedFor)
	c.value("window", old.Window, now.Window)
	c.value("indication", old.Indication, now.Indication)
	c.value("anticoagulation", old.Anticoagulation.Level, now.Anticoagulation.Level)
	c.value("agent", orNone(old.Anticoagulation.Agent), orNone(now.Anticoagulation.Agent))
	c.value("agents", several(old.Anticoagulation.Agents), several(now.Anticoagulation.Agents))
	c.value("since", orNone(old.Anticoagulation.Since), orNone(now.Anticoagulation.Since))
	if byOthers(old) || byOthers(now) {
		c.value("asked", old.Asked, now.Asked)
	}
	c.value("others", strconv.Itoa(old.Others), strconv.Itoa(now.Others))
	c.value("plannedIntent", old.PlannedIntent, now.PlannedIntent)
	c.value("model", old.Model.Name, now.Model.Name)
	c.value("design", old.Model.Design, now.Model.Design)
	c.value("intent", old.Model.Intent, now.Model.Intent)
	c.value("identifiedBy", old.Model.By, now.Model.By)
	c.value("headline", old.Headline, now.Headline)
}

// several names the agents prescribed with their levels where there is more than one.
func several(agents []Prescribed) string {
	if len(agents) < 2 {
		return ""
	}
	var out []string
	for _, a := range agents {
		out = append(out, a.Agent+" ("+a.Level+")")
	}
	return strings.Join(out, ", ")
}

// request compares what is asked of people.
func (c *comparison) request(old, now draft.Referral) {
	switch {
	case now.Approved && !old.Approved:
		c.list = append(c.list, Change{About: "approved"})
	case now.Round > old.Round:
		c.list = append(c.list, Change{About: "round", Of: now.Again, Old: strconv.Itoa(old.Round), New: strconv.Itoa(now.Round)})
	}
	c.value("to", string(old.To), string(now.To))
	c.value("priority", old.Priority, now.Priority)
	c.value("dueOn", dueDay(old), dueDay(now))
	c.value("basedOn", strings.Join(old.BasedOn, ", "), strings.Join(now.BasedOn, ", "))
}

func dueDay(r draft.Referral) string {
	if r.DueOn == 0 {
		return ""
	}
	return r.DueOn.String()
}

// saying is one entry of a list. Two entries with the same key are one that changed.
type saying struct{ key, of, text string }

// texts compares two lists: what is new or worded anew in the order of now, then what is gone in the order of old.
func (c *comparison) texts(about string, old, now []saying) {
	left := slices.Clone(old)
	var added []saying
	for _, x := range now {
		if i := slices.Index(left, x); i >= 0 {
			left = slices.Delete(left, i, i+1)
			continue
		}
		added = append(added, x)
	}
	for _, x := range added {
		change := Change{About: about, Of: x.of, New: x.text}
		if i := slices.IndexFunc(left, func(y saying) bool { return y.key == x.key }); i >= 0 {
			change.Old = left[i].text
			left = slices.Delete(left, i, i+1)
		}
		c.list = append(c.list, change)
	}
	for _, x := range left {
		c.list = append(c.list, Change{About: about, Of: x.of, Old: x.text})
	}
}

// lists compares history, findings, contradictions and what is missing.
func (c *comparison) lists(old, now Filter) {
	c.texts("event", each(old.Events, eventSaid), each(now.Events, eventSaid))
	complication := func(x Finding) bool { return IsComplication(x.Rule) }
	other := func(x Finding) bool { return !IsComplication(x.Rule) }
	c.texts("complication", each(filtered(old.Findings, complication), findingSaid), each(filtered(now.Findings, complication), findingSaid))
	c.texts("contradiction", each(old.Contradictions, contradictionSaid), each(now.Contradictions, contradictionSaid))
	c.texts("finding", each(filtered(old.Findings, other), findingSaid), each(filtered(now.Findings, other), findingSaid))
	c.texts("missing", each(old.Missing, missingSaid), each(now.Missing, missingSaid))
}

func eventSaid(e Event) saying {
	return saying{e.What + " " + strings.Join(e.Evidence, " "), e.What, told(&e.When) + ": " + e.Text}
}

func findingSaid(x Finding) saying { return saying{x.Rule, x.Rule, x.Text} }

func contradictionSaid(x Contradiction) saying {
	return saying{x.Kind + " " + strings.Join(x.Evidence, " "), x.Kind, x.Text}
}

func missingSaid(m Missing) saying { return saying{m.What, m.What, m.Text} }

// plan compares two plans, as far as they mean something; one that comes or goes is told as a whole.
func (c *comparison) plan(old, now *plan.Plan) {
	if old == nil || now == nil {
		c.value("plan", made(old), made(now))
		return
	}
	c.value("approach", old.Approach.First, now.Approach.First)
	if old.Approach.First == now.Approach.First {
		c.value("approachLine", old.Approach.Text, now.Approach.Text)
	}
	c.texts("approachReason", each(old.Approach.Why, reasonSaid), each(now.Approach.Why, reasonSaid))
	c.value("complex", yes(old.Approach.Complex), yes(now.Approach.Complex))
	c.texts("predictor", each(old.Predictors, predictorSaid), each(now.Predictors, predictorSaid))
	c.value("acuteUntil", orNone(old.Anticoagulation.RedUntil), orNone(now.Anticoagulation.RedUntil))
	if sameDay(old.Anticoagulation.RedUntil, now.Anticoagulation.RedUntil) {
		c.value("acuteLine", old.Anticoagulation.RedText.Text, now.Anticoagulation.RedText.Text)
	}
	c.value("holdCondition", old.Anticoagulation.Condition, now.Anticoagulation.Condition)
	c.value("unsettled", yes(old.Anticoagulation.Unsettled), yes(now.Anticoagulation.Unsettled))
	c.value("red", yes(old.Anticoagulation.Red), yes(now.Anticoagulation.Red))
	c.value("anticoagulantLine", old.Anticoagulation.Default.Text, now.Anticoagulation.Default.Text)
	c.texts("hold", each(old.Anticoagulation.Holds, holdSaid), each(now.Anticoagulation.Holds, holdSaid))
	c.texts("route", each(old.Routes, routeSaid), each(now.Routes, routeSaid))
	c.texts("study", each(old.Imaging.OnRecord, studySaid), each(now.Imaging.OnRecord, studySaid))
	c.texts("imaging", each(old.Imaging.Advice, adviceSaid), each(now.Imaging.Advice, adviceSaid))
	c.value("testsNeeded", yes(old.Laboratory.Needed), yes(now.Laboratory.Needed))
	if old.Laboratory.Needed == now.Laboratory.Needed {
		c.value("testsLine", old.Laboratory.Text, now.Laboratory.Text)
	}
	c.value("bleedingRisk", old.Laboratory.Category, now.Laboratory.Category)
	c.texts("test", each(old.Laboratory.Tests, testSaid), each(now.Laboratory.Tests, testSaid))
	c.texts("testLimits", each(old.Laboratory.Tests, limitsSaid), each(now.Laboratory.Tests, limitsSaid))
	c.value("contrast", risk(old.Laboratory.Contrast), risk(now.Laboratory.Contrast))
	c.texts("kit", each(old.Kit, itemSaid), each(now.Kit, itemSaid))
	c.texts("technique", each(old.Ladder, stepSaid), each(now.Ladder, stepSaid))
	c.texts("note", each(old.Notes, statementSaid), each(now.Notes, statementSaid))
	c.texts("ask", each(old.Asks, askSaid), each(now.Asks, askSaid))
	c.texts("afterwards", each(old.Afterwards, statementSaid), each(now.Afterwards, statementSaid))
}

func made(p *plan.Plan) string {
	if p == nil {
		return "none"
	}
	return "made"
}

func predictorSaid(p plan.Predictor) saying {
	text := string(p.State) + ". " + p.Text
	if day := orNone(p.Day); day != "" && !strings.Contains(p.Text, day) {
		text += " (" + day + ")"
	}
	return saying{p.Name, p.Name, text}
}

func holdSaid(h plan.AgentHold) saying {
	text := h.Hold + "; again " + h.Restart
	if h.NeedsClinician && h.Hold != plan.NeedsClinician {
		text += "; a clinician decides"
	}
	return saying{h.Agent, h.Agent + ", " + h.Level, text}
}

func routeSaid(r plan.Route) saying {
	text := r.State + ". " + r.Text
	if day := orNone(r.Day); day != "" && !strings.Contains(r.Text, day) {
		text += " (" + day + ")"
	}
	return saying{r.Vein + r.Side, r.Side + " " + r.Vein, text}
}

func studySaid(s plan.Study) saying {
	text := s.Day
	if s.Place != "" {
		text += ", " + s.Place
	}
	return saying{s.Modality + s.Day, s.Modality, text}
}

func adviceSaid(a plan.Advice) saying {
	text := a.Need
	if a.Text != "" {
		text += ". " + a.Text
	}
	if len(a.Because) > 0 {
		var names []string
		for _, b := range a.Because {
			names = append(names, plan.Name(b))
		}
		text += " Because of: " + strings.Join(names, ", ") + "."
	}
	return saying{a.Examination, a.Examination, text}
}

func testSaid(t plan.Test) saying { return saying{t.Name, t.Name, t.Result} }

func limitsSaid(t plan.Test) saying {
	var text string
	for i, limit := range []*float64{t.Pass, t.Correct} {
		if limit != nil {
			text += []string{"passes at ", ", corrected beyond "}[i] + strconv.FormatFloat(*limit, 'f', -1, 64)
		}
	}
	return saying{t.Name, t.Name, strings.TrimRight(text+" "+t.Unit, " ")}
}

func stepSaid(s plan.Step) saying {
	text := strconv.Itoa(s.Step) + ". " + s.When + "; " + s.Access
	if s.Sheath != (plan.Sheath{}) {
		text += "; sheath " + strings.TrimRight(strconv.Itoa(s.Sheath.MinFrench)+" to "+strconv.Itoa(s.Sheath.MaxFrench)+" F "+s.Sheath.Note, " ")
	}
	if len(s.Hazards) > 0 {
		text += "; hazards: " + strings.Join(s.Hazards, ", ")
	}
	if s.BailOut != "" {
		text += "; else: " + s.BailOut
	}
	return saying{s.Technique, s.Technique, text}
}

func reasonSaid(r plan.Reason) saying { return saying{r.Predictor, r.Predictor, r.Text} }

func itemSaid(i plan.Item) saying { return saying{i.Name, i.Name, i.Name + " (" + i.For + ")"} }

func sameDay(a, b *string) bool { return orNone(a) == orNone(b) }

func statementSaid(s plan.Statement) saying { return saying{s.Text, "", s.Text} }

func askSaid(a plan.Ask) saying { return saying{a.What, a.What, a.Text} }

func risk(c *plan.Contrast) string {
	if c == nil {
		return ""
	}
	return c.Risk
}

// person compares whom it is about and how much was read of them.
func (c *comparison) person(old, now Assessment) {
	c.value("patient", old.Patient, now.Patient)
	c.value("name", old.Person.Name, now.Person.Name)
	c.value("otherNames", strings.Join(old.Person.OtherNames, "; "), strings.Join(now.Person.OtherNames, "; "))
	c.value("numbers", strings.Join(old.Person.Numbers, ", "), strings.Join(now.Person.Numbers, ", "))
	c.value("birthDate", old.Person.BirthDate, now.Person.BirthDate)
	c.value("sex", old.Person.Sex, now.Person.Sex)
	c.value("deceased", yes(old.Person.Deceased), yes(now.Person.Deceased))
	if (old.Context == ContextFeeds) != (now.Context == ContextFeeds) {
		c.value("context", old.Context, now.Context)
	}
}

// told writes a range of days.
func told(r *Range) string {
	if r == nil {
		return ""
	}
	early, late := orNone(r.Earliest), orNone(r.Latest)
	switch {
	case early == late:
		return early
	case early == "":
		return late + " or earlier"
	case late == "":
		return early + " or later"
	}
	return early + " to " + late
}

func yes(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}

func orNone(text *string) string {
	if text == nil {
		return ""
	}
	return *text
}

func each[T any](list []T, said func(T) saying) []saying {
	out := make([]saying, 0, len(list))
	for _, x := range list {
		out = append(out, said(x))
	}
	return out
}

func filtered[T any](list []T, keep func(T) bool) []T {
	return slices.DeleteFunc(slices.Clone(list), func(x T) bool { return !keep(x) })
}
