package workup

import (
	"strconv"
	"strings"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/plan"
)

// changed is what the reader of the last version must hear first; nil in a first version.
type changed struct {
	Title string // of the block on top
	Lines []change
	Note  string // where there is nothing to list, why
}

// change is one line: what, how it is now, how it was. One of the two may be empty.
type change struct{ What, Now, Before string }

// Since is the version of the document that this one takes the place of. Said is nil where it is not known here any more.
type Since struct{ Said *assess.Said }

func newChanged(c Case) *changed {
	if c.Since == nil {
		return nil
	}
	if c.Since.Said == nil {
		return &changed{
			Title: "This replaces an earlier version",
			Note: "What changed since then cannot be told: the earlier version was written from a database that is not there any more. " +
				"It is in the record, marked as replaced; compare the two.",
		}
	}
	before := *c.Since.Said
	now := assess.Said{Assessment: c.Assessment, Referral: c.Referral}
	now.Assessment.Filters = []assess.Filter{c.Filter}
	out := &changed{Title: "Changed since the version of " + before.Assessment.AsOf + " (round " + strconv.Itoa(before.Referral.Round) +
		", revision " + strconv.Itoa(before.Referral.Revision) + ")"}
	for _, x := range assess.Changes(before, now) {
		out.Lines = append(out.Lines, changeWords(x))
	}
	if len(out.Lines) == 0 {
		out.Note = "Nothing that is said here: the request was put by for a time, and is made again."
	}
	return out
}

// InOne says a change in one line. Of a long text that was reworded only the new wording stands there; the full list has both.
func (c change) InOne() string {
	const short = 60
	switch {
	case c.Before == "":
		return c.Now
	case c.Now == "":
		return "no longer said: " + c.Before
	case len(c.Before) > short:
		return c.Now
	}
	return c.Now + " (before: " + c.Before + ")"
}

// mostOnTop is how many changes stand on top of the first page; all of them stand under the quality of the data.
const mostOnTop = 6

// Top gives the changes that stand on top.
func (c *changed) Top() []change { return c.Lines[:min(mostOnTop, len(c.Lines))] }

// More says where the rest is; "" where there is none.
func (c *changed) More() string {
	if n := len(c.Lines) - mostOnTop; n > 0 {
		return strconv.Itoa(n) + " more, and how each was before: see"
	}
	for _, x := range c.Lines {
		if x.Before != "" && !strings.Contains(x.InOne(), x.Before) {
			return "How each was before: see"
		}
	}
	return ""
}

// changeWords words a change.
func changeWords(x assess.Change) change {
	words := func(name string, of func(string) string) change {
		return change{name, of(x.New), of(x.Old)}
	}
	plain := func(code string) string { return orElse(code, "not known") }
	switch x.About {
	case "verdict":
		return change{"Verdict", verdictWords(x.New), verdictWords(x.Old)}
	case "standing":
		return words("Standing", standingWords)
	case "window":
		return words("Window", func(code string) string { return windowWords(code, "") })
	case "indication":
		return words("Reason for the filter", func(code string) string {
			return wording(code, map[string]string{"resolved": "resolved", "likely-resolved": "likely resolved", "still-indicated": "still indicated", "unknown": "not known", "": "not known"})
		})
	case "anticoagulation":
		return words("Anticoagulation", func(code string) string {
			return wording(code, map[string]string{"therapeutic": "therapeutic dose prescribed", "reduced": "reduced dose prescribed", "prophylactic": "prophylactic dose prescribed",
				"none": "none", "indeterminate": "dose level cannot be told", "unknown": "not known", "": "not known"})
		})
	case "asked":
		return words("Asked by others", func(code string) string { return orElse(code, "nothing") })
	case "plannedIntent":
		return words("Documented plan", planWords)
	case "design", "intent", "identifiedBy":
		return change{modelPart(x.About), plain(x.New), plain(x.Old)}
	case "approved":
		return change{What: "Approved", Now: "a person has approved the proposal; this is the order"}
	case "round":
		now := "a new request is made"
		if x.Of != "" {
			now = "the question is asked again; the request before was ended as " + x.Of
		}
		return change{What: "Request", Now: now}
	case "to":
		return words("Asked of", func(code string) string { return addresseeWords(draft.Addressee(code)) })
	case "priority":
		return words("Priority", priorityWords)
	case "dueOn":
		return change{"By", plain(x.New), plain(x.Old)}
	case "approach":
		return words("Plan for the removal", approachName)
	case "plan":
		return words("Plan for the removal", func(code string) string {
			return wording(code, map[string]string{"made": "there is one now", "none": "none"})
		})
	case "test":
		return change{"Test, " + x.Of, resultOrNone(x.New), resultOrNone(x.Old)}
	case "contrast":
		return words("Contrast", func(code string) string { return orElse(strings.TrimSuffix(riskWords(code), "."), "not asked for") })
	case "details":
		return change{What: "Record entries", Now: "other entries or sources stand behind what is said; the statements are the same"}
	}
	if name, of, ok := listName(x); ok {
		if of != "" {
			name += ", " + of
		}
		return change{name, x.New, x.Old}
	}
	return change{valueName(x.About), plain(x.New), plain(x.Old)}
}

