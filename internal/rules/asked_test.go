package rules_test

import (
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// TestAskedForWhat: a request counts until it is carried out, in part or in vain too, at this filter or, where it does not say
// which, at another; a booking without a day counts for request_days from the day it was made. Days counted on a calendar.
func TestAskedForWhat(t *testing.T) {
	t.Parallel()
	request := rules.Order{Made: on(t, "2026-01-10"), For: filter.Unknown(), Evidence: []filter.Ref{"ServiceRequest/r"}}
	of := func(refs ...filter.Ref) rules.Order { o := request; o.Of = refs; return o }
	booked := func(made, slot filter.Span) rules.Order {
		return rules.Order{Booked: true, Made: made, For: slot, Evidence: []filter.Ref{"Appointment/a"}}
	}
	event := func(kind filter.Kind, when filter.Span) []filter.Event {
		return []filter.Event{{Kind: kind, When: when, Evidence: []filter.Ref{"Procedure/later"}}}
	}
	other := func(tried ...filter.Span) []rules.Neighbour {
		return []rules.Neighbour{{Own: []filter.Ref{"Device/other"}, Tried: tried}}
	}
	for _, c := range []struct {
		name       string
		order      rules.Order
		events     []filter.Event
		neighbours []rules.Neighbour
		asOf, want string
	}{
		{"nothing since", request, nil, nil, "2026-03-01", "requested"},
		{"an attempt since", request, event(filter.Attempt, on(t, "2026-01-20")), nil, "2026-03-01", "none"},
		{"a retrieval in part since", request, event(filter.PartialRemoval, on(t, "2026-01-20")), nil, "2026-03-01", "none"},
		{"a retrieval in part before", request, event(filter.PartialRemoval, on(t, "2026-01-09")), nil, "2026-03-01", "requested"},
		{"a retrieval in part, perhaps before", request, event(filter.PartialRemoval, span(t, "2026-01-01", "2026-01-31")), nil, "2026-03-01", "requested"},
		{"the other filter retrieved since", request, nil, other(on(t, "2026-01-20")), "2026-03-01", "none"},
		{"the other filter retrieved before", request, nil, other(on(t, "2026-01-09")), "2026-03-01", "requested"},
		{"the other filter not retrieved", request, nil, other(), "2026-03-01", "requested"},
		{"it names this filter", of("Device/this"), nil, other(on(t, "2026-01-20")), "2026-03-01", "requested"},
		{"it names both", of("Device/this", "Device/other"), nil, other(on(t, "2026-01-20")), "2026-03-01", "requested"},
		{"it names the other filter", of("Device/other"), nil, other(), "2026-03-01", "none"},
		{"it names something else", of("Condition/clot"), nil, other(), "2026-03-01", "requested"},
		{"booked without a day, day 59", booked(on(t, "2026-01-10"), filter.Unknown()), nil, nil, "2026-03-10", "booked"},
		{"booked without a day, day 60", booked(on(t, "2026-01-10"), filter.Unknown()), nil, nil, "2026-03-11", "booked"},
		{"booked without a day, day 61", booked(on(t, "2026-01-10"), filter.Unknown()), nil, nil, "2026-03-12", "none"},
		{"booked on no day and made on none", booked(filter.Unknown(), filter.Unknown()), nil, nil, "2026-03-01", "none"},
		{"booked long ago for a day to come", booked(on(t, "2025-10-10"), on(t, "2026-03-01")), nil, nil, "2026-03-01", "booked"},
		{"the booked day has gone by", booked(on(t, "2026-01-10"), on(t, "2026-02-28")), nil, nil, "2026-03-01", "none"},
	} {
		f := placedFilter(on(t, "2025-10-01"))
		f.Own, f.Events = []filter.Ref{"Device/this"}, c.events
		j := judge(f, rules.Facts{Orders: []rules.Order{c.order}, Neighbours: c.neighbours}, day(t, c.asOf))
		if got := j.Situation.Asked.State; got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// TestLookAgainDays: the day to look again is 30 days after asOf, and 365 where the filter is meant to stay.
func TestLookAgainDays(t *testing.T) {
	t.Parallel()
	asOf := day(t, "2026-03-01")
	for _, c := range []struct {
		name    string
		change  func(*filter.Filter)
		verdict rules.Verdict
		want    string
	}{
		{"review", func(*filter.Filter) {}, rules.Review, "2026-03-31"},
		{"clarify", func(f *filter.Filter) { f.Placed = filter.Unknown() }, rules.Clarify, "2026-03-31"},
		{"wait", func(f *filter.Filter) { f.Placed = on(t, "2026-02-20") }, rules.Wait, "2026-03-31"},
		{"keep", func(f *filter.Filter) { f.Model = filter.Model{Name: "Example P", Intent: "permanent", By: "udi"} }, rules.Keep, "2027-03-01"},
	} {
		f := placedFilter(on(t, "2025-10-01"))
		c.change(&f)
		j := judge(f, rules.Facts{}, asOf)
		if j.Verdict != c.verdict || j.LookAgain != day(t, c.want) {
			t.Errorf("%s: %s, look again on %s, want %s on %s", c.name, j.Verdict, j.LookAgain, c.verdict, c.want)
		}
	}
}

// TestHaemoglobinFallDays: the fall must lie within 30 days, and its lower value may be 30 days old; for a filter that is to
// stay and for an old bleed alike. Days counted on a calendar.
func TestHaemoglobinFallDays(t *testing.T) {
	t.Parallel()
	hb := func(id string, value float64, day string) rules.Lab {
		return rules.Lab{What: "haemoglobin", Value: value, Day: on(t, day), Evidence: []filter.Ref{"Observation/" + id}}
	}
	for _, c := range []struct {
		name            string
		high, low, asOf string
		want            bool
	}{
		{"over 29 days", "2026-01-01", "2026-01-30", "2026-02-01", true},
		{"over 30 days", "2026-01-01", "2026-01-31", "2026-02-01", true},
		{"over 31 days", "2026-01-01", "2026-02-01", "2026-02-01", false},
		{"29 days ago", "2026-01-05", "2026-01-10", "2026-02-08", true},
		{"30 days ago", "2026-01-05", "2026-01-10", "2026-02-09", true},
		{"31 days ago", "2026-01-05", "2026-01-10", "2026-02-10", false},
	} {
		facts := rules.Facts{Labs: []rules.Lab{hb("high", 12, c.high), hb("low", 10, c.low)}}
		if got := len(judge(placedFilter(on(t, "2025-10-01")), facts, day(t, c.asOf)).Situation.HaemoglobinFall) > 0; got != c.want {
			t.Errorf("%s: a fall is %v, want %v", c.name, got, c.want)
		}
	}
	// An old bleed lives on by a fall within 30 days, no matter that the low value is older than that.
	bleed := rules.Diagnosis{Class: rules.Bleed, Onset: on(t, "2025-09-01"), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/bleed"}}
	clot := rules.Diagnosis{Class: rules.DVT, Acute: true, Onset: on(t, "2026-01-01"), Recorded: filter.Unknown(), Ended: filter.Unknown(), Evidence: []filter.Ref{"Condition/clot"}}
	for low, want := range map[string]rules.Status{"2026-01-30": rules.StillIndicated, "2026-01-31": rules.StillIndicated, "2026-02-01": rules.StatusUnknown} {
		facts := rules.Facts{Diagnoses: []rules.Diagnosis{bleed, clot}, Labs: []rules.Lab{hb("high", 12, "2026-01-01"), hb("low", 10, low)}}
		if got := judge(placedFilter(on(t, "2026-01-02")), facts, day(t, "2026-03-10")).Situation.Indication.Status; got != want {
			t.Errorf("an old bleed and a fall from 1 January to %s: %s, want %s", low, got, want)
		}
	}
	if p := policy.Default(); p.HaemoglobinFallDays == p.BleedActiveDays {
		t.Error("the two limits cannot be told apart")
	}
}
