package workup

import (
	"fmt"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// sample is one invented case.
type sample struct {
	assessment assess.Assessment
	filter     assess.Filter
	referral   draft.Referral
}

func ptr[T any](v T) *T { return &v }

func exactly(day string) assess.Range { return assess.Range{Earliest: &day, Latest: &day} }

func bandOf(opens, opensLast, closes, closesLast string) *assess.Band {
	return &assess.Band{FirstDay: 29, LastDay: 54, Opens: assess.Range{Earliest: &opens, Latest: &opensLast}, Closes: assess.Range{Earliest: &closes, Latest: &closesLast}}
}

// overdue is the everyday case: a filter that is past its purpose and was forgotten.
func overdue() sample {
	placed := exactly("2025-01-10")
	return sample{
		assessment: assess.Assessment{
			AsOf: "2026-05-04", Patient: "Patient/p-1042", Policy: "default-1", Context: "pulled",
			Note:   "Other filters may have been placed elsewhere; only coded data received since 2024-11-01 was read.",
			Person: assess.Person{Name: "Maren Tolliver-Ashgrove", BirthDate: "1958-03-12", Sex: "female"},
		},
		filter: assess.Filter{
			Key: "3f2a91c0-1de4-5c55-9a20-7b4bf0a5e0aa", Standing: "in-place", Placed: &placed,
			Model:         assess.Model{Name: "Linden C1", Design: "conical", Intent: "retrievable", By: "udi"},
			PlannedIntent: "retrieve", DwellDays: &assess.Days{Min: ptr(479), Max: ptr(479)}, Window: "past",
			WindowBand: bandOf("2025-02-08", "2025-02-08", "2025-03-05", "2025-03-05"),
			Indication: "resolved",
			Anticoagulation: assess.Anticoagulation{
				Level: "therapeutic", Agent: ptr("apixaban"), Since: ptr("2025-02-03"),
			},
			Verdict: "refer", Overdue: true, Asked: "none", LookAgainOn: ptr("2026-06-03"),
			Headline: "The bleeding that kept anticoagulation away ended in January 2025, a therapeutic anticoagulant has been prescribed since 2025-02-03, and no retrieval is on record.",
			Findings: []assess.Finding{
				{Rule: "indication.resolved", Text: "A therapeutic anticoagulant has been prescribed since 2025-02-03 with no later bleed on record.", Evidence: []string{"MedicationRequest/mr-77", "Condition/c-12"}, Source: "SIR consensus 2006, conditions b and c", Known: "memory"},
				{Rule: "window.past", Text: "The filter is past the window set by the policy.", Evidence: []string{"Procedure/pr-5"}, Source: "FDA safety communication 2014; decision analysis 2013", Known: "seen"},
				{Rule: "refer.retrievable", Text: "The device is labelled retrievable and a plan to retrieve it is documented.", Evidence: []string{"Device/d-9", "CarePlan/cp-2"}, Source: "SIR multisociety guideline 2020", Known: "second-hand"},
				{Rule: "followup.none", Text: "No retrieval was requested or booked by anyone after the placement.", Evidence: nil, Source: "", Known: "practice"},
			},
			Missing: []assess.Missing{
				{What: "imaging", Text: "No imaging of the filter after placement. Consider it only if a complex retrieval is planned."},
				{What: "weight", Text: "No body weight within 90 days."},
			},
			Events: []assess.Event{
				{When: placed, What: "placement", Text: "Filter placed, infrarenal, right jugular route", Evidence: []string{"Procedure/pr-5", "Device/d-9"}},
				{When: assess.Range{Earliest: ptr("2025-03-01"), Latest: ptr("2025-03-31")}, What: "hint", Text: "Letter mentions a filter “to come out in spring”", Evidence: []string{"DocumentReference/doc-31"}},
			},
		},
		referral: draft.Referral{
			Round: 1, Revision: 2, To: draft.ToClinic, Priority: "asap", DueOn: filter.NewDay(2026, 5, 18),
		},
	}
}

// emergency is a fragment in the heart, with a record that disagrees with itself.
func emergency() sample {
	s := overdue()
	s.assessment.Person = assess.Person{Name: "Jovan Petrović-Łazowski", BirthDate: "1971-11-30", Sex: "male"}
	s.assessment.Patient = "Patient/p-2210"
	f := &s.filter
	f.Key = "9b01d7e2-0000-5000-8000-00000000abcd"
	f.Model = assess.Model{Name: "Quill D2", Design: "double-basket", Intent: "retrievable", By: "name"}
	f.Placed = &assess.Range{Earliest: ptr("2024-06-01"), Latest: ptr("2024-06-30")}
	f.DwellDays = &assess.Days{Min: ptr(673), Max: ptr(702)}
	f.WindowBand = bandOf("2024-06-30", "2024-07-29", "2024-07-25", "2024-08-23")
	f.Findings = append(f.Findings, assess.Finding{Rule: "fracture", Text: "Fracture of the filter with a fragment missing or travelled is recorded.", Evidence: []string{"Condition/c-90"}, Known: "practice", When: ptr(exactly("2026-05-03"))})
	f.Standing, f.Verdict, f.Emergency, f.Overdue = "partly-removed", "urgent", true, true
	f.Headline = "A fragment of the filter is reported in the right ventricle on 2026-05-03."
	f.Anticoagulation = assess.Anticoagulation{Level: "indeterminate", Agent: ptr("warfarin")}
	f.Asked, f.AskedEvidence = "booked", []string{"Appointment/ap-8"}
	f.Contradictions = []assess.Contradiction{
		{Kind: "which", Text: "The placement report names Quill D2; the device entry names Harbour P.", Evidence: []string{"Procedure/pr-81", "Device/d-44"}, Decides: true},
		{Kind: "carrier", Text: "The UDI's check digit does not fit.", Evidence: []string{"Device/d-44"}},
	}
	s.referral = draft.Referral{
		Round: 1, Revision: 1, To: draft.ToClinic, Priority: "stat", DueOn: filter.NewDay(2026, 5, 5),
		BasedOn: []string{"ServiceRequest/sr-3"},
	}
	return s
}

// unclear is a record that does not even settle whether a filter is in.
func unclear() sample {
	s := overdue()
	s.assessment.Person = assess.Person{Name: "山田 花子", Deceased: false}
	s.assessment.Patient = "Patient/p-3001"
	s.assessment.Context = "feeds-only"
	s.assessment.Unread = []assess.Unread{{Resource: "Procedure/pr-90", Path: "performedDateTime", Reason: "not a date; the day was taken as unknown and the event kept"}}
	s.filter = assess.Filter{
		Key: "c0ffee00-0000-5000-8000-000000000001", Standing: "unclear", Verdict: "clarify", Window: "undetermined",
		Indication: "unknown", PlannedIntent: "unknown", Asked: "none",
		Model:           assess.Model{Design: "unknown", Intent: "unknown", By: "none"},
		Anticoagulation: assess.Anticoagulation{Level: "unknown"},
		Headline:        "A procedure with an unreadable date and no status speaks of a filter; nothing confirms it.",
		Missing:         []assess.Missing{{What: "placement-day", Text: "The day of placement."}},
		Events:          []assess.Event{{What: "claim", Text: "Procedure without status", Evidence: []string{"Procedure/pr-90"}}},
	}
	s.referral = draft.Referral{Round: 1, Revision: 1, To: draft.ToCoordinator, Priority: "routine", DueOn: filter.NewDay(2026, 6, 1)}
	return s
}

// crowded has more of everything than a page holds, and a name of 60 letters.
func crowded() sample {
	s := emergency()
	s.assessment.Person.Name = "Wilhelmina Konstantinopolitana Featherstonehaugh-Xanthopouli"
	for i := range 25 {
		s.filter.Findings = append(s.filter.Findings, assess.Finding{
			Rule:     fmt.Sprintf("example.rule-%02d", i),
			Text:     fmt.Sprintf("Invented finding number %02d speaks long enough to need two lines of the column in which it stands.", i),
			Evidence: []string{fmt.Sprintf("Observation/observation-with-a-long-identifier-%02d", i), fmt.Sprintf("Condition/c-%02d", i)},
			Source:   fmt.Sprintf("Invented source %02d", i), Known: "choice",
		})
	}
	for i := range 12 {
		s.filter.Events = append(s.filter.Events, assess.Event{
			When: exactly(fmt.Sprintf("2025-04-%02d", i+1)), What: "attempt",
			Text:     fmt.Sprintf("Attempt %02d, hook not reached, stopped without harm to the patient", i),
			Evidence: []string{fmt.Sprintf("Procedure/attempt-%02d", i)},
		})
	}
	return s
}

// closed is a filter that came out; nothing is asked any more.
func closed() sample {
	s := overdue()
	f := &s.filter
	f.Standing, f.Verdict, f.Overdue, f.LookAgainOn = "removed", "closed", false, nil
	f.Removed = &assess.Range{Earliest: ptr("2026-04-20"), Latest: ptr("2026-04-20")}
	f.DwellDays = &assess.Days{Min: ptr(465), Max: ptr(465)}
	f.Model = assess.Model{Name: "Harbour P", Design: "conical", Intent: "permanent", By: "model-number"}
	f.Headline = "The filter was removed on 2026-04-20."
	f.Findings, f.Missing = nil, nil
	s.referral = draft.Referral{Round: 1, Revision: 3, Reason: draft.Removed, Priority: "urgent"}
	return s
}

// forgotten is a filter of which nothing is on record for nine years.
func forgotten() sample {
	s := overdue()
	f := &s.filter
	placed := exactly("2017-03-14")
	f.Placed, f.DwellDays = &placed, &assess.Days{Min: ptr(3338), Max: ptr(3338)}
	f.WindowBand = bandOf("2017-04-12", "2017-04-12", "2017-05-07", "2017-05-07")
	f.Anticoagulation = assess.Anticoagulation{Level: "none"}
	f.Events = []assess.Event{
		{When: placed, What: "placement", Text: "Filter placed (CPT 37191)", Evidence: []string{"Procedure/pr-5"}},
		{When: exactly("2026-04-02"), What: "sighting", Text: "Seen in place (code of the site)", Evidence: []string{"Observation/ct-1"}},
	}
	return s
}

// tried is a filter at which retrieval failed five times, of a patient who has another.
func tried() sample {
	s := overdue()
	f := &s.filter
	for i, day := range []string{"2025-03-20", "2025-04-02", "2025-04-03", "2025-11-05", "2026-02-17"} {
		f.Events = append(f.Events, assess.Event{When: exactly(day), What: "attempt", Text: "Retrieval tried, filter stayed in (status stopped)", Evidence: []string{fmt.Sprintf("Procedure/try-%d", i)}})
	}
	f.Events = append(f.Events,
		assess.Event{When: exactly("2025-04-03"), What: "repositioning", Text: "Filter repositioned (CPT 37192)", Evidence: []string{"Procedure/rp"}},
		assess.Event{What: "device", Text: "Recorded as in place (Device status active)", Evidence: []string{"Device/d-9"}})
	f.Anticoagulation.Level, f.Anticoagulation.Since = "reduced", nil
	f.Courses = []assess.Course{
		{Agent: "enoxaparin", Level: "prophylactic", Start: exactly("2025-01-12"), End: exactly("2025-02-02"), Evidence: []string{"MedicationRequest/m1"}},
		{Agent: "apixaban", Level: "reduced", Start: exactly("2025-08-03"), Runs: true, Evidence: []string{"MedicationRequest/m2"}},
	}
	f.Background = []assess.Happening{
		{When: exactly("2025-01-06"), What: "reason", Text: "Placed for: deep vein thrombosis, left (ICD-10-CM I82.422)", Evidence: []string{"Condition/c1"}},
		{When: exactly("2026-02-20"), What: "imaging", Text: "CT of the abdomen, Alder Bay General", Evidence: []string{"DiagnosticReport/ct"}},
	}
	f.PlacedFor = "Deep vein thrombosis, left (ICD-10-CM I82.422), 2025-01-06"
	s.assessment.Filters = []assess.Filter{*f, overdue().filter}
	return s
}

// yearOnly is a filter of which only the year of placement is known, and a course that began two years later.
func yearOnly() sample {
	s := overdue()
	f := &s.filter
	f.Placed = &assess.Range{Earliest: ptr("2022-01-01"), Latest: ptr("2022-12-31")}
	f.DwellDays = &assess.Days{Min: ptr(1220), Max: ptr(1584)}
	f.WindowBand = bandOf("2022-01-30", "2023-01-29", "2022-02-24", "2023-02-23")
	f.Anticoagulation.Since = ptr("2024-08-15")
	f.Events = []assess.Event{
		{When: *f.Placed, What: "placement", Text: "Filter placed (SNOMED CT 233494009)", Evidence: []string{"Procedure/pr-5"}},
		{When: assess.Range{Latest: ptr("2023-05-02")}, What: "claim", Text: "Placement recorded, not as done (status unknown)", Evidence: []string{"Procedure/pr-6"}},
		{When: assess.Range{Earliest: ptr("2025-06-01")}, What: "hint", Text: "Hint that it is out (device inactive)", Evidence: []string{"Device/d-1"}},
	}
	return s
}
