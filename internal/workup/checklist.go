package workup

import (
	"slices"
	"strconv"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
)

// checklist is the plan as people work it off on paper or on a page.
type checklist struct {
	Approach   string // in one line
	Advice     task   // what follows from it
	Why        []task
	Groups     []group // of what is to be done or known, up to the removal
	Predictors []predictor
	Steps      []step
	Shelf      []string
	Afterwards []task
	Sources    []origin // numbered from 1 by their place
}

type group struct {
	Title, About string
	Lines        []task
	Short        bool // lines of a box and a text only, which may stand in columns
}

// task is one line of a group: what is to be done or known, small print, and the number of its source.
type task struct {
	Box, Press bool // to mark by hand; to be read twice
	Alarm      bool // pressing, and marked in red where there is colour
	Text       string
	Detail     string
	Source     string // the number; "" where it needs none
}

// predictor is one line of the table of predictors; one of its three boxes is marked.
type predictor struct {
	Name, State     string
	Text, Published string
	Entries, Source string
}

// Has reports whether a box of the line is marked.
func (p predictor) Has(state string) bool { return p.State == state }

// step is one line of the table of techniques.
type step struct{ Number, Technique, When, Access, Hazards, BailOut, Source string }

// origin is where statements come from, and how that is known.
type origin struct{ Source, Known string }

// checklistOf words a plan; nil where there is none.
func checklistOf(p *plan.Plan) *checklist {
	if p == nil {
		return nil
	}
	c := &checklist{Approach: approachWords(p.Approach)}
	c.Advice = task{Text: p.Approach.Text, Detail: evidenceText(p.Approach.Evidence)}
	if p.Approach.Text != "" {
		c.Advice.Source = c.from(p.Approach.Source)
	}
	for _, r := range p.Approach.Why {
		c.Why = append(c.Why, task{Text: capital(plan.Name(r.Predictor)) + ": " + r.Text, Source: c.from(r.Source)})
	}
	add := func(title, about string, lines ...task) {
		if len(lines) > 0 {
			c.Groups = append(c.Groups, group{Title: title, About: about, Lines: lines})
		}
	}
	add("Read first", "", c.statements(p.Notes, false)...)
	add("Anticoagulant", "Prescribed is not taken; a hold is never an order.", c.anticoagulant(p.Anticoagulation)...)
	if asks := c.asked(p.Asks); len(asks) > 0 {
		c.Groups = append(c.Groups, group{"To be asked and found out", "Never read from a record, or not on it.", asks, true})
	}
	add("Imaging and ways in", "", append(c.imaging(p.Imaging), routeLines(p.Routes)...)...)
	add("Tests", "", c.laboratory(p.Laboratory)...)
	c.predictors(p.Predictors)
	c.steps(p.Ladder)
	for _, k := range p.Kit {
		c.Shelf = append(c.Shelf, capital(k.Name)+" ("+k.For+")")
	}
	c.Afterwards = c.statements(p.Afterwards, true)
	return c
}

func approachWords(a plan.Approach) string {
	text := approachName(a.First)
	if a.Complex && a.First != "advanced" {
		text += "; plan for a complex removal"
	}
	return text
}

func approachName(code string) string {
	return wording(code, map[string]string{
		"standard": "A standard removal first", "advanced": "Advanced technique likely", "image": "Image the filter first",
		"defer": "Defer: anticoagulate and image again", "team": "A matter for a team, now", "": "Not stated",
	})
}

// from gives the number of a source; a new one is added to the list.
func (c *checklist) from(s plan.Source) string {
	known := knownWords(string(s.Known))
	o := origin{capital(s.Source), capital(known)}
	if s.Source == known || s.Source == "" {
		o = origin{capital(known), "–"}
	}
	at := slices.Index(c.Sources, o)
	if at < 0 {
		at = len(c.Sources)
		c.Sources = append(c.Sources, o)
	}
	return strconv.Itoa(at + 1)
}

func evidenceText(refs []filter.Ref) string {
	if len(refs) == 0 {
		return ""
	}
	return "Record entries: " + strings.Join(refs, ", ")
}

func (c *checklist) statements(list []plan.Statement, box bool) []task {
	out := make([]task, 0, len(list))
	for _, s := range list {
		out = append(out, task{Box: box, Text: s.Text, Detail: evidenceText(s.Evidence), Source: c.from(s.Source)})
	}
	return out
}

func (c *checklist) asked(list []plan.Ask) []task {
	var out []task
	for _, a := range list {
		if a.What == "ct-abdomen" || strings.HasPrefix(a.What, "test-") {
			continue // it has its box under imaging or tests
		}
		out = append(out, task{Box: true, Text: a.Text, Source: c.from(a.Source)})
	}
	return out
}

