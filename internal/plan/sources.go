package plan

import "dwellwatch/internal/policy"

// The sources that statements name. What was read in a copy is Seen; what only in a transcription or a summary, SecondHand.
const (
	sir2006    = "SIR consensus on discontinuing filtration, Kaufman et al., JVIR 2006;17:449-459"
	sir2019    = "SIR consensus on periprocedural care, JVIR 2019;30:1168-1184, from transcriptions of its tables"
	sir2020    = "SIR multisociety guideline on filters 2020, Kaufman et al., JVIR 2020"
	chest2021  = "CHEST guideline on VTE, 2nd update 2021"
	chest2022  = "CHEST guideline on perioperative antithrombotic therapy 2022"
	acrnkf     = "ACR-NKF consensus on intravenous contrast, Radiology 2020;294:660-668"
	acr        = "ACR Appropriateness Criteria, as summarised"
	desai2017  = "Desai et al., 762 retrievals, on prolonged dwell"
	desaiCells = "Desai et al., 441 patients, closed-cell against open-cell designs"
	monash     = "Monash series of 356 retrievals, Cardiovasc Intervent Radiol 2020"
	white2021  = "White et al., Diagn Interv Radiol 2021;27:644-648"
	kethidi    = "Kethidi et al., systematic review, Diagn Interv Radiol 2023;29:500-508"
	centre     = "Single-centre series of 536 filters, CVIR Endovascular 2022"
	illustrate = "Illustrated review of retrieval complications, CVIR Endovascular 2020;3:23"
	laser2017  = "Kuo et al., laser sheath, Chest 2017;151:417-424"
	laser2020  = "Kuo et al., laser sheath, JAHA 2020"
	forceps    = "Pooled laser and forceps series, CVIR Endovascular 2022"
	snares     = "Loop-snare series, CVIR Endovascular 2018"
)

// trade is what operators know of their techniques; no primary source was seen for it.
func trade() Source {
	return Source{"trade knowledge of retrieval techniques, no primary source seen", policy.Memory}
}

func practice() Source { return Source{"common practice, no source", policy.Practice} }

// ours begins the source of what is a choice of our own.
const ours = "design choice: "
