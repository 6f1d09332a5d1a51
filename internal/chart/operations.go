package chart

import (
	"slices"
	"strings"
)

// saysOperation reports whether the words of an order or appointment name an operation as the thing booked. A name of one
// (a colectomy, a knee replacement) is enough where nothing beside it says that it is over or only spoken of; "surgery" alone
// is also the name of a department, so any word for a visit or a referral takes its sense away. An appointment to prepare for an
// operation tells of one to come. Missing an operation is the worse fault: what stays in doubt is one.
func saysOperation(text string) bool { return saysNamedOperation(text) || saysSomeSurgery(text) }

// saysNamedOperation wants the name of an operation.
func saysNamedOperation(text string) bool {
	return slices.ContainsFunc(sentences(text), func(words []string) bool {
		for i := range words {
			if namesOperation(words, i) && !overOrOff(words, i) && !slices.ContainsFunc(words, visit) && !spokenOf(words, i) {
				return true
			}
		}
		return false
	})
}

// saysSomeSurgery wants a word for surgery without its kind.
func saysSomeSurgery(text string) bool {
	return slices.ContainsFunc(sentences(text), func(words []string) bool {
		for i, w := range words {
			switch {
			case w == "preoperative" || w == "preop" || w == "presurgical" || w == "pre" && i+1 < len(words) && slices.Contains([]string{"op", "operative", "surgical", "surgery"}, words[i+1]):
				if !overOrOff(words, i) {
					return true
				}
			case slices.Contains([]string{"surgery", "surgical", "operation", "operative"}, w):
				if !overOrOff(words, i) && !slices.ContainsFunc(words, visit) && !slices.ContainsFunc(words, aboutSurgery) {
					return true
				}
			}
		}
		return false
	})
}

// saysVisit reports words for seeing the patient, not for operating.
func saysVisit(text string) bool {
	return slices.ContainsFunc(tokens(text), func(w string) bool { return visit(w) || aboutSurgery(w) })
}

// sentences gives the words of each sentence. A colon does not end one: "follow-up: hip replacement" is a follow-up.
func sentences(text string) [][]string {
	var out [][]string
	for _, s := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(".;\n", r) }) {
		out = append(out, tokens(s))
	}
	return out
}

// namesOperation reports whether the word at i is the name of an operation, or the head of one.
func namesOperation(words []string, i int) bool {
	w := words[i]
	// The site may stand before it or be led to: "replacement of the left hip".
	near := func(sites ...string) bool {
		return slices.ContainsFunc(words[max(0, i-3):min(len(words), i+5)], func(o string) bool { return slices.Contains(sites, o) })
	}
	switch w {
	case "phlebotomy", "venotomy", "angioplasty", "tracheotomy":
		return false
	case "replacement", "replacements", "revision", "resurfacing":
		return near("hip", "knee", "joint", "shoulder", "elbow", "ankle", "valve", "aortic", "mitral", "disc", "disk", "arthroplasty")
	case "fusion":
		return near("spinal", "spine", "lumbar", "cervical", "thoracic", "vertebral", "posterior", "anterior", "interbody", "ankle", "joint")
	case "repair":
		return near("hernia", "aneurysm", "aortic", "valve", "fracture", "tendon", "cuff", "ligament", "fistula", "prolapse", "hip")
	case "bypass":
		return near("coronary", "cardiac", "gastric", "femoral", "popliteal", "artery", "aortic", "graft")
	case "decompression":
		return near("spinal", "spine", "lumbar", "cervical", "nerve", "subacromial")
	case "reconstruction":
		return near("ligament", "acl", "breast", "bladder", "cruciate")
	case "fixation":
		return near("fracture", "internal", "hip", "femur", "femoral", "tibia", "tibial", "ankle", "pelvis", "pelvic", "spine", "spinal")
	case "resection", "amputation", "transplantation", "transplant", "laparoscopy", "arthroscopy", "cabg", "orif", "tkr", "thr", "tka", "tha", "caesarean", "cesarean", "osteosynthesis", "debulking", "excision", "debridement":
		return true
	case "reversal", "closure":
		return near("stoma", "ileostomy", "colostomy")
	}
	for _, end := range []string{"ectomy", "otomy", "plasty", "desis", "pexy", "rrhaphy"} {
		if one := strings.TrimSuffix(w, "s"); len(one) > len(end)+1 && strings.HasSuffix(one, end) {
			return true
		}
	}
	return false
}

// overOrOff reports words beside the operation at i that say that it is in the past, denied or called off.
func overOrOff(words []string, i int) bool {
	past := func(w string) bool {
		return strings.HasPrefix(w, "post") && w != "posterior" && w != "postponed" || slices.Contains([]string{"after", "following", "since", "history", "hx", "status", "previous", "previously", "prior", "past", "recent", "p"}, w)
	}
	off := func(w string) bool {
		return slices.Contains([]string{"cancelled", "canceled", "declined", "refused"}, w)
	}
	return slices.ContainsFunc(words[:i], past) || slices.ContainsFunc(words[max(0, i-3):i], negates) || slices.ContainsFunc(words, off) ||
		i+1 < len(words) && words[i+1] == "not"
}

// spokenOf reports words for looking at an operation: before its name, or as the last word of all.
func spokenOf(words []string, i int) bool {
	looks := func(w string) bool {
		return slices.Contains([]string{"review", "check", "checkup", "assessment", "evaluation", "evaluate", "opinion", "discussion", "discuss", "counselling", "counseling", "education", "class", "letter", "care", "imaging", "scan", "xray", "radiograph", "ray", "ct", "mri", "dressing", "pathology", "specimen"}, w)
	}
	return slices.ContainsFunc(words[:i], looks) || looks(words[len(words)-1])
}

// visit reports a word for a visit, or for treatment that goes with an operation without being one.
func visit(w string) bool {
	return slices.Contains([]string{"clinic", "outpatient", "outpatients", "follow", "followup", "consult", "consultation", "consultations", "visit", "physiotherapy", "physio", "rehabilitation", "rehab"}, w)
}

// aboutSurgery reports a word beside which "surgery" is a department or something looked back on or talked of.
func aboutSurgery(w string) bool {
	return slices.Contains([]string{"referral", "refer", "referred", "review", "check", "checkup", "assessment", "evaluation", "evaluate", "opinion", "discussion", "discuss", "counselling", "counseling", "education", "letter", "wound", "dressing", "suture", "sutures", "pathology", "specimen", "team", "department", "ward"}, w)
}
