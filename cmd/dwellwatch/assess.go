package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
)

type assessCommand struct {
	basisSettings `embed:""`
	On            string   `help:"Day of the assessment (YYYY-MM-DD)." required:"" placeholder:"DAY"`
	Files         []string `arg:"" name:"file" help:"FHIR JSON (a resource or a Bundle) or NDJSON; - reads standard input."`
}

// Help is shown by assess --help.
func (*assessCommand) Help() string {
	return `The files are assessed together. What cannot be read is named on standard error and in "unread", and does not keep the rest from being assessed. So are entries that should be about a patient, name none, and are named by no entry of a patient.

With one patient all this stands in the patient's "unread". With several, or with none, a last line holds it: {"asOf": DAY, "patient": null, "filters": [], "unread": [...]}.

Exit status: 0 if an answer was printed, 1 if nothing in the files could be read, 2 for wrong use. A file that does not exist or cannot be opened is wrong use: nothing is assessed then.

Example: dwellwatch assess chart.json devices.ndjson --on 2026-03-01 --zone Europe/Vienna`
}

// Run assesses what the files hold together and prints one JSON object per patient and line.
func (c *assessCommand) Run(_ context.Context, io streams) error {
	basis, err := c.basis()
	if err != nil {
		return err
	}
	day, err := dayOf(c.On, basis.Zone)
	if err != nil {
		return err
	}
	files, err := readInputs(c.Files, io.in)
	if err != nil {
		return err
	}
	var all []fhir.Resource
	var unread []assess.Unread
	readable := false
	for i, body := range files {
		got := readResources(body)
		readable = readable || got.readable
		all = append(all, got.resources...)
		for _, f := range got.faults {
			where := c.Files[i]
			if f.line > 0 {
				where = fmt.Sprintf("%s line %d", where, f.line)
			}
			fmt.Fprintf(io.err, "dwellwatch: %s: %v\n", where, f.err)
			unread = append(unread, unreadOf(where, f.err)...)
		}
	}
	if !readable {
		return errors.New("nothing could be read")
	}
	out, err := assessAll(all, unread, basis, day)
	if err != nil {
		return err
	}
	for _, line := range out.lines() {
		if _, err := fmt.Fprintf(io.out, "%s\n", line); err != nil {
			return err
		}
	}
	return nil
}

// readInputs reads every file before anything is assessed: an answer that lacks a file that was named would mislead.
func readInputs(names []string, in io.Reader) ([][]byte, error) {
	var out [][]byte
	piped := false
	for _, name := range names {
		var body []byte
		var err error
		switch {
		case name != "-":
			if body, err = os.ReadFile(name); err != nil {
				return nil, usageError{err.Error()}
			}
		case piped:
			return nil, usageError{"standard input (-) can be read only once"}
		default:
			piped = true
			if body, err = io.ReadAll(in); err != nil {
				return nil, fmt.Errorf("standard input: %w", err)
			}
		}
		out = append(out, body)
	}
	return out, nil
}

// reading is what one input holds.
type reading struct {
	readable  bool // at least one resource or Bundle could be read, be it empty
	resources []fhir.Resource
	faults    []inputFault
}

// inputFault is something that could not be read; line is 0 where the input is one document.
type inputFault struct {
	line int
	err  error
}

// readResources reads one resource, a Bundle's entries, or one of these per line.
func readResources(body []byte) reading {
	var out reading
	r, err := fhir.DecodeLoose(body)
	if err == nil {
		out.take(r, 0)
		return out
	}
	lines := bytes.Split(body, []byte("\n"))
	if !ndjson(lines) {
		out.faults = []inputFault{{0, err}}
		return out
	}
	for i, line := range lines {
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		r, err := fhir.DecodeLoose(line)
		if err != nil {
			out.faults = append(out.faults, inputFault{i + 1, err})
			continue
		}
		out.take(r, i+1)
	}
	return out
}

// ndjson reports whether at least two lines begin like objects of their own.
func ndjson(lines [][]byte) bool {
	n := 0
	for _, l := range lines {
		l = bytes.TrimSpace(l)
		if bytes.HasPrefix(l, []byte("{")) && bytes.HasSuffix(l, []byte("}")) && len(l) > 2 {
			n++
		}
	}
	return n > 0 && len(lines) > 1
}

// take adds a resource, or the entries of a Bundle.
func (g *reading) take(r fhir.Resource, line int) {
	if r.Type != "Bundle" {
		g.add(r, "", line)
		return
	}
	b, err := fhir.DecodeLooseBundle(r)
	if err != nil {
		g.faults = append(g.faults, inputFault{line, err})
		return
	}
	g.readable = g.readable || len(b.Entries) == 0
	for i, e := range b.Entries {
		switch {
		case e.Fault != nil:
			g.faults = append(g.faults, inputFault{line, e.Fault})
		case e.HasResource:
			g.add(e.Resource, fmt.Sprintf("Bundle.entry[%d].resource.", i), line)
		default:
			g.readable = true
		}
	}
}

// add adds one resource of a type that there is; a misspelt one would go by unheard.
func (g *reading) add(r fhir.Resource, at string, line int) {
	if !fhir.KnownType(r.Type) {
		g.faults = append(g.faults, inputFault{line, &fhir.Invalid{Issues: []fhir.Issue{{Severity: "error", Code: "not-supported", Expression: at + "resourceType", Text: fhir.NotR4}}}})
		return
	}
	g.readable = true
	g.resources = append(g.resources, r)
}
