package workup

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/filter"
)

// coarse is a measure of type that needs no font: every letter is as wide as a wide one.
func coarse(size float64, _ bool, text string) float64 {
	return float64(len([]rune(text))) * size * mmPerPoint * 0.55
}

// random makes a filter with up to 40 events: exact, partly known, open and unknown days, close together or decades apart.
func random(r *rand.Rand) (assess.Assessment, assess.Filter) {
	asOf := filter.NewDay(2026, 5, 4)
	start := asOf - filter.Day(r.IntN(12000))
	reach := []int{1, 10, 300, 4000}[r.IntN(4)]
	rangeOf := func() assess.Range {
		from := start + filter.Day(r.IntN(reach))
		to := from
		if r.IntN(3) == 0 {
			to += filter.Day(r.IntN(1500))
		}
		a, b := from.String(), to.String()
		out := assess.Range{Earliest: &a, Latest: &b}
		switch r.IntN(12) {
		case 0:
			out.Earliest = nil
		case 1:
			out.Latest = nil
		case 2:
			out = assess.Range{}
		}
		return out
	}
	kinds := []string{"placement", "removal", "attempt", "partial-removal", "repositioning", "device", "sighting", "hint", "claim", "removal-claim", "strange"}
	f := assess.Filter{Standing: []string{"in-place", "removed", "partly-removed", "unclear"}[r.IntN(4)]}
	placed, removed := rangeOf(), rangeOf()
	if r.IntN(4) > 0 {
		f.Placed, f.Removed = &placed, &removed
		f.WindowBand = &assess.Band{FirstDay: 29, LastDay: 54, Opens: placed, Closes: placed}
	}
	name := strings.Repeat("Featherstonehaugh ", 4)[:60]
	for range r.IntN(41) {
		text := name
		if r.IntN(4) == 0 {
			text = strings.ReplaceAll(name, " ", "")
		}
		f.Events = append(f.Events, assess.Event{When: rangeOf(), What: kinds[r.IntN(len(kinds))], Text: text[:r.IntN(len(text)+1)]})
	}
	f.Anticoagulation = assess.Anticoagulation{Level: []string{"therapeutic", "reduced", "prophylactic", "indeterminate", "none"}[r.IntN(5)], Agent: &name}
	if r.IntN(2) == 0 {
		f.Anticoagulation.Since = placed.Earliest
	}
	for range r.IntN(6) {
		end := rangeOf()
		f.Courses = append(f.Courses, assess.Course{Agent: name[:r.IntN(20)], Level: []string{"therapeutic", "reduced", "prophylactic", "indeterminate"}[r.IntN(4)], Start: rangeOf(), End: end, Runs: r.IntN(3) == 0})
		f.Background = append(f.Background, assess.Happening{When: rangeOf(), What: []string{"reason", "thromboembolism", "contraindication", "imaging", "strange"}[r.IntN(5)], Text: name[:r.IntN(40)]})
	}
	if r.IntN(3) == 0 {
		f.Findings = []assess.Finding{{Rule: "fracture", Text: name, When: &removed}, {Rule: "penetration", Text: name}}
	}
	return assess.Assessment{AsOf: asOf.String()}, f
}

func TestNoLabelsOverlapOrLeaveTheFigure(t *testing.T) {
	t.Parallel()
	for seed := range 400 {
		a, f := random(rand.New(rand.NewPCG(uint64(seed), 7)))
		c := newChronicle(a, f, whole)
		for name, fr := range map[string]frame{"paper": paperFrame(230), "screen": screenFrame(), "small paper": paperFrame(120)} {
			fig := plot(c, fr, coarse)
			if fr.h > 0 && fig.h > fr.h {
				t.Errorf("seed %d, %s: %.1f mm high, may be %.1f", seed, name, fig.h, fr.h)
			}
			for i, x := range fig.labels {
				if x.x < -0.01 || x.y < -0.01 || x.x+x.w > fig.w+0.01 || x.y+x.h > fig.h+0.01 {
					t.Errorf("seed %d, %s: label %q leaves the figure: %+v", seed, name, fig.words[i].text, x)
				}
				for j, y := range fig.labels[i+1:] {
					if x.overlaps(rect{y.x + 0.01, y.y + 0.01, y.w - 0.02, y.h - 0.02}) {
						t.Errorf("seed %d, %s: %q lies on %q", seed, name, fig.words[i].text, fig.words[i+1+j].text)
					}
				}
			}
			for _, s := range fig.shapes {
				for _, p := range s.points {
					if math.IsNaN(p.x) || math.IsNaN(p.y) || p.x < -1 || p.x > fig.w+1 || p.y < -3 || p.y > fig.h+3 {
						t.Errorf("seed %d, %s: a shape leaves the figure at %+v", seed, name, p)
					}
				}
			}
		}
	}
}

