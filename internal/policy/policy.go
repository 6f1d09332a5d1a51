// Package policy holds every threshold of the assessment with its unit, bounds, source and how the source is known.
// It is data: types, defaults and checks. It must never read a file or a clock.
package policy

import (
	"errors"
	"fmt"
	"maps"
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
	CreatinineDays       int // how old a creatinine may be
	INRDays              int // how old an INR may be
	ReducedMonths        int // a reduced dose is one only this long after the VTE
	ComplicationDays     int // onset at most this many days ago is current
	FirstHeardDays       int // or first heard of at most this many days ago
	DueUrgentEmergency   int // due days by priority
	DueUrgent            int
	DueOverdue           int
	DueRoutine           int
	UnansweredDays       int // past its due day a draft that nobody took up is raised, once
	EndedDays            int // after people ended a Task with the filter still in it is asked again
	DeclinedDays         int // after people declined a Task without a day of return it is asked again
	EraseDays            int // a person without evidence is erased after this many days
	QuarantineDays       int
	HoldDays             int // an entry that names a device which is not here is forgotten after this many days
	CardQuietDays        int // a clinician who opens a chart is shown a card about a filter once in so many days; an emergency at every call

	// What follows is of the plan for a retrieval; it never changes a verdict.
	DwellLongMonths     int // past so many months a retrieval is more often difficult
	DwellVeryLongMonths int // past so many months the standard technique often fails
	TiltDegrees         int // from this tilt on a retrieval is more often difficult
	TiltSteepDegrees    int // above this tilt advanced technique is likely
	ThrombusPercent     int // above this share of the filter the removal is put off
	INRLowPass          int // tenths; an uncomplicated removal: up to here it passes
	INRLowCorrect       int // tenths; above it is corrected; between, the operator decides
	INRHighPass         int // tenths; a complex removal
	INRHighCorrect      int // tenths
	PlateletsLow        int // 10^9/L; below it platelets are given, an uncomplicated removal
	PlateletsHigh       int // 10^9/L; a complex removal
	FiltrationLow       int // mL/min/1.73 m²; below it contrast is a high risk
	FiltrationWatch     int // mL/min/1.73 m²; below it single patients are at risk
}

