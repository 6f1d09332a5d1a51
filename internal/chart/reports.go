package chart

import (
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// report reads from the conclusion of an imaging report the two things that the rules ask for: that a thromboembolism is
// new, and that abdominal imaging sees no filter. Words are weak evidence: both only make people look.
func (r *reader) report(n *node) {
	if !said(n.status()) {
		return
	}
	for v := range n.get("conclusionCode").Each() {
		r.seen(n, r.concept(v), true)
	}
	code := r.concept(n.get("code"))
	r.studyReport(n, code)
	text := n.get("conclusion").String()
	for v := range n.get("conclusionCode").Each() {
		text += " . " + r.concept(v).words
	}
	unseen := saysAbdomen(code.words+" . "+text) && saysNoFilter(text)
	image := rules.Image{NewPE: saysNew(text, "pulmonary embolism", "pulmonary emboli", "pulmonary embolus", "pe"),
		NewDVT: saysNew(text, "deep vein thrombosis", "deep venous thrombosis", "dvt"), Evidence: n.evidence()}
	if !unseen && !image.NewPE && !image.NewDVT {
		return
	}
	image.When, _ = r.day(n, "effectiveDateTime")
	if n.get("effectivePeriod").Exists() {
		image.When, _, _ = r.period(n, "effectivePeriod")
	}
	if image.NewPE || image.NewDVT {
		r.out.Facts.Images = append(r.out.Facts.Images, image)
	}
	if unseen {
		r.out.Events = append(r.out.Events, filter.Event{Kind: filter.Hint, When: image.When, Start: -1, Unseen: true, Why: "imaging sees no filter", Evidence: n.evidence()})
	}
}
