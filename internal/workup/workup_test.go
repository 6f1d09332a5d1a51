package workup

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/fault"
)

func samples() map[string]sample {
	return map[string]sample{
		"overdue": overdue(), "emergency": emergency(), "unclear": unclear(), "crowded": crowded(), "closed": closed(),
		"forgotten": forgotten(), "tried": tried(), "yearOnly": yearOnly(),
	}
}

func pdf(t *testing.T, s sample) []byte {
	t.Helper()
	doc, err := PDF(s.assessment, s.filter, s.referral)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// text gives the document's text with every space removed, because lines break where the layout wants.
func text(t *testing.T, doc []byte) string {
	t.Helper()
	return squeeze(run(t, peer(t, "pdftotext", "poppler-utils"), doc, "-raw", "FILE", "-"))
}

func squeeze(s string) string { return strings.Join(strings.Fields(s), "") }

func mustSay(t *testing.T, got string, texts ...string) {
	t.Helper()
	for _, want := range texts {
		if !strings.Contains(got, squeeze(want)) {
			t.Errorf("the document does not say %q", want)
		}
	}
}

func mustNotSay(t *testing.T, got string, texts ...string) {
	t.Helper()
	for _, bad := range texts {
		if strings.Contains(got, squeeze(bad)) {
			t.Errorf("the document says %q", bad)
		}
	}
}

var pageObject = regexp.MustCompile(`/Type /Page\b[^s]`)

func pages(doc []byte) int { return len(pageObject.FindAll(doc, -1)) }

func TestSameBytesFromManyAtOnce(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want := pdf(t, s)
			var wait sync.WaitGroup
			got := make([][]byte, 4)
			for i := range got {
				wait.Go(func() { got[i], _ = PDF(s.assessment, s.filter, s.referral) })
			}
			wait.Wait()
			for i := range got {
				if !bytes.Equal(want, got[i]) {
					t.Errorf("drawing %d differs from the first one", i)
				}
			}
		})
	}
}

func TestSizeAndPages(t *testing.T) {
	t.Parallel()
	want := map[string]int{"overdue": 2, "emergency": 2, "unclear": 2, "closed": 2, "forgotten": 2, "tried": 2, "yearOnly": 2, "crowded": 5}
	for name, s := range samples() {
		doc := pdf(t, s)
		if len(doc) >= 200_000 {
			t.Errorf("%s: %d bytes, want fewer than 200000", name, len(doc))
		}
		if n := pages(doc); n != want[name] {
			t.Errorf("%s: %d pages, want %d", name, n, want[name])
		}
		// DWELLWATCH_KEEP_PDF names a folder for people who want to look at the pages.
		if dir := os.Getenv("DWELLWATCH_KEEP_PDF"); dir != "" {
			if err := os.WriteFile(filepath.Join(dir, name+".pdf"), doc, 0o600); err != nil {
				t.Error(err)
			}
			picture, err1 := SVG(s.assessment, s.filter)
			page, err2 := HTML(s.assessment, s.filter, s.referral)
			if err := errors.Join(err1, err2, os.WriteFile(filepath.Join(dir, name+".svg"), picture, 0o600), os.WriteFile(filepath.Join(dir, name+".html"), page, 0o600)); err != nil {
				t.Error(err)
			}
		}
	}
}

func TestQPDFFindsNoFault(t *testing.T) {
	t.Parallel()
	program := peer(t, "qpdf", "qpdf")
	for name, s := range samples() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if out := run(t, program, pdf(t, s), "--check", "FILE"); !strings.Contains(out, "No syntax or stream encoding errors found") {
				t.Errorf("qpdf --check says:\n%s", out)
			}
		})
	}
}

func TestFileFacts(t *testing.T) {
	t.Parallel()
	s := overdue()
	info := run(t, peer(t, "pdfinfo", "poppler-utils"), pdf(t, s), "-rawdates", "FILE")
	for _, want := range []string{
		`Title: +Vena cava filter work-up \(draft\)\n`, `Author: +dwellwatch\n`, `Pages: +2\n`, `Page size: +595\.\d+ x 841\.\d+ pts \(A4\)`,
		`CreationDate: +D:20260504000000`, `ModDate: +D:20260504000000`,
	} {
		if !regexp.MustCompile(want).MatchString(info) {
			t.Errorf("pdfinfo does not show %q:\n%s", want, info)
		}
	}
	if !bytes.Contains(pdf(t, s), []byte("/Lang (en)")) {
		t.Error("the file names no language")
	}
	if strings.Contains(info, "Tolliver") {
		t.Error("the file's metadata holds the patient's name")
	}
	if fonts := run(t, peer(t, "pdffonts", "poppler-utils"), pdf(t, s), "FILE"); len(regexp.MustCompile(`yes (yes|no) +yes`).FindAllString(fonts, -1)) != 2 {
		t.Errorf("want two embedded fonts with a Unicode map:\n%s", fonts)
	}
}

