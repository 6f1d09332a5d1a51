package desk

import (
	"context"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/entry"
)

// What can be corrected.
const (
	FactPlacementDay = "placement-day"
	FactModel        = "model"
	FactStopped      = "anticoagulant-stopped"
	FactWrong        = "entry-wrong"
	FactNoFilter     = "no-filter"
)

// Fact is a fact as people say it holds. Which members count depends on What.
type Fact struct {
	What  string
	Day   string
	Model string
	Entry string // as evidence names it
}

// Correct puts right what the record says. It never changes the record: the correction is an entry of its own that is read in the
// place of what it answers.
func (d Desk) Correct(ctx context.Context, f Form, fact Fact) error {
	return d.with(ctx, f, func(w work) error { return w.correct(ctx, fact) })
}

func (w work) correct(ctx context.Context, fact Fact) error {
	if err := w.open(); err != nil {
		return err
	}
	if w.form.Why == "" {
		return refuse("Say how you know.")
	}
	var list []fhir.Resource
	var err error
	switch fact.What {
	case FactPlacementDay:
		list, err = w.placementDay(fact.Day)
	case FactModel:
		list, err = w.model(fact.Model)
	case FactStopped:
		list, err = w.stopped(fact.Entry, fact.Day)
	case FactWrong:
		at := slices.IndexFunc(w.view.May.Entries, func(c Choice) bool { return c.Ref == fact.Entry })
		switch {
		case at < 0:
			return refuse("Choose the entry that does not hold.")
		case w.view.May.Entries[at].Decides && !w.form.By.Clinician:
			return refuse("A complication or an anticoagulant stands on this entry: a clinician calls it wrong.")
		}
		list, err = w.correction(fact.Entry).Wrong()
	case FactNoFilter:
		if !w.form.By.Clinician {
			return refuse("A clinician says that there is no such filter.")
		}
		list, err = w.correction(w.own()...).NoFilter()
	default:
		return refuse("Choose what is to be corrected.")
	}
	return w.keep(ctx, "correction", list, err)
}

func (w work) placementDay(day string) ([]fhir.Resource, error) {
	if why := w.pastDay(day); why != "" {
		return nil, refuse(why)
	}
	placements := w.placements()
	original := entry.Original{}
	for _, ref := range placements {
		if o, ok := w.d.original(w.view, ref); ok && o.Type == "Procedure" {
			original = o
			break
		}
	}
	return w.correction(placements...).PlacementDay(original, day)
}

func (w work) model(name string) ([]fhir.Resource, error) {
	if !slices.Contains(w.view.May.Models, name) {
		return nil, refuse("Choose a model of the device catalogue.")
	}
	for _, e := range w.view.Entries {
		if e.kind == "Device" && slices.Contains(w.own(), e.Ref) {
			o, _ := w.d.original(w.view, e.Ref)
			return w.correction(e.Ref).Model(o, name)
		}
	}
	placements := w.placements()
	original := entry.Original{}
	for _, ref := range placements {
		if o, ok := w.d.original(w.view, ref); ok && o.Type == "Procedure" {
			original = o
			break
		}
	}
	return w.correction(placements...).Model(original, name)
}

func (w work) stopped(ref, day string) ([]fhir.Resource, error) {
	if !slices.ContainsFunc(w.view.May.Orders, func(c Choice) bool { return c.Ref == ref }) {
		return nil, refuse("Choose the anticoagulant.")
	}
	if why := w.pastDay(day); why != "" {
		return nil, refuse(why)
	}
	o, _ := w.d.original(w.view, ref)
	return w.correction(ref).Stopped(o, day)
}

// placements lists the entries that tell of the filter's placement, but not the device itself.
func (w work) placements() []string {
	var out []string
	for _, e := range w.view.Filter.Events {
		if e.What != "placement" && e.What != "claim" {
			continue
		}
		for _, ref := range e.Evidence {
			ref, _, _ = strings.Cut(ref, "#")
			at := slices.IndexFunc(w.view.Entries, func(x Entry) bool { return x.Ref == ref && (x.kind == "Procedure" || x.kind == "DeviceUseStatement") })
			if at >= 0 && !slices.Contains(out, ref) {
				out = append(out, ref)
			}
		}
	}
	return out
}
