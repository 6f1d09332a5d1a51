package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"dwellwatch/internal/compose"
	"dwellwatch/internal/workup"
)

// documents writes the document of every referral that was made, as PDF, HTML and SVG, and says where they are. They are
// made from what is saved for the record, so the PDF is the one that the record holds.
func (h *hospitalStay) documents(ctx context.Context, dir string) error {
	rows, err := h.program.store.Overview(ctx)
	if err != nil {
		return err
	}
	if dir == "" {
		if dir, err = os.MkdirTemp("", "dwellwatch-documents-"); err != nil {
			return err
		}
	} else if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	n := 0
	for _, row := range rows {
		for _, r := range row.Referrals {
			wanted, err := h.program.store.Wanted(ctx, r.Referral.Key)
			if err != nil {
				return err
			}
			if len(wanted.Document) == 0 {
				continue
			}
			var d compose.Document
			if err := json.Unmarshal(wanted.Document, &d); err != nil {
				return fmt.Errorf("read a document: %w", err)
			}
			if len(d.Assessment.Filters) != 1 {
				continue
			}
			if said := d.Before(wanted.Holds); said != nil {
				d.Since = &compose.Since{Said: said}
			}
			if err := writeDocuments(dir, d); err != nil {
				return err
			}
			n++
		}
	}
	if dir, err = filepath.Abs(dir); err != nil {
		return err
	}
	fmt.Fprintf(h.out, "\nThe documents of %d referrals, each as PDF, HTML page and SVG time line: %s\n", n, dir)
	return nil
}

// writeDocuments writes one referral's document. Two filters of a patient differ in the first part of their keys.
func writeDocuments(dir string, d compose.Document) error {
	f := d.Assessment.Filters[0]
	key, _, _ := strings.Cut(f.Key, "-")
	name := filepath.Join(dir, strings.ReplaceAll(strings.TrimPrefix(d.Assessment.Patient, "Patient/"), "/", "-")+"-"+key)
	about := caseOf(d)
	pdf, err := about.PDF(workup.A4)
	if err != nil {
		return err
	}
	page, err := about.HTML()
	if err != nil {
		return err
	}
	line, err := workup.SVG(d.Assessment, f)
	if err != nil {
		return err
	}
	for _, file := range []struct {
		ending string
		body   []byte
	}{{".pdf", pdf}, {".html", page}, {".svg", line}} {
		if err := os.WriteFile(name+file.ending, file.body, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// caseOf gives what a document is drawn from.
func caseOf(d compose.Document) workup.Case {
	c := workup.Case{Assessment: d.Assessment, Filter: d.Assessment.Filters[0], Referral: d.Referral}
	if d.Since != nil {
		c.Since = &workup.Since{Said: d.Since.Said}
	}
	return c
}
