package compose_test

import (
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

const (
	testKey          = "6f1c0a52-5a0e-5f3b-9a0e-0d7f6f0f6c11"
	testInstallation = "0b7a9c1e-52a4-4b0e-8a35-90f6a1f1d001"
	personName       = "Testperson Example"
)

var (
	zone = time.FixedZone("facility", 2*60*60)
	now  = time.Date(2026, 3, 1, 9, 30, 0, 0, zone)
)

func text(s string) *string { return &s }

// referralFor is a document of the given verdict; its filter has all that a filter can have.
func referralFor(verdict string) compose.Document {
	d := compose.Document{
		Assessment: assess.Assessment{AsOf: "2026-03-01", Patient: "Patient/p1", Person: assess.Person{Name: personName},
			Filters: []assess.Filter{{
				Key: testKey, Standing: "in-place", Placed: &assess.Range{Earliest: text("2025-05-01"), Latest: text("2025-05-31")},
				Verdict: verdict, Headline: "Placed in May 2025; the reason for it has ended on 2025-09-01.",
				Focus: "Device/dev1",
				Evidence: []string{"Procedure/pl1", "Device/dev1", "Condition/c1", "https://other.example/fhir/Procedure/x9",
					"Device/dev1"},
			}}},
		Referral: draft.Referral{Key: testKey, Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine",
			OpenedOn: filter.NewDay(2026, 3, 1), DueOn: filter.NewDay(2026, 3, 29), BasedOn: []string{"ServiceRequest/s1"}},
	}
	switch verdict {
	case "urgent":
		d.Referral.Priority = "urgent"
	case "clarify":
		d.Referral.To = draft.ToCoordinator
	}
	return d
}

// bare is a document of a filter of which little is known.
func bare() compose.Document {
	d := referralFor("clarify")
	f := &d.Assessment.Filters[0]
	f.Placed, f.Focus, f.Evidence = nil, "", nil
	d.Referral.BasedOn = []string{}
	d.Referral.DueOn = filter.MaxDay
	return d
}

func plainSite() compose.Site { return compose.Site{Installation: testInstallation} }

func fullSite() compose.Site {
	return compose.Site{Installation: testInstallation, Version: "1.2.3", ClinicOwner: "Organization/clinic",
		CoordinatorOwner: "PractitionerRole/coord", Custodian: "Organization/hospital", Language: "en-GB"}
}

const (
	wantTaskInstance     = "ea0ef1a3-2a01-52fa-9de9-61100744d0e9"
	wantDocumentInstance = "7316ecca-a24b-5125-96f5-8fbacc54d6da"
)
