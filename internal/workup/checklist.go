package workup

import (
	"fmt"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
)

// checklist is the plan as people work it off on paper or on a page: groups of lines, those to be done with a box to mark.
type checklist struct {
	Approach string // in one line
	Groups   []group
}

type group struct {
	Title, About string
	Lines        []task
}

// task is one line of a group: what is to be done or known, small print, and where it comes from.
type task struct {
	Box, Press bool // to mark by hand; to be read twice
	Text       string
	Detail     string
	Source     string
}

// checklistOf words a plan; nil where there is none.
func checklistOf(p *plan.Plan) *checklist {
	if p == nil {
		return nil
	}
	c := &checklist{Approach: approachWords(p.Approach)}
	add := func(title, about string, lines ...task) {
		if len(lines) > 0 {
			c.Groups = append(c.Groups, group{title, about, lines})
		}
	}
	add("Read first", "", statements(p.Notes, false)...)
	add("Why this approach", "", reasons(p)...)
	add("To be asked and found out", "Never read from a record, or not on it.", asked(p.Asks)...)
	add("Anticoagulant", "Prescribed is not taken; a hold is never an order.", anticoagulantLines(p.Anticoagulation)...)
	add("Imaging and ways in", "", append(imagingLines(p.Imaging), routeLines(p.Routes)...)...)
	add("Tests", "", laboratoryLines(p.Laboratory)...)
	add("Techniques, in the order in which they would be tried", "Sheath sizes and hazards are from memory: the instructions for use of your own kit prevail.", steps(p.Ladder)...)
	add("On the shelf", "", kit(p.Kit)...)
	add("What speaks for a difficult removal", "No figure for this patient is made of these.", predictors(p.Predictors)...)
	add("Afterwards", "", statements(p.Afterwards, true)...)
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
		"standard": "A standard removal first", "advanced": "Advanced technique likely", "image": "Image the thrombus in the filter first",
		"defer": "Defer: anticoagulate and image again", "team": "A matter for a team, now", "": "Not stated",
	})
}

// from tells where a statement comes from and how that is known.
func from(s plan.Source) string {
	known := knownWords(string(s.Known))
	if s.Source == "" {
		return capital(known)
	}
	return s.Source + " – " + known
}

func evidenceText(refs []filter.Ref) string {
	if len(refs) == 0 {
		return ""
	}
	return "Record entries: " + strings.Join(refs, ", ")
}

func statements(list []plan.Statement, box bool) []task {
	out := make([]task, 0, len(list))
	for _, s := range list {
		out = append(out, task{Box: box, Text: s.Text, Detail: evidenceText(s.Evidence), Source: from(s.Source)})
	}
	return out
}

func reasons(p *plan.Plan) []task {
	var out []task
	for _, r := range p.Approach.Why {
		out = append(out, task{Text: r.Text, Source: from(r.Source)})
	}
	return out
}

func asked(list []plan.Ask) []task {
	var out []task
	for _, a := range list {
		out = append(out, task{Box: true, Text: a.Text, Source: from(a.Source)})
	}
	return out
}

func anticoagulantLines(a plan.Anticoagulation) []task {
	out := []task{{Box: true, Text: a.Default.Text, Detail: evidenceText(a.Default.Evidence), Source: from(a.Default.Source)}}
	if a.Red {
		out = append(out, task{Press: true, Text: a.RedText.Text, Detail: evidenceText(a.RedText.Evidence), Source: from(a.RedText.Source)})
	}
	for _, h := range a.Holds {
		detail := "Start again: " + h.Restart
		if c := h.Clearance; c != nil {
			detail += fmt.Sprintf(". Creatinine clearance %.0f to %.0f mL/min (Cockcroft and Gault; weight %v kg of %s, creatinine %v mg/dL of %s)", c.Low, c.High, c.WeightKg, c.WeightDay, c.Creatinine, c.CreatinineDay)
		}
		out = append(out, task{Box: true, Press: h.NeedsClinician, Text: capital(strings.TrimSuffix(a.Condition, ".")) + " – " + h.Agent + ", " + h.Level + ": " + h.Hold, Detail: strings.TrimSpace(h.Text + " " + detail + ". " + evidenceText(h.Evidence)), Source: from(h.Source)})
	}
	return out
}