func resultOrNone(code string) string {
	return orElse(strings.TrimSuffix(resultWords(code), "."), "no recent value")
}

// valueName names what has one value and no words of its own.
func valueName(about string) string {
	return wording(about, map[string]string{
		"emergency": "Emergency", "overdue": "Overdue", "reassessmentOverdue": "Reassessment overdue", "removed": "Removed", "placed": "Placed", "placedFor": "Placed for",
		"agent": "Anticoagulant", "agents": "Anticoagulants prescribed", "since": "Therapeutic cover since", "model": "Model", "headline": "Why", "basedOn": "Based on",
		"approachLine": "How to begin", "acuteLine": "Acute thromboembolism", "holdCondition": "Condition of the holds", "unsettled": "Anticoagulant to be settled first", "red": "Hold of high risk", "testsLine": "Tests", "bleedingRisk": "Bleeding risk of the removal",
		"complex": "Complex removal to be planned for", "acuteUntil": "Thromboembolism acute until", "anticoagulantLine": "Anticoagulant at the removal",
		"testsNeeded": "Blood tests needed", "others": "Other filters in", "patient": "Patient entry", "name": "Name", "birthDate": "Birth date", "otherNames": "Other names", "numbers": "Hospital number", "sex": "Sex",
		"deceased": "Deceased", "context": "What was read",
	})
}

func modelPart(about string) string {
	return map[string]string{"design": "Design", "intent": "Labelled use", "identifiedBy": "Model identified by"}[about]
}

// listName names the list that a change is in, and which entry of it.
func listName(x assess.Change) (name, of string, ok bool) {
	name, ok = map[string]string{
		"event": "History", "complication": "Complication", "contradiction": "Contradiction", "finding": "Finding", "missing": "Missing from the record",
		"predictor": "Difficulty", "hold": "Hold, only if a complex removal is planned", "route": "Way in", "study": "Imaging on record", "imaging": "Imaging advised",
		"test": "Test", "technique": "Technique", "note": "Plan, read first", "approachReason": "Reason for advanced technique", "kit": "On the shelf", "testLimits": "Limits of a test", "ask": "To be found out", "afterwards": "Afterwards",
	}[x.About]
	switch x.About {
	case "predictor", "approachReason":
		of = plan.Name(x.Of)
	case "study":
		of = studyWords(x.Of)
	case "hold", "route", "imaging", "test", "testLimits", "technique":
		of = x.Of
	}
	return name, of, ok
}

// changedRows stand on top of the first page.
func changedRows(p *press, v view) []row {
	if v.changed == nil {
		return nil
	}
	const x, w = 4.0, width - 8.0
	c := cell{x: x, w: w, lines: p.set(heading(), v.changed.Title, w)}
	for _, l := range v.changed.Top() {
		c.lines = append(c.lines, p.abbreviate(plain(), "– "+l.What+": "+l.InOne(), w, 2)...)
	}
	if more := v.changed.More(); more != "" {
		c.lines = append(c.lines, p.set(small(), more+" Data quality.", w)...)
	}
	if v.changed.Note != "" {
		c.lines = append(c.lines, p.set(plain(), v.changed.Note, w)...)
	}
	return []row{{gap: 2.5, pad: 1, box: 0.5, bar: 1.4, cells: []cell{c}}}
}

// everyChangeRows list the changes in full, with how each was before.
func everyChangeRows(p *press, v view) []row {
	if v.changed == nil || len(v.changed.Lines) == 0 {
		return nil
	}
	columns := []cell{{x: 0, w: 38}, {x: 41, w: 68}, {x: 112, w: width - 112}}
	var lines [][][]line
	for _, l := range v.changed.Lines {
		lines = append(lines, [][]line{p.set(strong(), l.What, columns[0].w), p.set(plain(), orElse(l.Now, "–"), columns[1].w), p.set(beside(), orElse(l.Before, "–"), columns[2].w)})
	}
	return table(p, v.changed.Title+", in full", columns, []string{"What", "Now", "Before"}, lines)
}
