package rules_test

import (
	"slices"
	"strings"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// dvt is a thrombosis of the leg that an entry of its own tells of.
func dvt(name string, onset, recorded filter.Span) rules.Diagnosis {
	return rules.Diagnosis{Class: rules.DVT, Label: "ICD-10-CM I82.412", Onset: onset, Recorded: recorded, Ended: filter.Unknown(), Acute: true, Evidence: []filter.Ref{name}}
}

// TestAReasonIsAnEvent: what the placement's reason names by code is the event it was for, once, and acute for as long as it may be. An
// entry of the same kind that can be the same event tells it instead.
func TestAReasonIsAnEvent(t *testing.T) {
	t.Parallel()
	coded := rules.Reason{Of: "Procedure/in", VTE: rules.DVT, Label: "ICD-10-CM I82.412", Evidence: []filter.Ref{"Procedure/in"}}
	referred := rules.Reason{Of: "Procedure/in", Condition: "Condition/a", Evidence: []filter.Ref{"Procedure/in", "Condition/a"}}
	unknown := filter.Unknown()
	const byReason = "between 2026-01-02 and 2026-02-01 as the placement's reason, with no day of its own on record"
	pe := dvt("Condition/a", on(t, "2026-02-05"), unknown)
	pe.Class, pe.Label = rules.PE, "ICD-10-CM I26.99"
	for name, c := range map[string]struct {
		reasons    []rules.Reason
		diagnoses  []rules.Diagnosis
		placedFor  string // ends so
		events     int    // listed in all
		acuteUntil string // the first day on which none is acute
	}{
		"by code alone":              {[]rules.Reason{coded}, nil, byReason, 1, "2026-05-01"},
		"by two codes of one kind":   {[]rules.Reason{coded, coded}, nil, byReason, 1, "2026-05-01"},
		"with an onset":              {[]rules.Reason{coded}, []rules.Diagnosis{dvt("Condition/a", on(t, "2026-01-20"), unknown)}, ", 2026-01-20", 1, "2026-04-20"},
		"recorded a week later":      {[]rules.Reason{coded}, []rules.Diagnosis{dvt("Condition/a", unknown, on(t, "2026-02-08"))}, ", 2026-02-08", 1, "2026-05-08"},
		"one of years before":        {[]rules.Reason{coded}, []rules.Diagnosis{dvt("Condition/a", on(t, "2019-05-01"), unknown)}, byReason, 2, "2026-05-01"},
		"one of two months later":    {[]rules.Reason{coded}, []rules.Diagnosis{dvt("Condition/a", on(t, "2026-04-01"), unknown)}, byReason, 2, "2026-07-01"},
		"an embolism days later":     {[]rules.Reason{coded}, []rules.Diagnosis{pe}, byReason, 2, "2026-05-05"},
		"referred to, two months":    {[]rules.Reason{coded, referred}, []rules.Diagnosis{dvt("Condition/a", on(t, "2025-12-01"), unknown)}, ", 2025-12-01", 1, "2026-03-01"},
		"referred to, no day at all": {[]rules.Reason{coded, referred}, []rules.Diagnosis{dvt("Condition/a", unknown, unknown)}, byReason, 1, "2026-05-01"},
	} {
		facts := rules.Facts{Reasons: c.reasons, Diagnoses: c.diagnoses}
		f := placedFilter(on(t, "2026-02-01"))
		until := day(t, c.acuteUntil)
		s := judge(f, facts, until-1).Situation
		if got := s.PlacedFor(); !strings.HasSuffix(got, c.placedFor) {
			t.Errorf("%s: placed for %q", name, got)
		}
		if got := len(s.Background()); got != c.events {
			t.Errorf("%s: %d events: %+v", name, got, s.Background())
		}
		if acute, to := s.AcuteVTEs(); len(acute) == 0 || to != until || len(s.UntreatedVTE) == 0 {
			t.Errorf("%s: acute until %s: %v", name, to, acute)
		}
		after := judge(f, facts, until)
		if acute, _ := after.Situation.AcuteVTEs(); len(acute) > 0 || len(after.Situation.UntreatedVTE) > 0 {
			t.Errorf("%s: still acute on %s: %v", name, until, acute)
		}
		if slices.ContainsFunc(after.Missing, func(m rules.Missing) bool { return m.What == "indication" }) {
			t.Errorf("%s: why it was placed is said to be missing", name)
		}
	}
}

// TestAReasonIsNoNewEvent: an embolism that only the reason tells of is never one with the filter in place, however little is known of the
// day of placement.
func TestAReasonIsNoNewEvent(t *testing.T) {
	t.Parallel()
	facts := rules.Facts{Reasons: []rules.Reason{{Of: "Procedure/in", VTE: rules.PE, Label: "ICD-10-CM I26.99", Evidence: []filter.Ref{"Procedure/in"}}}}
	for _, placed := range []filter.Span{on(t, "2026-02-01"), span(t, "2026-01-01", "2026-12-31"), filter.Unknown()} {
		j := judge(placedFilter(placed), facts, day(t, "2026-03-01"))
		if len(j.Situation.Complications) > 0 || !j.Situation.Indication.IndexPE {
			t.Errorf("placed %s: %+v, index %+v", placed, j.Situation.Complications, j.Situation.Indication)
		}
	}
}

// TestWhichReasonIsTheIndex: of an embolism and a thrombosis that the placement names, the embolism is the index where the day of one is
// not its own; an event that the placement does not name comes after those that it does.
func TestWhichReasonIsTheIndex(t *testing.T) {
	t.Parallel()
	reason := func(class rules.Class) rules.Reason {
		return rules.Reason{Of: "Procedure/in", VTE: class, Label: "code", Evidence: []filter.Ref{"Procedure/in"}}
	}
	after := on(t, "2026-02-04")
	leg, lung := dvt("Condition/leg", after, filter.Unknown()), dvt("Condition/lung", after, filter.Unknown())
	lung.Class = rules.PE
	for name, c := range map[string]struct {
		reasons   []rules.Reason
		diagnoses []rules.Diagnosis
		pe        bool
	}{
		"both by code":                     {[]rules.Reason{reason(rules.DVT), reason(rules.PE)}, nil, true},
		"both, the thrombosis told":        {[]rules.Reason{reason(rules.DVT), reason(rules.PE)}, []rules.Diagnosis{leg}, true},
		"both, the embolism told":          {[]rules.Reason{reason(rules.DVT), reason(rules.PE)}, []rules.Diagnosis{lung}, true},
		"a thrombosis, an embolism told":   {[]rules.Reason{reason(rules.DVT)}, []rules.Diagnosis{lung}, false},
		"an embolism, a thrombosis told":   {[]rules.Reason{reason(rules.PE)}, []rules.Diagnosis{leg}, true},
		"a thrombosis, told, and a lung's": {[]rules.Reason{reason(rules.DVT)}, []rules.Diagnosis{leg, lung}, false},
	} {
		i := judge(placedFilter(on(t, "2026-02-01")), rules.Facts{Reasons: c.reasons, Diagnoses: c.diagnoses}, day(t, "2026-03-01")).Situation.Indication
		if !i.IndexKnown || i.IndexPE != c.pe {
			t.Errorf("%s: known %v, embolism %v", name, i.IndexKnown, i.IndexPE)
		}
	}
}
