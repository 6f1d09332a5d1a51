package rules

import (
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

func standingRules() []Rule {
	const choice = "design choice: the record's own contradictions are named, never smoothed over"
	return []Rule{
		{"deceased", "The patient died", "FHIR R4 Patient.deceased[x]", policy.Seen, func(s *Situation) []Finding {
			if len(s.Dead) == 0 {
				return nil
			}
			return s.find("The patient is recorded as deceased.", s.Dead)
		}},
		{"removed", "The filter came out", "CPT 37193, SNOMED CT 233439000", policy.Seen, func(s *Situation) []Finding {
			if s.Filter.Standing != filter.StandingRemoved {
				return nil
			}
			text := "The filter is recorded as removed " + s.Filter.Removed.String()
			for _, e := range s.Filter.Events {
				if e.Kind == filter.Removal && e.Presumed && !e.Confirmed {
					text += "; presumed from the procedure's code, no outcome is stated"
					break
				}
			}
			return s.find(text + ".")
		}},
		{"partly-removed", "A part of the filter stayed in", "common practice, no source: a retained fragment is followed up", policy.Practice, func(s *Situation) []Finding {
			if s.Filter.Standing != filter.StandingPartly {
				return nil
			}
			return s.find("A removal " + s.Filter.Removed.String() + " left a part of the filter in.")
		}},
		{"standing-unclear", "Whether a filter is in is not clear", choice, policy.Choice, func(s *Situation) []Finding {
			if s.Filter.Standing != filter.StandingUnclear {
				return nil
			}
			return s.find("It is not clear whether the filter is in: " + s.Filter.Why + ".")
		}},
		{"placement-day-unknown", "The day of placement is not known", choice, policy.Choice, func(s *Situation) []Finding {
			if s.Filter.Placed.Known() || s.Filter.Standing == filter.StandingRemoved {
				return nil
			}
			return s.find("A filter is recorded without a day of placement.")
		}},
	}
}