func imagingLines(i plan.Imaging) []task {
	var out []task
	for _, s := range i.OnRecord {
		text := "On record: " + studyWords(s.Modality) + " of " + s.Day
		if s.Place != "" {
			text += ", " + s.Place
		}
		out = append(out, task{Text: text, Detail: evidenceText(s.Evidence)})
	}
	for _, a := range i.Advice {
		out = append(out, task{Box: a.Need == "recommended", Text: capital(studyWords(a.Examination)) + ": " + a.Need + ". " + a.Text, Source: from(a.Source)})
	}
	return out
}

func studyWords(code string) string {
	return wording(code, map[string]string{"ct-abdomen": "CT of the abdomen", "duplex": "duplex of the leg veins", "cavogram": "cavogram"})
}

func routeLines(list []plan.Route) []task {
	var out []task
	for _, r := range list {
		out = append(out, task{Box: r.State == "not known", Text: routeName(r) + ": " + r.Text, Detail: evidenceText(r.Evidence)})
	}
	return out
}

func routeName(r plan.Route) string {
	if r.Side == "left" || r.Side == "right" {
		return capital(r.Side) + " " + r.Vein + " vein"
	}
	return capital(r.Vein) + " vein"
}

func laboratoryLines(l plan.Laboratory) []task {
	if !l.Needed {
		return []task{{Text: "No blood test is needed for a standard removal without a vitamin K antagonist or unfractionated heparin."}}
	}
	var out []task
	for _, t := range l.Tests {
		out = append(out, task{Box: t.Result != "pass", Press: t.Result == "correct", Text: t.Text, Detail: evidenceText(t.Evidence), Source: from(t.Source)})
	}
	if c := l.Contrast; c != nil {
		out = append(out, task{Box: c.Risk != "not raised", Press: c.Risk == "high", Text: c.Text, Detail: evidenceText(c.Evidence), Source: from(c.Source)})
	}
	return out
}

func steps(list []plan.Step) []task {
	var out []task
	for _, s := range list {
		sheath := ""
		if s.Sheath.MaxFrench > 0 {
			sheath = fmt.Sprintf("Sheath %d to %d F. ", s.Sheath.MinFrench, s.Sheath.MaxFrench)
		}
		if s.Sheath.Note != "" {
			sheath += capital(s.Sheath.Note) + ". "
		}
		detail := "When: " + strings.TrimSuffix(s.When, ".") + ". Access: " + strings.TrimSuffix(s.Access, ".") + ". " + sheath + "Hazards: " + strings.Join(s.Hazards, "; ") + ". If it fails or tears: " + s.BailOut
		out = append(out, task{Text: fmt.Sprintf("%d. %s", s.Step, s.Technique), Detail: detail, Source: from(s.Source)})
	}
	return out
}

func kit(list []plan.Item) []task {
	var out []task
	for _, k := range list {
		out = append(out, task{Box: true, Text: k.Name + ": " + k.For})
	}
	return out
}

func predictors(list []plan.Predictor) []task {
	var out []task
	for _, x := range list {
		out = append(out, task{Press: x.State == plan.Present, Text: predictorName(x.Name) + ": " + string(x.State) + ". " + x.Text, Detail: strings.TrimSpace(x.Published + " " + evidenceText(x.Evidence)), Source: from(x.Source)})
	}
	return out
}

func predictorName(code string) string {
	return wording(code, map[string]string{
		"dwell": "Long dwell", "tilt": "Tilt", "hook-embedded": "Hook embedded", "penetration": "Penetration", "fracture": "Fracture", "thrombus": "Thrombus in the filter",
		"failed-attempt": "Failed attempt", "closed-cell-design": "Closed-cell design", "permanent-design": "Permanent design",
	})
}