// TestEveryTextAppears collects every string of the assessment that a reader must see and looks for it on paper.
func TestEveryTextAppears(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a, f, r := s.assessment, s.filter, s.referral
			got := text(t, pdf(t, s))
			mustSay(t, got, draftWords, a.Patient, a.Person.BirthDate, a.AsOf, a.Policy, a.Note, f.Headline,
				verdictWords(f.Verdict), standingWords(f.Standing), capital(rangeWords(f.Placed)), f.Model.Name,
				capital(daysWords(f.DwellDays)), short(f.Key), windowCaveat, indicationWords(f.Indication),
				anticoagulationWords(f.Anticoagulation), contextWords(a.Context))
			mustSay(t, got, r.BasedOn...)
			mustSay(t, got, f.AskedEvidence...)
			mustSay(t, got, cautions(a)...)
			if r.Reason == "" {
				mustSay(t, got, addresseeWords(r.To), askWords(f.Verdict), priorityWords(r.Priority), r.DueOn.String())
			}
			for _, x := range f.Findings {
				mustSay(t, got, x.Text, sourceWords(x))
				mustSay(t, got, x.Evidence...)
			}
			for _, x := range f.Contradictions {
				mustSay(t, got, x.Text)
				mustSay(t, got, x.Evidence...)
			}
			for _, x := range f.Missing {
				mustSay(t, got, x.Text)
			}
			for _, x := range f.Events {
				mustSay(t, got, x.Text, rangeWords(&x.When), eventWords(x.What))
				mustSay(t, got, x.Evidence...)
			}
			for _, x := range f.Courses {
				mustSay(t, got, append([]string{courseWords(x), rangeWords(&x.Start)}, x.Evidence...)...)
			}
			for _, x := range f.Background {
				mustSay(t, got, append([]string{x.Text, rangeWords(&x.When)}, x.Evidence...)...)
			}
			for _, x := range a.Unread {
				mustSay(t, got, x.Resource, x.Path, x.Reason)
			}
			n := pages(pdf(t, s))
			for i := range n {
				mustSay(t, got, fmt.Sprintf("Page %d of %d", i+1, n))
			}
		})
	}
}

func TestReadingOrder(t *testing.T) {
	t.Parallel()
	s := emergency()
	got := text(t, pdf(t, s))
	at := 0
	for _, want := range []string{
		draftWords, "TELEPHONE NOW – this is not an emergency channel", s.assessment.Person.Name, s.assessment.Patient,
		"The record disagrees with itself", "This decides the verdict.", "Quill D2", "identified by name only", "Partly removed", "2024-06-01 to 2024-06-30", "673 to 702 days",
		"Urgent", "OVERDUE", s.filter.Headline, "Retrieval clinic", "2026-05-05", "immediately (stat)",
		"Reason over?", indicationWords("resolved"), "Anticoagulation", windowCaveat, "How sure", "Time line, to scale", "Read this with care",
		"Data quality", "The record disagrees with itself", "Procedure/pr-81", "Missing from the record", "Could not be read",
		"Appendix", "Findings", "History, entry by entry",
	} {
		i := strings.Index(got[at:], squeeze(want))
		if i < 0 {
			t.Fatalf("%q does not follow in the reading order", want)
		}
		at += i + len(squeeze(want))
	}
}

func TestTelephoneOnlyWhereItPresses(t *testing.T) {
	t.Parallel()
	const words = "TELEPHONE NOW"
	urgent := overdue()
	urgent.filter.Verdict, urgent.referral.Priority = "urgent", "urgent"
	mustSay(t, text(t, pdf(t, urgent)), words)
	mustSay(t, text(t, pdf(t, emergency())), words)
	mustNotSay(t, text(t, pdf(t, overdue())), words)
	mustNotSay(t, text(t, pdf(t, closed())), words, "Asked of")
	mustSay(t, text(t, pdf(t, closed())), "Nothing is asked", "The filter came out.")
}

func TestNames(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ in, out string }{
		"latin":        {"Maren Tolliver", "Maren Tolliver"},
		"marks apart":  {"Zoe\u0308 Nova\u0301kova\u0301", "Zoë Nováková"},
		"vietnamese":   {"Nguyễn Thị Ánh", "Nguyễn Thị Ánh"},
		"greek":        {"Ελένη Παππά", "Ελένη Παππά"},
		"cyrillic":     {"Оксана Вітренко", "Оксана Вітренко"},
		"japanese":     {"山田 花子", unprintableName},
		"mixed":        {"Hanako 山田", unprintableName},
		"arabic":       {"ليلى", unprintableName},
		"hebrew":       {"נועה", unprintableName},
		"beyond bmp":   {"𠮷野", unprintableName},
		"not utf-8":    {"Ma\xffren", "Ma\uFFFDren"},
		"hidden runes": {"Ma\u200bren\u202e\nTolliver", "Maren Tolliver"},
		"empty":        {"  ", "name not recorded"},
		"sixty":        {crowded().assessment.Person.Name, crowded().assessment.Person.Name},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := overdue()
			s.assessment.Person.Name = c.in
			got := text(t, pdf(t, s))
			mustSay(t, got, c.out)
			if c.out == unprintableName {
				mustNotSay(t, got, strings.Fields(c.in)...)
			}
		})
	}
}

