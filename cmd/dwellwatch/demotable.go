package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/tidwall/gjson"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/demo"
)

// table prints one line per filter: who, which, since when, and what is proposed.
func (h *hospitalStay) table(ctx context.Context, patients []demo.Patient) error {
	rows, err := h.program.store.Overview(ctx)
	if err != nil {
		return err
	}
	tasks, err := h.tasksByKey(ctx)
	if err != nil {
		return err
	}
	answers := map[string]assess.Assessment{}
	for _, r := range rows {
		var a assess.Assessment
		if len(r.Answer) > 0 {
			if err := json.Unmarshal(r.Answer, &a); err != nil {
				return fmt.Errorf("read an assessment: %w", err)
			}
			answers[a.Patient] = a
		}
	}
	w := tabwriter.NewWriter(h.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "\nPATIENT\tSHOWS\tFILTER\tPLACED\tDWELL\tWINDOW\tINDICATION\tVERDICT\tTASK IN THE RECORD\tAS WORKED OUT BY HAND")
	for _, p := range patients {
		a, ok := answers["Patient/"+p.ID]
		if !ok || len(a.Filters) == 0 {
			fmt.Fprintf(w, "%s\t%s\t–\t–\t–\t–\t–\t–\t%s\t%s\n", p.Name, p.Title, openTasks(tasks, "Patient/"+p.ID), agrees(p, a, tasks))
			continue
		}
		for i, f := range a.Filters {
			name, title := p.Name, p.Title
			if i > 0 {
				name, title = "", ""
			}
			verdict := f.Verdict
			if f.Overdue {
				verdict += ", overdue"
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", name, title, filterName(f), placed(f.Placed), dwell(f), f.Window, f.Indication, verdict, task(tasks[f.Key]), agrees(p, a, tasks))
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(h.out)
	return nil
}

// tasksByKey reads our Tasks from the record by their series identifier.
func (h *hospitalStay) tasksByKey(ctx context.Context) (map[string][]gjson.Result, error) {
	list, err := h.ours(ctx, "Task")
	if err != nil {
		return nil, err
	}
	out := map[string][]gjson.Result{}
	for _, raw := range list {
		t := gjson.ParseBytes(raw)
		for _, id := range t.Get("identifier").Array() {
			if id.Get("system").String() == "urn:dwellwatch:referral" {
				out[id.Get("value").String()] = append(out[id.Get("value").String()], t)
			}
		}
	}
	return out, nil
}

func task(list []gjson.Result) string {
	var parts []string
	for _, t := range list {
		parts = append(parts, fmt.Sprintf("%s %s, by %s", t.Get("priority"), t.Get("status"), t.Get("restriction.period.end")))
	}
	if len(parts) == 0 {
		return "–"
	}
	return strings.Join(parts, "; ")
}

// openTasks says what is left of the Tasks of a patient whose filter was taken back.
func openTasks(tasks map[string][]gjson.Result, patient string) string {
	var parts []string
	for _, list := range tasks {
		for _, t := range list {
			if t.Get("for.reference").String() == patient {
				parts = append(parts, t.Get("status").String())
			}
		}
	}
	slices.Sort(parts)
	if len(parts) == 0 {
		return "–"
	}
	return strings.Join(parts, ", ")
}

// agrees compares the answer with the one worked out by hand from the rules.
func agrees(p demo.Patient, a assess.Assessment, tasks map[string][]gjson.Result) string {
	for _, want := range p.Expected() {
		switch want.Filter {
		case "0":
			if len(a.Filters) > 0 || strings.Contains(openTasks(tasks, "Patient/"+p.ID), "draft") {
				return "DIFFERS"
			}
			continue
		case "*":
			for _, f := range a.Filters {
				if !sameAsHand(want, f, tasks) {
					return "DIFFERS"
				}
			}
			continue
		}
		at := int(want.Filter[0] - '1')
		if at >= len(a.Filters) || !sameAsHand(want, a.Filters[at], tasks) {
			return "DIFFERS"
		}
	}
	return "agrees"
}

func sameAsHand(want demo.Row, f assess.Filter, tasks map[string][]gjson.Result) bool {
	priority := "none"
	for _, t := range tasks[f.Key] {
		if t.Get("status").String() == "draft" {
			priority = t.Get("priority").String()
		}
	}
	return want.Verdict == f.Verdict && want.Window == f.Window && want.Indication == f.Indication && want.Overdue == fmt.Sprint(f.Overdue) && want.Task == priority
}

func filterName(f assess.Filter) string {
	name := f.Model.Name
	if name == "" {
		name = "model not known"
	}
	return name + ", " + f.Standing
}

func placed(r *assess.Range) string {
	if r == nil {
		return "day not known"
	}
	side := func(s *string) string {
		if s == nil {
			return "?"
		}
		return *s
	}
	if side(r.Earliest) == side(r.Latest) {
		return side(r.Earliest)
	}
	return side(r.Earliest) + " to " + side(r.Latest)
}

func dwell(f assess.Filter) string {
	d := f.DwellDays
	if d == nil || d.Min == nil || d.Max == nil {
		return "–"
	}
	if *d.Min == *d.Max {
		return fmt.Sprintf("%d d", *d.Min)
	}
	return fmt.Sprintf("%d–%d d", *d.Min, *d.Max)
}

// readBack prints our Tasks and documents as the record holds them.
func (h *hospitalStay) readBack(ctx context.Context) error {
	fmt.Fprintln(h.out, "\nTasks and documents read back from the record:")
	w := tabwriter.NewWriter(h.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "TASK\tFOR\tSTATUS\tPRIORITY\tOWNER\tDUE\tFOCUS\tDOCUMENT")
	tasks, err := h.ours(ctx, "Task")
	if err != nil {
		return err
	}
	documents, err := h.ours(ctx, "DocumentReference")
	if err != nil {
		return err
	}
	sizes := map[string]string{}
	for _, raw := range documents {
		d := gjson.ParseBytes(raw)
		sizes["DocumentReference/"+d.Get("id").String()] = fmt.Sprintf("%s %s, PDF %d kB", d.Get("status"), d.Get("docStatus"), (d.Get("content.0.attachment.size").Int()+512)/1024)
	}
	for _, raw := range tasks {
		t := gjson.ParseBytes(raw)
		document := "–"
		for _, ref := range t.Get("input.#.valueReference.reference").Array() {
			if s, ok := sizes[ref.String()]; ok {
				document = s
			}
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", t.Get("id"), t.Get("for.reference"), t.Get("status"), t.Get("priority"), t.Get("owner.reference"), t.Get("restriction.period.end"), t.Get("focus.reference"), document)
	}
	return w.Flush()
}
