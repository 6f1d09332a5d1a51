package workup

import (
	"strings"
	"testing"

	"dwellwatch/internal/assess"
)

// TestNoLabelOfTheTimeLineIsCut: in no document of the invented hospital, of the stories and of the samples, on neither paper, with and
// without a long list of changes on top, is a label of the time line cut short to make it fit.
func TestNoLabelOfTheTimeLineIsCut(t *testing.T) {
	t.Parallel()
	cases := map[string]Case{"second": second()}
	for name, s := range samples() {
		if name != "crowded" { // more entries than a page has lines: there the history names them all
			cases[name] = Case{Assessment: s.assessment, Filter: s.filter, Referral: s.referral}
		}
	}
	for _, a := range answers(t) {
		cases[a.name+" "+a.Filter.Key] = a.Case
	}
	figures := 0
	for name, c := range cases {
		changedCase := c
		before := c.Filter
		before.Verdict, before.Window, before.Indication, before.Standing, before.Headline, before.PlannedIntent = "wait", "before", "unknown", "unclear", strings.Repeat("Something long that was said before. ", 6), "permanent"
		old := c.Assessment
		old.Filters = []assess.Filter{before}
		changedCase.Since = &Since{&assess.Said{Assessment: old, Referral: c.Referral}}
		for _, each := range []Case{c, changedCase} {
			for _, paper := range []Paper{A4, Letter} {
				day, err := calendarDay(each.Assessment.AsOf)
				if err != nil {
					t.Fatal(err)
				}
				p, err := newPress(paper, day)
				if err != nil {
					t.Fatal(err)
				}
				for _, page := range layout(p, newView(each, "Name"), newChronicle(each.Assessment, each.Filter, p.face.clean)) {
					for _, x := range page {
						if x.row.figure == nil {
							continue
						}
						figures++
						if x.row.figure.cut {
							t.Errorf("%s, %v: a label is cut", name, paper)
						}
						for _, w := range x.row.figure.words {
							if strings.HasSuffix(w.text, "…") {
								t.Errorf("%s, %v: %q", name, paper, w.text)
							}
						}
					}
				}
			}
		}
	}
	if figures < 4*len(cases) {
		t.Errorf("%d time lines of %d cases", figures, len(cases))
	}
}
