// Package policy holds every threshold of the assessment with its unit, bounds, source and how the source is known.
// It is data: types, defaults and checks. It must never read a file or a clock.
package policy

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Policy is one set of thresholds. Days are whole calendar days of the facility; weeks and months are said where meant.
type Policy struct {
	Name                 string
	WindowFirst          int // first dwell day of the retrieval window
	WindowLast           int // last dwell day of the retrieval window
	LookAgainDays        int // for wait, review, clarify without a day of their own
	LookAgainKeepDays    int // for keep
	SamePlacementDays    int // placements (and retrievals) this close are one
	MaybeSameDays        int // placements this close with nothing to tell them apart are a contradiction
	IndexVTEBeforeDays   int // onset this many days before placement still makes the index event
	IndexVTEAfterDays    int // and this many after
	NewVTEAfterDays      int // onset more than this many days after placement can be a new event
	AcuteVTEMonths       int // a VTE is acute for this many calendar months
	TherapeuticDays      int // therapeutic this long: resolved
	TherapeuticSomeDays  int // therapeutic this long: likely resolved
	CourseMonths         int // a finished course this long: resolved
	CoverGapDays         int // days without cover that do not break a course
	ProphylacticRiskDays int // a risk event this many days ago has ended
	BleedActiveDays      int // a bleed code older than this is "ending unknown"
	HaemoglobinFall      int // g/dL; a fall this large keeps an old bleed active
	HaemoglobinFallDays  int // within this many days
	PlateletLimit        int // 10^9/L; below it thrombocytopenia contraindicates
	PlateletDays         int // how old that count may be
	SurgeryDays          int // surgery planned within this many days counts
	RequestDays          int // a request for the retrieval without an appointment counts for this long
	RefillDays           int // an outpatient order without refill for longer is unknown
	LMWHBandPercent      int // half width of the band around the labelled dose
	WeightDays           int // how old a weight may be
	INRDays              int // how old an INR may be
	ReducedMonths        int // a reduced dose is one only this long after the VTE
	ComplicationDays     int // onset at most this many days ago is current
	FirstHeardDays       int // or first heard of at most this many days ago
	DueUrgentEmergency   int // due days by priority
	DueUrgent            int
	DueOverdue           int
	DueRoutine           int
	EraseDays            int // a person without evidence is erased after this many days
	QuarantineDays       int
	HoldDays             int // an entry that names a device which is not here is forgotten after this many days
}

// Default is the policy that ships. Sources stand in Thresholds.
func Default() Policy {
	return Policy{
		Name: "default@1", WindowFirst: 29, WindowLast: 54, LookAgainDays: 30, LookAgainKeepDays: 365,
		SamePlacementDays: 3, MaybeSameDays: 30, IndexVTEBeforeDays: 30, IndexVTEAfterDays: 7, NewVTEAfterDays: 14,
		AcuteVTEMonths: 3, TherapeuticDays: 21, TherapeuticSomeDays: 14, CourseMonths: 3, CoverGapDays: 3,
		ProphylacticRiskDays: 90, BleedActiveDays: 90, HaemoglobinFall: 2, HaemoglobinFallDays: 30, PlateletLimit: 50, PlateletDays: 30, SurgeryDays: 90, RequestDays: 180, RefillDays: 365,
		LMWHBandPercent: 15, WeightDays: 90, INRDays: 42, ReducedMonths: 6, ComplicationDays: 90, FirstHeardDays: 30,
		DueUrgentEmergency: 1, DueUrgent: 3, DueOverdue: 14, DueRoutine: 28, EraseDays: 30, QuarantineDays: 30, HoldDays: 30,
	}
}

// How says how a source is known.
type How string

const (
	Seen       How = "seen"        // read in a stored copy of the source
	SecondHand How = "second-hand" // read in a transcription or summary
	Memory     How = "memory"      // from general knowledge, not confirmed
	Choice     How = "choice"      // a design choice, no source
	Practice   How = "practice"    // common practice, no source
)

// Threshold describes one number of the policy.
type Threshold struct {
	Key      string
	Unit     string
	Value    int
	Min, Max int
	Source   string
	Known    How
}

