package workup

import (
	"encoding/json"
	"errors"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/fault"
)

func TestLetterPaper(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		doc, err := PDFOn(Letter, s.assessment, s.filter, s.referral)
		if err != nil {
			t.Fatal(err)
		}
		if info := run(t, peer(t, "pdfinfo", "poppler-utils"), doc, "FILE"); !regexp.MustCompile(`Page size: +612(\.\d+)? x 792(\.\d+)? pts \(letter\)`).MatchString(info) {
			t.Errorf("%s: pdfinfo shows no Letter page:\n%s", name, info)
		}
		noOverlapOn(t, doc, sheetFor(t, Letter), 279.4)
	}
	s := overdue()
	if _, err := PDFOn("A5", s.assessment, s.filter, s.referral); !errors.Is(err, fault.Invalid) {
		t.Errorf("A5: error %v, want one that is fault.Invalid", err)
	}
}

func sheetFor(t *testing.T, paper Paper) sheet {
	t.Helper()
	s, err := sheetOf(paper)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The outline names every section, in order, and no patient.
func TestOutline(t *testing.T) {
	t.Parallel()
	type entry struct {
		Title string
		Kids  []entry
		Page  int `json:"destpageposfrom1"`
	}
	var got struct{ Outlines []entry }
	out := run(t, peer(t, "qpdf", "qpdf"), pdf(t, crowded()), "--json", "--json-key=outlines", "FILE")
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	want := []entry{
		{"Answer", []entry{}, 1},
		{"Time line, to scale", []entry{}, 2},
		{"Data quality", []entry{{"The record disagrees with itself", []entry{}, 3}, {"Missing from the record", []entry{}, 3}, {"Could not be read", []entry{}, 3}}, 3},
		{"Appendix", []entry{{"Findings", []entry{}, 3}, {"History, entry by entry", []entry{}, 5}}, 3},
	}
	if diff := cmp.Diff(want, got.Outlines); diff != "" {
		t.Errorf("outline (-want +got):\n%s", diff)
	}
}

// TestPagesInTheOrderAsked: the answer is the first page, the quality of the data begins another, and no page is empty.
func TestPagesInTheOrderAsked(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		list := strings.Split(strings.TrimSuffix(run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "FILE", "-"), "\f"), "\f")
		mustSay(t, squeeze(list[0]), "Verdict", "Asked", "Reason over?", "How sure", "Read this with care")
		mustNotSay(t, squeeze(list[0]), "Appendix")
		if at := strings.Index(squeeze(list[0]), "Missingfromtherecord"); at >= 0 {
			t.Errorf("%s: the first page lists what is missing", name)
		}
		for i, text := range list {
			if len(text) < 300 {
				t.Errorf("%s: page %d is almost empty:\n%s", name, i+1, text)
			}
		}
		quality := -1
		for i, text := range list {
			if strings.Contains(text, "Data quality\n") && i > 0 {
				quality = i
				break
			}
		}
		if quality < 1 {
			t.Errorf("%s: no page of its own for the quality of the data", name)
		}
	}
}

// The first page tells of every contradiction that decides and counts those that it leaves to the page on quality.
func TestContradictionsOnTop(t *testing.T) {
	t.Parallel()
	s := emergency()
	one := s.filter.Contradictions[1]
	s.filter.Contradictions = append([]assess.Contradiction{one, one, one, one}, s.filter.Contradictions[0])
	first, _, _ := strings.Cut(run(t, peer(t, "pdftotext", "poppler-utils"), pdf(t, s), "-raw", "FILE", "-"), "\f")
	mustSay(t, squeeze(first), "The placement report names Quill D2; the device entry names Harbour P. This decides the verdict.", "2 more, and the record entries: see Data quality.")
}

// A verdict without a plan has no page for one.
func TestNoPlanNoPage(t *testing.T) {
	t.Parallel()
	if rows := planRows(nil, view{}, false); rows != nil {
		t.Errorf("%d rows without a plan", len(rows))
	}
}

func BenchmarkPDF(b *testing.B) {
	planned := overdue()
	planned.filter.Plan = samplePlan()
	for name, s := range map[string]sample{"usual": overdue(), "planned": planned, "crowded": crowded()} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				doc, err := PDF(s.assessment, s.filter, s.referral)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(len(doc)), "bytes/doc")
			}
		})
	}
}

func BenchmarkHTML(b *testing.B) {
	s := overdue()
	for b.Loop() {
		doc, err := HTML(s.assessment, s.filter, s.referral)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(doc)), "bytes/doc")
	}
}

func BenchmarkSVG(b *testing.B) {
	s := crowded()
	for b.Loop() {
		if _, err := SVG(s.assessment, s.filter); err != nil {
			b.Fatal(err)
		}
	}
}