func TestUnprintableTextIsMarked(t *testing.T) {
	t.Parallel()
	s := overdue()
	s.filter.Findings[0].Text = "The note says 下大静脈 フィルター, three words."
	mustSay(t, text(t, pdf(t, s)), "The note says "+unprintable+" , three words.")
}

// TestNothingIsCut feeds texts longer than a page to every place that takes a text, and looks for each word of them.
func TestNothingIsCut(t *testing.T) {
	t.Parallel()
	long := func(tag string) string {
		var words []string
		for i := range 1800 {
			words = append(words, fmt.Sprintf("%s%04d", tag, i))
		}
		return strings.Join(words, " ")
	}
	s := emergency()
	s.filter.Headline = long("headline")
	s.filter.Findings[1].Text = long("finding")
	s.filter.Findings[1].Evidence = []string{long("evidence")}
	s.filter.Contradictions[0].Text = long("contradiction")
	s.filter.Missing[0].Text = long("missing")
	s.filter.Events[0].Text = long("event")
	s.assessment.Note = long("note")
	s.assessment.Person.Name = long("name")
	s.filter.Model.Name = strings.ReplaceAll(long("model"), " ", "")
	doc := pdf(t, s)
	got := run(t, peer(t, "pdftotext", "poppler-utils"), doc, "-raw", "FILE", "-")
	found := map[string]bool{}
	for _, w := range regexp.MustCompile(`\b[a-z]+\d{4}\b`).FindAllString(got, -1) {
		found[w] = true
	}
	for _, w := range regexp.MustCompile(`model\d{4}`).FindAllString(squeeze(got), -1) {
		found[w] = true
	}
	for _, tag := range []string{"headline", "finding", "evidence", "contradiction", "missing", "event", "note", "name", "model"} {
		lost := 0
		for _, w := range strings.Fields(long(tag)) {
			if !found[w] {
				lost++
			}
		}
		// A word of the unbroken model name may be parted by the end of a page; a handful of pages part a handful of words.
		if allowed := map[string]int{"model": pages(doc)}[tag]; lost > allowed {
			t.Errorf("%d words of %s are lost", lost, tag)
		}
	}
	noOverlap(t, doc)
}

func TestNothingOverlaps(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			noOverlap(t, pdf(t, s))
		})
	}
}

func TestBadDayIsRefused(t *testing.T) {
	t.Parallel()
	s := overdue()
	for _, day := range []string{"", "2026-02-30", "now"} {
		s.assessment.AsOf = day
		if _, err := PDF(s.assessment, s.filter, s.referral); !errors.Is(err, fault.Invalid) {
			t.Errorf("asOf %q: error %v, want one that is fault.Invalid", day, err)
		}
	}
}

func TestEmptyInputStillDraws(t *testing.T) {
	t.Parallel()
	s := sample{assessment: assess.Assessment{AsOf: "2026-05-04"}}
	mustSay(t, text(t, pdf(t, s)), draftWords, "name not recorded", "Model not known", "Day not known", "Nothing has been asked yet")
}

func TestRangesAndDays(t *testing.T) {
	t.Parallel()
	day := "2026-01-02"
	got := []string{
		rangeWords(nil), rangeWords(&assess.Range{}), rangeWords(&assess.Range{Earliest: &day}),
		rangeWords(&assess.Range{Latest: &day}), rangeWords(&assess.Range{Earliest: &day, Latest: ptr("2026-01-09")}),
		rangeWords(&assess.Range{Earliest: &day, Latest: ptr("2026-01-02")}),
		daysWords(nil), daysWords(&assess.Days{Min: ptr(3)}), daysWords(&assess.Days{Max: ptr(1)}),
		daysWords(&assess.Days{Min: ptr(0), Max: ptr(30)}), daysWords(&assess.Days{Min: ptr(1), Max: ptr(1)}),
	}
	want := []string{
		"day not known", "day not known", "2026-01-02 or later", "2026-01-02 or earlier",
		"2026-01-02 to 2026-01-09", "2026-01-02",
		"not known", "3 days or more", "1 day or fewer", "0 to 30 days", "1 day",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