// Default is the policy that ships. Sources stand in Thresholds.
func Default() Policy {
	return Policy{
		Name: "default@1", WindowFirst: 29, WindowLast: 54, LookAgainDays: 30, LookAgainKeepDays: 365,
		SamePlacementDays: 3, MaybeSameDays: 30, IndexVTEBeforeDays: 30, IndexVTEAfterDays: 7, NewVTEAfterDays: 14,
		AcuteVTEMonths: 3, TherapeuticDays: 21, TherapeuticSomeDays: 14, CourseMonths: 3, CoverGapDays: 3,
		ProphylacticRiskDays: 90, BleedActiveDays: 90, HaemoglobinFall: 2, HaemoglobinFallDays: 30, PlateletLimit: 50, PlateletDays: 30, SurgeryDays: 90, RequestDays: 60, RefillDays: 365,
		LMWHBandPercent: 15, WeightDays: 90, CreatinineDays: 90, INRDays: 42, ReducedMonths: 6, ComplicationDays: 90, FirstHeardDays: 30,
		DueUrgentEmergency: 1, DueUrgent: 3, DueOverdue: 14, DueRoutine: 28, UnansweredDays: 7, EndedDays: 30, DeclinedDays: 90, EraseDays: 30, QuarantineDays: 30, HoldDays: 30, CardQuietDays: 30,
		DwellLongMonths: 6, DwellVeryLongMonths: 7, TiltDegrees: 5, TiltSteepDegrees: 15, ThrombusPercent: 25,
		INRLowPass: 20, INRLowCorrect: 30, INRHighPass: 15, INRHighCorrect: 18, PlateletsLow: 20, PlateletsHigh: 50, FiltrationLow: 30, FiltrationWatch: 45,
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
	Site       How = "site"        // set by the site's policy
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

// entry is one number of a policy: where it stands and what is known of it.
type entry struct {
	value     *int
	threshold Threshold
}

// Thresholds lists every number of p with its unit, bounds and source, in a fixed order. A number that is not the shipped one is
// the site's: the shipped one's source does not speak for it.
func (p Policy) Thresholds() []Threshold {
	shipped := Default()
	defaults := shipped.table()
	var out []Threshold
	for i, e := range p.table() {
		e.threshold.Value = *e.value
		if *e.value != *defaults[i].value {
			e.threshold.Known, e.threshold.Source = Site, "policy "+p.Name+" of the site"
		}
		out = append(out, e.threshold)
	}
	return out
}

func (p *Policy) table() []entry {
	const window = "FDA safety communication, 6 May 2014; Morales et al., J Vasc Surg Venous Lymphat Disord 2013 (patients without PE, transient risk passed)"
	const sir2006 = "SIR consensus on discontinuing filtration, Kaufman et al., JVIR 2006;17:449-459"
	const sir2019 = "SIR consensus on periprocedural care, JVIR 2019;30:1168-1184, Table 3 as posted and summarised by others"
	const series = "Monash series of 356 retrievals, Cardiovasc Intervent Radiol 2020"
	const contrast = "ACR-NKF consensus on intravenous contrast, Radiology 2020;294:660-668"
	const chest = "CHEST guideline on VTE, 2nd update 2021: treatment phase 3 months"
	return []entry{
		{&p.WindowFirst, Threshold{Key: "window_days.first", Unit: "days", Min: 1, Max: 365, Source: window, Known: SecondHand}},
		{&p.WindowLast, Threshold{Key: "window_days.last", Unit: "days", Min: 1, Max: 3650, Source: window, Known: SecondHand}},
		{&p.LookAgainDays, Threshold{Key: "look_again_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.LookAgainKeepDays, Threshold{Key: "look_again_keep_days", Unit: "days", Min: 1, Max: 1095, Known: Choice}},
		{&p.SamePlacementDays, Threshold{Key: "same_placement_days", Unit: "days", Min: 0, Max: 14, Known: Choice}},
		{&p.MaybeSameDays, Threshold{Key: "maybe_same_days", Unit: "days", Min: 0, Max: 365, Known: Choice}},
		{&p.IndexVTEBeforeDays, Threshold{Key: "index_vte_before_days", Unit: "days", Min: 0, Max: 365, Known: Practice}},
		{&p.IndexVTEAfterDays, Threshold{Key: "index_vte_after_days", Unit: "days", Min: 0, Max: 60, Known: Practice}},
		{&p.NewVTEAfterDays, Threshold{Key: "new_vte_after_days", Unit: "days", Min: 0, Max: 90, Known: Practice}},
		{&p.AcuteVTEMonths, Threshold{Key: "acute_vte_months", Unit: "months", Min: 1, Max: 12, Source: chest, Known: SecondHand}},
		{&p.TherapeuticDays, Threshold{Key: "therapeutic_days", Unit: "days", Min: 1, Max: 365, Source: sir2006 + ": 2-3 weeks tolerated before removal", Known: Memory}},
		{&p.TherapeuticSomeDays, Threshold{Key: "therapeutic_some_days", Unit: "days", Min: 1, Max: 365, Source: sir2006 + ": 2-3 weeks tolerated before removal", Known: Memory}},
		{&p.CourseMonths, Threshold{Key: "course_months", Unit: "months", Min: 1, Max: 24, Source: chest, Known: SecondHand}},
		{&p.CoverGapDays, Threshold{Key: "cover_gap_days", Unit: "days", Min: 0, Max: 30, Known: Choice}},
		{&p.ProphylacticRiskDays, Threshold{Key: "prophylactic_risk_days", Unit: "days", Min: 1, Max: 365, Known: Practice}},
		{&p.BleedActiveDays, Threshold{Key: "bleed_active_days", Unit: "days", Min: 1, Max: 365, Known: Practice}},
		{&p.HaemoglobinFall, Threshold{Key: "haemoglobin_fall", Unit: "g/dL", Min: 1, Max: 10, Source: "ISTH definition of major bleeding, Schulman and Kearon, J Thromb Haemost 2005;3:692-694: a fall of 2 g/dL", Known: Memory}},
		{&p.HaemoglobinFallDays, Threshold{Key: "haemoglobin_fall_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.PlateletLimit, Threshold{Key: "platelet_limit", Unit: "10^9/L", Min: 1, Max: 150, Source: "US payer guideline CG-SURG-59 (2023): severe below 50,000", Known: Seen}},
		{&p.PlateletDays, Threshold{Key: "platelet_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.SurgeryDays, Threshold{Key: "surgery_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.RequestDays, Threshold{Key: "request_days", Unit: "days", Min: 14, Max: 1095, Known: Choice}},
		{&p.RefillDays, Threshold{Key: "refill_days", Unit: "days", Min: 30, Max: 1095, Known: Choice}},
		{&p.LMWHBandPercent, Threshold{Key: "lmwh_band", Unit: "percent", Min: 1, Max: 50, Known: Choice}},
		{&p.WeightDays, Threshold{Key: "weight_days", Unit: "days", Min: 1, Max: 1095, Known: Choice}},
		{&p.CreatinineDays, Threshold{Key: "creatinine_days", Unit: "days", Min: 1, Max: 1095, Known: Choice}},
		{&p.INRDays, Threshold{Key: "inr_days", Unit: "days", Min: 1, Max: 365, Known: Practice}},
		{&p.ReducedMonths, Threshold{Key: "reduced_months", Unit: "months", Min: 3, Max: 24, Source: "CHEST guideline on VTE, 2nd update 2021: reduced dose for extended phase", Known: SecondHand}},
		{&p.ComplicationDays, Threshold{Key: "complication_days", Unit: "days", Min: 1, Max: 3650, Known: Choice}},
		{&p.FirstHeardDays, Threshold{Key: "first_heard_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.DueUrgentEmergency, Threshold{Key: "due_days.emergency", Unit: "days", Min: 0, Max: 7, Known: Choice}},
		{&p.DueUrgent, Threshold{Key: "due_days.urgent", Unit: "days", Min: 0, Max: 14, Known: Choice}},
		{&p.DueOverdue, Threshold{Key: "due_days.overdue", Unit: "days", Min: 1, Max: 90, Known: Choice}},
		{&p.DueRoutine, Threshold{Key: "due_days.routine", Unit: "days", Min: 1, Max: 180, Known: Choice}},
		{&p.UnansweredDays, Threshold{Key: "unanswered_days", Unit: "days", Min: 0, Max: 90, Known: Choice}},
		{&p.EndedDays, Threshold{Key: "ended_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.DeclinedDays, Threshold{Key: "declined_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.EraseDays, Threshold{Key: "erase_days", Unit: "days", Min: 0, Max: 365, Known: Choice}},
		{&p.QuarantineDays, Threshold{Key: "quarantine_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.HoldDays, Threshold{Key: "hold_days", Unit: "days", Min: 1, Max: 90, Known: Choice}},
		{&p.CardQuietDays, Threshold{Key: "card_quiet_days", Unit: "days", Min: 1, Max: 365, Known: Choice}},
		{&p.DwellLongMonths, Threshold{Key: "dwell_long_months", Unit: "months", Min: 1, Max: 120, Source: series + ": difficult more often past 6 months", Known: Seen}},
		{&p.DwellVeryLongMonths, Threshold{Key: "dwell_very_long_months", Unit: "months", Min: 1, Max: 240, Source: "Desai et al., 762 retrievals: the standard technique often fails past 7 months", Known: Seen}},
		{&p.TiltDegrees, Threshold{Key: "tilt_degrees", Unit: "degrees", Min: 1, Max: 90, Source: series + ": tilt of 5 to 15 degrees", Known: Seen}},
		{&p.TiltSteepDegrees, Threshold{Key: "tilt_steep_degrees", Unit: "degrees", Min: 1, Max: 90, Source: series + ": tilt above 15 degrees", Known: Seen}},
		{&p.ThrombusPercent, Threshold{Key: "thrombus_percent", Unit: "percent", Min: 1, Max: 100, Source: "trade knowledge: more than a quarter of the filter's volume; no primary source seen", Known: Memory}},
		{&p.INRLowPass, Threshold{Key: "inr_low.pass", Unit: "tenths of INR", Min: 10, Max: 60, Source: sir2019, Known: SecondHand}},
		{&p.INRLowCorrect, Threshold{Key: "inr_low.correct", Unit: "tenths of INR", Min: 10, Max: 60, Source: sir2019, Known: SecondHand}},
		{&p.INRHighPass, Threshold{Key: "inr_high.pass", Unit: "tenths of INR", Min: 10, Max: 60, Source: sir2019, Known: SecondHand}},
		{&p.INRHighCorrect, Threshold{Key: "inr_high.correct", Unit: "tenths of INR", Min: 10, Max: 60, Source: sir2019, Known: SecondHand}},
		{&p.PlateletsLow, Threshold{Key: "platelets_low", Unit: "10^9/L", Min: 1, Max: 150, Source: sir2019, Known: SecondHand}},
		{&p.PlateletsHigh, Threshold{Key: "platelets_high", Unit: "10^9/L", Min: 1, Max: 150, Source: sir2019, Known: SecondHand}},
		{&p.FiltrationLow, Threshold{Key: "filtration.low", Unit: "mL/min/1.73 m2", Min: 5, Max: 90, Source: contrast, Known: Seen}},
		{&p.FiltrationWatch, Threshold{Key: "filtration.watch", Unit: "mL/min/1.73 m2", Min: 5, Max: 90, Source: contrast, Known: Seen}},
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
	for _, pair := range []struct {
		low, high int
		text      string
	}{
		{p.WindowFirst, p.WindowLast, "window_days: first lies after last"},
		{p.TherapeuticSomeDays, p.TherapeuticDays, "therapeutic_some_days lies above therapeutic_days"},
		{p.SamePlacementDays, p.MaybeSameDays, "same_placement_days lies above maybe_same_days"},
		{p.DueUrgentEmergency, p.DueUrgent, "due_days: emergency lies above urgent"},
		{p.DueUrgent, p.DueOverdue, "due_days: urgent lies above overdue"},
		{p.DueOverdue, p.DueRoutine, "due_days: overdue lies above routine"},
		{p.DwellLongMonths, p.DwellVeryLongMonths, "dwell_long_months lies above dwell_very_long_months"},
		{p.TiltDegrees, p.TiltSteepDegrees, "tilt_degrees lies above tilt_steep_degrees"},
		{p.INRLowPass, p.INRLowCorrect, "inr_low: pass lies above correct"},
		{p.INRHighPass, p.INRHighCorrect, "inr_high: pass lies above correct"},
		{p.INRHighCorrect, p.INRLowCorrect, "inr_high lies above inr_low"},
		{p.PlateletsLow, p.PlateletsHigh, "platelets_low lies above platelets_high"},
		{p.FiltrationLow, p.FiltrationWatch, "filtration: low lies above watch"},
	} {
		if pair.low > pair.high {
			errs = append(errs, errors.New(pair.text))
		}
	}
	return errors.Join(errs...)
}

// With gives the policy with a name of its own and other values by key. The error names every key that is unknown or whose
// value is out of bounds.
func (p Policy) With(name string, values map[string]int) (Policy, error) {
	p.Name = name
	var errs []error
	if name == "" || name == Default().Name {
		errs = append(errs, fmt.Errorf("name: a site's policy has a name of its own, as in alder-bay@1; %s is the one that ships", Default().Name))
	}
	table := p.table()
	for _, key := range slices.Sorted(maps.Keys(values)) {
		at := slices.IndexFunc(table, func(e entry) bool { return e.threshold.Key == key })
		if at < 0 {
			errs = append(errs, fmt.Errorf("%s: no such threshold", key))
			continue
		}
		*table[at].value = values[key]
	}
	return p, errors.Join(append(errs, p.Check())...)
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