// Where there is room every entry has its label; where there is not, the label that stands for the others counts them.
func TestEveryEntryHasALabelOrIsCounted(t *testing.T) {
	t.Parallel()
	for seed := range 100 {
		a, f := random(rand.New(rand.NewPCG(uint64(seed), 8)))
		c := newChronicle(a, f, whole)
		said := strings.Builder{}
		for _, w := range plot(c, screenFrame(), coarse).words {
			said.WriteString(squeeze(w.text))
		}
		for _, d := range slices.Concat(c.marks, c.beside) {
			if len(c.days()) > 1 && !strings.Contains(said.String(), squeeze(d.when)) {
				t.Errorf("seed %d: no label says %q", seed, d.when)
			}
		}
		thin := c.thinned(3, 1)
		left := len(c.marks) - 3
		if left > 0 && !slices.ContainsFunc(thin.marks, func(d dated) bool { return strings.HasPrefix(d.text, fmt.Sprintf("%d further entries", left)) }) {
			t.Errorf("seed %d: nothing counts the %d entries that were left out", seed, left)
		}
	}
}

func TestAxisIsToScaleAndBrokenWhereYearsAreEmpty(t *testing.T) {
	t.Parallel()
	day := filter.NewDay
	for name, c := range map[string]struct {
		days []filter.Day
		want []string
	}{
		"nine years":        {[]filter.Day{day(2017, 3, 14), day(2017, 5, 7), day(2026, 4, 2), day(2026, 5, 4)}, []string{"2017-03-14 2017-05-07", "2026-04-02 2026-05-04"}},
		"to this day":       {[]filter.Day{day(2017, 3, 14), day(2017, 5, 7), day(2026, 5, 4)}, []string{"2017-03-14 2017-05-07", "2026-05-04 2026-05-04"}},
		"under two years":   {[]filter.Day{day(2024, 6, 1), day(2024, 7, 1), day(2026, 5, 4)}, []string{"2024-06-01 2026-05-04"}},
		"a small part":      {[]filter.Day{day(1990, 1, 1), day(1998, 1, 1), day(1998, 3, 1), day(2006, 3, 1), day(2010, 1, 1)}, []string{"1990-01-01 1990-01-01", "1998-01-01 1998-03-01", "2006-03-01 2010-01-01"}},
		"nothing but a gap": {[]filter.Day{day(2010, 1, 1), day(2026, 1, 1)}, []string{"2010-01-01 2026-01-01"}},
		"one day":           {[]filter.Day{day(2026, 1, 1)}, []string{"2026-01-01 2026-01-01"}},
	} {
		var got []string
		for _, p := range newAxis(c.days) {
			got = append(got, p.from.String()+" "+p.to.String())
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
	ax := axis{{from: 0, to: 100, top: 10, bottom: 10 + 2*pieceEnd + 50}}
	for _, d := range []filter.Day{0, 25, 50, 100} {
		if got, want := ax.at(d), 10+pieceEnd+float64(d)/2; math.Abs(got-want) > 1e-9 {
			t.Errorf("day %d stands at %v, want %v", d, got, want)
		}
	}
}

func TestACutNamesWhatItLeavesOut(t *testing.T) {
	t.Parallel()
	a := forgotten()
	said := ""
	for _, w := range plot(newChronicle(a.assessment, a.filter, whole), screenFrame(), coarse).words {
		said += " " + w.text
	}
	for _, want := range []string{"8 years 10 months left out", "2017-05-07 to 2026-04-02", "10 days"} {
		if !strings.Contains(squeeze(said), squeeze(want)) {
			t.Errorf("the figure does not say %q", want)
		}
	}
}

func TestPartlyKnownDaysAreSpansAndUnknownOnesStandBeside(t *testing.T) {
	t.Parallel()
	s := yearOnly()
	s.filter.Events = append(s.filter.Events, assess.Event{What: "device", Text: "no day"})
	c := newChronicle(s.assessment, s.filter, whole)
	var got []string
	for _, d := range c.marks {
		got = append(got, fmt.Sprint(d.from, " ", d.to))
	}
	want := []string{"2022-01-01 2022-12-31", "2022-01-30 2023-01-29", "unknown 2023-05-02", "2024-08-15 2024-08-15", "2025-06-01 unknown", "2026-05-04 2026-05-04"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if len(c.beside) != 1 || c.beside[0].text != "no day" {
		t.Errorf("beside the axis: %+v", c.beside)
	}
	if b := c.bars[0]; b.lane != laneFilter || b.possible[0].String() != "2022-01-01" || b.sure[0].String() != "2022-12-31" {
		t.Errorf("the bar of the filter is %+v, want it sure from the last day of the year only", b)
	}
}

// Every course has a bar of its own with the texture of its level; of one whose end is not known only the first day is sure, and one
// without a first day stands beside the axis. What happened beside the history has its mark.
func TestCoursesAndBackgroundAreDrawn(t *testing.T) {
	t.Parallel()
	s := overdue()
	s.filter.Courses = []assess.Course{
		{Agent: "enoxaparin", Level: "prophylactic", Start: exactly("2025-01-12"), End: exactly("2025-02-02")},
		{Agent: "apixaban", Level: "therapeutic", Start: exactly("2025-02-03"), Runs: true},
		{Agent: "warfarin", Level: "indeterminate", Start: exactly("2025-06-01")},
		{Agent: "dabigatran", Level: "reduced", End: exactly("2025-07-01")},
	}
	s.filter.Background = []assess.Happening{
		{When: exactly("2025-01-06"), What: "reason", Text: "Placed for: deep vein thrombosis"}, {When: exactly("2025-01-08"), What: "contraindication", Text: "Bleed, ended"},
		{When: exactly("2026-02-20"), What: "imaging", Text: "CT of the abdomen, Alder Bay General"},
	}
	c := newChronicle(s.assessment, s.filter, whole)
	var bars, marks []string
	for _, b := range c.bars {
		if b.lane == laneCourse {
			bars = append(bars, fmt.Sprint(b.possible[0], " ", b.possible[1], " sure ", b.sure[0], " ", b.sure[1], " ", b.texture))
		}
	}
	for _, m := range c.marks {
		marks = append(marks, m.when+" "+m.text)
	}
	if diff := cmp.Diff([]string{
		fmt.Sprint("2025-01-12 2025-02-02 sure 2025-01-12 2025-02-02 ", levelTexture),
		fmt.Sprint("2025-02-03 2026-05-04 sure 2025-02-03 2026-05-04 ", crossTexture),
		fmt.Sprint("2025-06-01 2026-05-04 sure 2025-06-01 2025-06-01 ", emptyTexture),
	}, bars); diff != "" {
		t.Errorf("bars (-want +got):\n%s", diff)
	}
	for _, want := range []string{
		"2025-01-06 Placed for: deep vein thrombosis", "2025-01-08 Bleed, ended", "2025-01-12 Enoxaparin prescribed, prophylactic dose, to 2025-02-02",
		"2025-02-03 Apixaban prescribed, therapeutic dose, to this day", "2025-06-01 Warfarin prescribed, level not clear, end not known", "2026-02-20 CT of the abdomen, Alder Bay General",
	} {
		if !slices.Contains(marks, want) {
			t.Errorf("no mark %q in %q", want, marks)
		}
	}
	if len(c.beside) != 1 || !strings.HasPrefix(c.beside[0].text, "Dabigatran prescribed, reduced dose, to 2025-07-01") {
		t.Errorf("beside the axis: %+v", c.beside)
	}
}

// What lies more than half a year before the placement is counted, not drawn: it stands in the appendix.
func TestLongBeforeThePlacementIsCounted(t *testing.T) {
	t.Parallel()
	s := overdue() // placed on 2025-01-10
	s.filter.Courses = []assess.Course{
		{Agent: "warfarin", Level: "therapeutic", Start: exactly("2019-01-12"), End: exactly("2024-07-13")},
		{Agent: "apixaban", Level: "therapeutic", Start: exactly("2019-02-03"), End: exactly("2024-07-14")},
	}
	s.filter.Background = []assess.Happening{{When: exactly("2018-12-30"), What: "thromboembolism", Text: "Long ago"}, {When: exactly("2024-07-14"), What: "contraindication", Text: "Just within"}}
	c := newChronicle(s.assessment, s.filter, whole)
	said := ""
	for _, w := range plot(c, screenFrame(), coarse).words {
		said += w.text
	}
	mustSay(t, squeeze(said), "2 entries of more than half a year before the placement", "Apixaban prescribed", "Just within")
	mustNotSay(t, squeeze(said), "Warfarin prescribed", "Long ago")
	mustSay(t, text(t, pdf(t, s)), "Warfarin prescribed, therapeutic dose, to 2024-07-13", "Long ago")
	s.filter.Placed = nil
	if c := newChronicle(s.assessment, s.filter, whole); c.earlier != 0 {
		t.Errorf("%d entries are before a placement of no known day", c.earlier)
	}
}

// Two signs must differ in outline or filling, because nothing rests on colour; so must two levels.
func TestSignsAndTexturesDiffer(t *testing.T) {
	t.Parallel()
	seen := map[string]string{}
	note := func(name string, shapes []shape) {
		key := fmt.Sprintf("%v", shapes)
		if other, ok := seen[key]; ok {
			t.Errorf("%s looks like %s", name, other)
		}
		seen[key] = name
	}
	for s := signPlacement; s <= signOther; s++ {
		if s != signWindow && s != signCourse {
			note(fmt.Sprint("sign ", s), signShapes(s, point{}, solidTexture))
		}
	}
	for x := solidTexture; x <= emptyTexture; x++ {
		note(fmt.Sprint("texture ", x), signShapes(signCourse, point{}, x))
	}
}

func TestBlocksAreSpreadNearWhereTheyWantToBe(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ wanted, heights, want []float64 }{
		"free":      {[]float64{1, 20}, []float64{3, 3}, []float64{1, 20}},
		"together":  {[]float64{10, 10, 10}, []float64{2, 2, 2}, []float64{8, 10, 12}},
		"at an end": {[]float64{0, 0}, []float64{4, 4}, []float64{0, 4}},
		"too many":  {[]float64{0, 0, 0}, []float64{20, 20, 20}, []float64{0, 20, 40}},
	} {
		if diff := cmp.Diff(c.want, spread(c.wanted, c.heights, 0, 30)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestScaleIsNamedForEveryPiece(t *testing.T) {
	t.Parallel()
	for days, want := range map[filter.Day]int{0: 0, 1: 1, 3: 1, 60: 10, 480: 50, 3650: 365, 3650000: 36500} {
		if got := (piece{from: 0, to: days, top: 0, bottom: 60}).scale(); got != want {
			t.Errorf("%d days in 60 mm: the scale shows %d days, want %d", days, got, want)
		}
	}
}

// A record with thousands of entries still makes a page, in a time that a write-back can wait for.
func TestThousandsOfEntries(t *testing.T) {
	t.Parallel()
	s := overdue()
	for i := range 3000 {
		e := assess.Event{What: "sighting", Text: "Seen in place"}
		if i%3 > 0 {
			from, to := (filter.NewDay(2010, 1, 1) + filter.Day(i)).String(), (filter.NewDay(2010, 1, 1) + filter.Day(i+i%7)).String()
			e.When = assess.Range{Earliest: &from, Latest: &to}
		}
		s.filter.Events = append(s.filter.Events, e)
	}
	began := time.Now()
	c := newChronicle(s.assessment, s.filter, whole)
	fig := plot(c, paperFrame(230), coarse)
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("3000 entries take %v", took)
	}
	if fig.h > 230 {
		t.Errorf("the figure is %.0f mm high", fig.h)
	}
}

// overlaps reports whether two boxes share more than an edge.
func (r rect) overlaps(o rect) bool {
	return min(r.x+r.w, o.x+o.w)-max(r.x, o.x) > 0 && min(r.y+r.h, o.y+o.h)-max(r.y, o.y) > 0
}