// Thresholds lists every number of p with its unit, bounds and source, in a fixed order.
func (p Policy) Thresholds() []Threshold {
	const window = "FDA safety communication, 6 May 2014; Morales et al., J Vasc Surg Venous Lymphat Disord 2013 (patients without PE, transient risk passed)"
	const sir2006 = "SIR consensus on discontinuing filtration, Kaufman et al., JVIR 2006;17:449-459"
	const chest = "CHEST guideline on VTE, 2nd update 2021: treatment phase 3 months"
	return []Threshold{
		{"window_days.first", "days", p.WindowFirst, 1, 365, window, SecondHand},
		{"window_days.last", "days", p.WindowLast, 1, 3650, window, SecondHand},
		{"look_again_days", "days", p.LookAgainDays, 1, 365, "", Choice},
		{"look_again_keep_days", "days", p.LookAgainKeepDays, 1, 1095, "", Choice},
		{"same_placement_days", "days", p.SamePlacementDays, 0, 14, "", Choice},
		{"maybe_same_days", "days", p.MaybeSameDays, 0, 365, "", Choice},
		{"index_vte_before_days", "days", p.IndexVTEBeforeDays, 0, 365, "", Practice},
		{"index_vte_after_days", "days", p.IndexVTEAfterDays, 0, 60, "", Practice},
		{"new_vte_after_days", "days", p.NewVTEAfterDays, 0, 90, "", Practice},
		{"acute_vte_months", "months", p.AcuteVTEMonths, 1, 12, chest, SecondHand},
		{"therapeutic_days", "days", p.TherapeuticDays, 1, 365, sir2006 + ": 2-3 weeks tolerated before removal", Memory},
		{"therapeutic_some_days", "days", p.TherapeuticSomeDays, 1, 365, sir2006 + ": 2-3 weeks tolerated before removal", Memory},
		{"course_months", "months", p.CourseMonths, 1, 24, chest, SecondHand},
		{"cover_gap_days", "days", p.CoverGapDays, 0, 30, "", Choice},
		{"prophylactic_risk_days", "days", p.ProphylacticRiskDays, 1, 365, "", Practice},
		{"bleed_active_days", "days", p.BleedActiveDays, 1, 365, "", Practice},
		{"haemoglobin_fall", "g/dL", p.HaemoglobinFall, 1, 10, "ISTH definition of major bleeding, Schulman and Kearon, J Thromb Haemost 2005;3:692-694: a fall of 2 g/dL", Memory},
		{"haemoglobin_fall_days", "days", p.HaemoglobinFallDays, 1, 365, "", Choice},
		{"platelet_limit", "10^9/L", p.PlateletLimit, 1, 150, "US payer guideline CG-SURG-59 (2023): severe below 50,000", Seen},
		{"platelet_days", "days", p.PlateletDays, 1, 365, "", Choice},
		{"surgery_days", "days", p.SurgeryDays, 1, 365, "", Choice},
		{"request_days", "days", p.RequestDays, 14, 1095, "", Choice},
		{"refill_days", "days", p.RefillDays, 30, 1095, "", Choice},
		{"lmwh_band", "percent", p.LMWHBandPercent, 1, 50, "", Choice},
		{"weight_days", "days", p.WeightDays, 1, 1095, "", Choice},
		{"inr_days", "days", p.INRDays, 1, 365, "", Practice},
		{"reduced_months", "months", p.ReducedMonths, 3, 24, "CHEST guideline on VTE, 2nd update 2021: reduced dose for extended phase", SecondHand},
		{"complication_days", "days", p.ComplicationDays, 1, 3650, "", Choice},
		{"first_heard_days", "days", p.FirstHeardDays, 1, 365, "", Choice},
		{"due_days.emergency", "days", p.DueUrgentEmergency, 0, 7, "", Choice},
		{"due_days.urgent", "days", p.DueUrgent, 0, 14, "", Choice},
		{"due_days.overdue", "days", p.DueOverdue, 1, 90, "", Choice},
		{"due_days.routine", "days", p.DueRoutine, 1, 180, "", Choice},
		{"erase_days", "days", p.EraseDays, 0, 365, "", Choice},
		{"quarantine_days", "days", p.QuarantineDays, 1, 365, "", Choice},
		{"hold_days", "days", p.HoldDays, 1, 90, "", Choice},
	}
}

// Check refuses values out of bounds; the error names every key that is.
func (p Policy) Check() error {
	var errs []error
	for _, t := range p.Thresholds() {
		if t.Value < t.Min || t.Value > t.Max {
			errs = append(errs, fmt.Errorf("%s: %d %s is outside %d to %d", t.Key, t.Value, t.Unit, t.Min, t.Max))
		}
	}
	if p.WindowFirst > p.WindowLast {
		errs = append(errs, errors.New("window_days: the first day lies after the last"))
	}
	return errors.Join(errs...)
}

// Digest writes the policy as one text that changes exactly when a value does.
func (p Policy) Digest() string {
	lines := []string{p.Name}
	for _, t := range p.Thresholds() {
		lines = append(lines, fmt.Sprintf("%s=%d", t.Key, t.Value))
	}
	slices.Sort(lines[1:])
	return strings.Join(lines, "\n")
}
