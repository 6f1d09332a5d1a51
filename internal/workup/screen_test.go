package workup

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strings"
	"testing"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/fault"
)

func screen(t *testing.T, s sample) string {
	t.Helper()
	doc, err := HTML(s.assessment, s.filter, s.referral)
	if err != nil {
		t.Fatal(err)
	}
	return string(doc)
}

// unmarked gives a page's text without its tags, its style and its spaces.
func unmarked(page string) string {
	page = regexp.MustCompile(`(?s)<style>.*?</style>|<[^>]*>`).ReplaceAllString(page, "")
	page = strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&lt;", "<", "&gt;", ">", "&amp;", "&", "&#43;", "+").Replace(page)
	return squeeze(page)
}

// TestScreenSaysWhatThePaperSays: every string of the assessment that a reader must see stands in the page.
func TestScreenSaysWhatThePaperSays(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a, f, r := s.assessment, s.filter, s.referral
			got := unmarked(screen(t, s))
			mustSay(t, got, draftWords, a.Person.Name, a.Patient, a.Person.BirthDate, a.AsOf, a.Note, f.Headline, verdictWords(f.Verdict),
				standingWords(f.Standing), f.Model.Name, windowCaveat, indicationWords(f.Indication), anticoagulationWords(f.Anticoagulation), telephone(f, r))
			mustSay(t, got, r.BasedOn...)
			mustSay(t, got, f.AskedEvidence...)
			mustSay(t, got, cautions(a)...)
			for _, x := range f.Findings {
				mustSay(t, got, append([]string{x.Text, sourceWords(x)}, x.Evidence...)...)
			}
			for _, x := range f.Contradictions {
				mustSay(t, got, append([]string{x.Text}, x.Evidence...)...)
			}
			for _, x := range f.Missing {
				mustSay(t, got, x.Text)
			}
			for _, x := range f.Events {
				mustSay(t, got, append([]string{x.Text, rangeWords(&x.When), eventWords(x.What)}, x.Evidence...)...)
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
		})
	}
}

// TestScreenStandsAlone: no script, nothing fetched, a language, headings without a gap, a picture with title and words.
func TestScreenStandsAlone(t *testing.T) {
	t.Parallel()
	page := screen(t, emergency())
	for _, bad := range []string{"<script", "src=", "url(", "@import", "<link", "<img", " on", "javascript:"} {
		if strings.Contains(strings.ReplaceAll(strings.ToLower(regexp.MustCompile(`>[^<]*<`).ReplaceAllString(page, "><")), "http://www.w3.org/2000/svg", ""), bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if links := regexp.MustCompile(`href="([^#][^"]*)"`).FindAllString(page, -1); links != nil {
		t.Errorf("the page points outside: %v", links)
	}
	for _, want := range []string{`<html lang="en">`, `name="viewport"`, "prefers-color-scheme: dark", "@media print", "<svg ", "<title id=\"timeline-title\">", "<desc id=\"timeline-about\">", `scope="col"`, `scope="row"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	level := 0
	for _, m := range regexp.MustCompile(`<h(\d)`).FindAllStringSubmatch(page, -1) {
		n := int(m[1][0] - '0')
		if n > level+1 {
			t.Errorf("a heading of level %d follows one of level %d", n, level)
		}
		level = n
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if ids[m[1]] {
			t.Errorf("the id %q stands twice", m[1])
		}
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(` aria-labelledby="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		for _, id := range strings.Fields(m[1]) {
			if !ids[id] {
				t.Errorf("the label %q is not there", id)
			}
		}
	}
}

func TestMarkupInARecordIsText(t *testing.T) {
	t.Parallel()
	s := overdue()
	const evil = `<script>alert("x")</script>&'`
	s.assessment.Person.Name, s.filter.Headline, s.filter.Events[0].Text = evil, evil, evil
	s.filter.Findings[0].Text, s.filter.Model.Name, s.assessment.Patient = evil, evil, evil
	page := screen(t, s)
	if strings.Contains(page, "<script") {
		t.Error("markup of the record became markup of the page")
	}
	mustSay(t, unmarked(page), evil)
	picture, err := SVG(s.assessment, s.filter)
	if err != nil {
		t.Fatal(err)
	}
	wellFormed(t, picture)
}

// Names of every script stand in full on a screen, where the paper sends the reader to the record.
func TestScreenShowsNamesThatPaperCannot(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"山田 花子", "ليلى الحداد", "נועה", "𠮷野", "می\u200cخواهم", "ลัดดา"} {
		s := overdue()
		s.assessment.Person.Name, s.filter.Events[0].Text = name, name
		page := screen(t, s)
		if !strings.Contains(page, "<bdi>"+name+"</bdi>") || strings.Contains(page, unprintableName) {
			t.Errorf("the page does not show %q in full", name)
		}
		if !strings.Contains(page, ">"+name+"</text>") {
			t.Errorf("the picture does not show %q", name)
		}
		mustSay(t, text(t, pdf(t, s)), unprintableName)
	}
	s := overdue()
	s.assessment.Person.Name = "Maren\u202e\x00\ufffe Tolliver"
	if page := screen(t, s); !strings.Contains(page, "<bdi>Maren \ufffd Tolliver</bdi>") {
		t.Error("runes that turn or hide text are not taken out")
	}
}

func wellFormed(t *testing.T, doc []byte) {
	t.Helper()
	for d := xml.NewDecoder(bytes.NewReader(doc)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
	}
}

func TestPicturesAreWellFormedAndScale(t *testing.T) {
	t.Parallel()
	for name, s := range samples() {
		first, err := SVG(s.assessment, s.filter)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, first)
		again, err := SVG(s.assessment, s.filter)
		if err != nil || !bytes.Equal(first, again) {
			t.Errorf("%s: the picture drawn again differs (%v)", name, err)
		}
		for _, want := range []string{"viewBox=", "<title ", "<desc ", "<text ", `role="img"`} {
			if !bytes.Contains(first, []byte(want)) {
				t.Errorf("%s: the picture lacks %q", name, want)
			}
		}
		if bytes.Contains(first, []byte(s.assessment.Person.Name)) {
			t.Errorf("%s: the picture names the patient", name)
		}
		if colour := regexp.MustCompile(`#[0-9a-f]{3,6}`).FindAllString(string(first), -1); strings.ReplaceAll(strings.ReplaceAll(strings.Join(colour, ""), "#fff", ""), "#000", "") != "" {
			t.Errorf("%s: the picture has colours: %v", name, colour)
		}
	}
}

func TestScreenRefusesABadDay(t *testing.T) {
	t.Parallel()
	for _, day := range []string{"", "2026-02-30", "now"} {
		a := assess.Assessment{AsOf: day}
		if _, err := HTML(a, assess.Filter{}, overdue().referral); !errors.Is(err, fault.Invalid) {
			t.Errorf("asOf %q: error %v, want one that is fault.Invalid", day, err)
		}
		if _, err := SVG(a, assess.Filter{}); !errors.Is(err, fault.Invalid) {
			t.Errorf("asOf %q: error %v, want one that is fault.Invalid", day, err)
		}
	}
}
