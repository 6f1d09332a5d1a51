package workup

import (
	"encoding/xml"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// peer finds a program that reads PDF files independently of the library that wrote them. Where it is missing the test
// fails with a hint, unless the variable DWELLWATCH_SKIP_PEERS is 1.
func peer(t *testing.T, name, debian string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("DWELLWATCH_SKIP_PEERS") == "1" {
		t.Skipf("%s is not installed", name)
	}
	t.Fatalf("%s is not installed: install the package %s, or set DWELLWATCH_SKIP_PEERS=1", name, debian)
	return ""
}

// run writes the document to a file and gives what a peer prints about it; the last argument is the file's path.
func run(t *testing.T, program string, doc []byte, args ...string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "workup.pdf")
	if err := os.WriteFile(file, doc, 0o600); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "FILE" {
			args[i] = file
		}
	}
	out, err := exec.Command(program, args...).Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("%s: %v\n%s%s", program, err, out, exit.Stderr)
		}
		t.Fatalf("%s: %v", program, err)
	}
	return string(out)
}

type box struct {
	XMin float64 `xml:"xMin,attr"`
	YMin float64 `xml:"yMin,attr"`
	XMax float64 `xml:"xMax,attr"`
	YMax float64 `xml:"yMax,attr"`
	Text string  `xml:",chardata"`
}

// noOverlap asks pdftotext where each word stands: none may leave the margins, none may lie on another.
func noOverlap(t *testing.T, doc []byte) {
	t.Helper()
	noOverlapOn(t, doc, sheetFor(t, A4), 297)
}

func noOverlapOn(t *testing.T, doc []byte, paper sheet, height float64) {
	t.Helper()
	var html struct {
		Pages []struct {
			Words []box `xml:"word"`
		} `xml:"body>doc>page"`
	}
	out := run(t, peer(t, "pdftotext", "poppler-utils"), doc, "-bbox", "FILE", "-")
	decoder := xml.NewDecoder(strings.NewReader(out))
	decoder.Strict = false
	decoder.Entity = xml.HTMLEntity
	if err := decoder.Decode(&html); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(pages(doc), len(html.Pages)); diff != "" {
		t.Fatalf("pages (-file +pdftotext):\n%s", diff)
	}
	const slack = 0.6 // points: letter boxes are taller than the letters
	point := func(mm float64) float64 { return mm / mmPerPoint }
	for n, page := range html.Pages {
		if len(page.Words) < 10 {
			t.Errorf("page %d has only %d words", n+1, len(page.Words))
		}
		for i, a := range page.Words {
			if a.XMin < point(paper.left)-slack || a.XMax > point(paper.left+width)+slack || a.YMin < 0 || a.YMax > point(height-6) {
				t.Errorf("page %d: %q leaves the margins: %+v", n+1, a.Text, a)
			}
			for _, b := range page.Words[i+1:] {
				if min(a.XMax, b.XMax)-max(a.XMin, b.XMin) > slack && min(a.YMax, b.YMax)-max(a.YMin, b.YMin) > slack {
					t.Errorf("page %d: %q lies on %q", n+1, a.Text, b.Text)
				}
			}
		}
	}
}