func (c *checklist) anticoagulant(a plan.Anticoagulation) []task {
	out := []task{{Box: true, Press: a.Unsettled, Text: a.Default.Text, Detail: evidenceText(a.Default.Evidence), Source: c.from(a.Default.Source)}}
	if a.RedText.Text != "" {
		out = append(out, task{Press: a.Red, Alarm: a.Red, Text: a.RedText.Text, Detail: evidenceText(a.RedText.Evidence), Source: c.from(a.RedText.Source)})
	}
	for _, h := range a.Holds {
		text := strings.TrimSuffix(a.Condition, ".") + " – " + h.Agent + ", " + h.Level + ": " + h.Hold
		if !h.NeedsClinician {
			text = strings.TrimSuffix(a.Condition, ".") + " – " + h.Agent + ", " + h.Level + ": hold " + h.Hold + "; again " + h.Restart
		}
		_, detail, _ := strings.Cut(h.Text, ": ")
		out = append(out, task{Box: true, Press: h.NeedsClinician || a.Red, Alarm: a.Red, Text: capital(text),
			Detail: strings.TrimSpace(capital(detail) + " " + evidenceText(h.Evidence)), Source: c.from(h.Source)})
	}
	return out
}

func (c *checklist) imaging(i plan.Imaging) []task {
	var out []task
	for _, s := range i.OnRecord {
		text := "On record: " + studyWords(s.Modality) + " of " + s.Day
		if s.Place != "" {
			text += ", " + s.Place
		}
		out = append(out, task{Text: text, Detail: evidenceText(s.Evidence)})
	}
	if len(out) == 0 {
		out = append(out, task{Text: "No imaging of the cava or the leg veins since the placement is on record by a code that says so."})
	}
	for _, a := range i.Advice {
		out = append(out, task{Box: a.Need == "recommended", Text: capital(studyWords(a.Examination)) + ": " + a.Need + ". " + a.Text, Source: c.from(a.Source)})
	}
	return out
}

func studyWords(code string) string {
	return wording(code, map[string]string{"ct-abdomen": "CT of the abdomen", "duplex": "duplex of the leg veins", "cavogram": "cavogram"})
}

func routeLines(list []plan.Route) []task {
	var out []task
	for _, r := range list {
		out = append(out, task{Box: r.State == "not known", Press: r.State == "not open", Text: routeName(r) + ": " + r.Text, Detail: evidenceText(r.Evidence)})
	}
	return out
}

func routeName(r plan.Route) string {
	if r.Side == "left" || r.Side == "right" {
		return capital(r.Side) + " " + r.Vein + " vein"
	}
	return capital(r.Vein) + " vein"
}

func (c *checklist) laboratory(l plan.Laboratory) []task {
	var out []task
	if l.Text != "" {
		out = append(out, task{Text: l.Text, Detail: evidenceText(l.Evidence), Source: c.from(l.Source)})
	}
	for _, t := range l.Tests {
		out = append(out, task{Box: t.Result != "pass", Press: t.Result == "correct", Text: capital(t.Name) + ": " + strings.TrimSpace(resultWords(t.Result)+" "+t.Text), Detail: evidenceText(t.Evidence), Source: c.from(t.Source)})
	}
	if x := l.Contrast; x != nil {
		out = append(out, task{Box: x.Risk != "not raised", Press: x.Risk == "high", Text: "Contrast: " + riskWords(x.Risk) + " " + x.Text, Detail: evidenceText(x.Evidence), Source: c.from(x.Source)})
	}
	return out
}

func resultWords(code string) string {
	return wording(code, map[string]string{"pass": "passes.", "operator decides": "the operator decides.", "correct": "to be corrected first.", "not known": ""})
}

func riskWords(code string) string {
	return wording(code, map[string]string{"high": "high risk.", "single patients": "a risk in single patients only.", "not raised": "risk not raised.", "not known": "risk not known."})
}

func (c *checklist) steps(list []plan.Step) {
	for _, s := range list {
		access := s.Access + "."
		if s.Sheath.MaxFrench > 0 {
			access += " " + strconv.Itoa(s.Sheath.MinFrench) + "–" + strconv.Itoa(s.Sheath.MaxFrench) + " F."
		}
		if s.Sheath.Note != "" {
			access += " " + capital(s.Sheath.Note) + "."
		}
		c.Steps = append(c.Steps, step{strconv.Itoa(s.Step), capital(s.Technique), capital(s.When), capital(access), capital(strings.Join(s.Hazards, "; ")), capital(s.BailOut), c.from(s.Source)})
	}
}

func (c *checklist) predictors(list []plan.Predictor) {
	for _, x := range list {
		c.Predictors = append(c.Predictors, predictor{capital(plan.Name(x.Name)), string(x.State), x.Text, capital(x.Published), evidenceText(x.Evidence), c.from(x.Source)})
	}
}
