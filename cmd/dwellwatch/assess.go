package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"dwellwatch/fhir"
)

type assessCommand struct {
	basisSettings `embed:""`
	On            string   `help:"Day of the assessment (YYYY-MM-DD)." required:"" placeholder:"DAY"`
	Files         []string `arg:"" name:"file" help:"FHIR JSON (a resource or a Bundle) or NDJSON; - reads standard input."`
}

// Run assesses what the files hold together and prints one JSON object per patient and line. What cannot be read is named
// on standard error; the exit status is 1 only if nothing could be.
func (c *assessCommand) Run(_ context.Context, io streams) error {
	basis, err := c.basis()
	if err != nil {
		return err
	}
	day, err := dayOf(c.On, basis.Zone)
	if err != nil {
		return err
	}
	var all []fhir.Resource
	for _, name := range c.Files {
		body, err := readInput(name, io.in)
		if err != nil {
			return err
		}
		got, faults := readResources(body)
		all = append(all, got...)
		for _, f := range faults {
			fmt.Fprintf(io.err, "dwellwatch: %s: %v\n", name, f)
		}
	}
	if len(all) == 0 {
		return errors.New("nothing could be read")
	}
	lines, err := assessAll(all, basis, day)
	if err != nil {
		return err
	}
	if len(lines) == 0 {
		return errors.New("no entry names a patient")
	}
	for _, line := range lines {
		if _, err := fmt.Fprintf(io.out, "%s\n", line); err != nil {
			return err
		}
	}
	return nil
}

func readInput(name string, in io.Reader) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(in)
	}
	return os.ReadFile(name)
}

// readResources reads one resource, a Bundle's entries, or one of these per line. faults names all that could not be read.
func readResources(body []byte) (out []fhir.Resource, faults []error) {
	r, err := fhir.Decode(body)
	if err == nil {
		return entriesOf(r)
	}
	lines := bytes.Split(body, []byte("\n"))
	if !ndjson(lines) {
		return nil, []error{err}
	}
	for i, line := range lines {
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		r, err := fhir.Decode(line)
		if err != nil {
			faults = append(faults, fmt.Errorf("line %d: %w", i+1, err))
			continue
		}
		got, more := entriesOf(r)
		out, faults = append(out, got...), append(faults, more...)
	}
	return out, faults
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

func entriesOf(r fhir.Resource) (out []fhir.Resource, faults []error) {
	if r.Type != "Bundle" {
		return []fhir.Resource{r}, nil
	}
	b, err := fhir.DecodeBundle(r)
	if err != nil {
		return nil, []error{err}
	}
	for _, e := range b.Entries {
		switch {
		case e.Fault != nil:
			faults = append(faults, e.Fault)
		case e.HasResource:
			out = append(out, e.Resource)
		}
	}
	return out, faults
}
