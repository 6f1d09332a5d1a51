package plan

import (
	"math"

	"dwellwatch/internal/rules"
)

// NeedsClinician stands where nothing is published, or the record does not settle which row holds.
const NeedsClinician = "NEEDS-CLINICIAN"

// Row is one line of the published table of holds before a procedure of high bleeding risk. Doses are doses of the agent as it is
// prescribed, never hours made of them.
type Row struct {
	Agent  string
	Level  rules.Level // "" for any
	Lowest float64     // the row holds from this creatinine clearance on, in mL/min; 0 from any
	Below  float64     // and below this one; +Inf to any
	// Renal says that the agent leaves by the kidneys, so that below 15 mL/min no row holds.
	Hold    string
	Restart string
}

// Holds is the table. Society of Interventional Radiology 2019, Table 4 (JVIR 2019;30:1168-1184), as transcribed by others. Exactly
// 50 and exactly 30 count to the better band (choice). For apixaban and dabigatran the transcription reads "< 30-50": below 30 it does
// not say clearly what holds, so that there nothing is given (choice). Below 15, and on dialysis, nothing was seen for any agent that
// the kidneys clear.
func Holds() [18]Row {
	open := math.Inf(1)
	return [...]Row{
		{"apixaban", "", 50, open, "4 doses", "24 h after"},
		{"apixaban", "", 30, 50, "6 doses", "24 h after"},
		{"argatroban", "", 0, open, "2 to 4 h, check the aPTT", "4 to 6 h after"},
		{"betrixaban", "", 15, open, "3 doses", "24 h after"},
		{"bivalirudin", "", 15, open, "2 to 4 h, check the aPTT", "4 to 6 h after"},
		{"dabigatran", "", 50, open, "4 doses", "24 h after"},
		{"dabigatran", "", 30, 50, "6 to 8 doses", "24 h after"},
		{"dalteparin", "", 15, open, "1 dose", "12 h after"},
		{"edoxaban", "", 15, open, "2 doses", "24 h after"},
		{"enoxaparin", rules.Prophylactic, 15, open, "1 dose", "12 h after"},
		{"enoxaparin", rules.Therapeutic, 15, open, "2 doses or 24 h; anti-Xa where the kidneys are impaired", "12 h after"},
		{"fondaparinux", "", 50, open, "2 to 3 d", "24 h after"},
		{"fondaparinux", "", 15, 50, "3 to 5 d", "24 h after"},
		{"heparin", rules.Prophylactic, 0, open, "under the skin two or three times a day: procedure 6 h after the last dose", "6 to 8 h after"},
		{"heparin", rules.Therapeutic, 0, open, "into a vein: 4 to 6 h, check aPTT or anti-Xa", "6 to 8 h after"},
		{"rivaroxaban", "", 30, open, "2 doses", "24 h after"},
		{"rivaroxaban", "", 15, 30, "3 doses", "24 h after"},
		{"warfarin", "", 0, open, "5 d, until the INR is at most 1.8; bridging only after weighing", "the day after"},
	}
}

// rowsOf lists the rows of an agent at a level; where the level is not settled, those of every level.
func rowsOf(agent string, level rules.Level) []Row {
	out := make([]Row, 0, 2) // of few agents there are more
	for _, r := range Holds() {
		if r.Agent == agent && (r.Level == "" || r.Level == level || level != rules.Therapeutic && level != rules.Prophylactic) {
			out = append(out, r)
		}
	}
	return out
}

// holds reports whether a row holds for a clearance. A clearance that is a limit but for the arithmetic counts as the limit.
func (r Row) holds(clearance float64) bool {
	const hair = 1e-9
	return clearance >= r.Lowest-hair && clearance < r.Below-hair
}

// banded reports whether which row holds depends on the clearance.
func banded(rows []Row) bool {
	for _, r := range rows {
		if !math.IsInf(r.Below, 1) || r.Lowest > 15 {
			return true
		}
	}
	return false
}

// Hold gives the published hold for an agent at a level and a creatinine clearance in mL/min (NaN where it is not known), and whether a
// clinician must settle it.
func Hold(agent string, level rules.Level, clearance float64) (hold, restart string, clinician bool) {
	rows := rowsOf(agent, level)
	switch {
	case len(rows) == 0:
		return NeedsClinician, NeedsClinician, true
	case math.IsNaN(clearance) && !banded(rows):
	case math.IsNaN(clearance):
		return NeedsClinician, rows[0].Restart, true
	default:
		var kept []Row
		for _, r := range rows {
			if r.holds(clearance) {
				kept = append(kept, r)
			}
		}
		rows = kept
	}
	if len(rows) != 1 {
		return NeedsClinician, NeedsClinician, true
	}
	return rows[0].Hold, rows[0].Restart, false
}
