package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/rules"
)

// basis reads what an assessment rests on. A file that is missing or cannot be read is wrong use, and the error names the
// setting: an assessment without it would look like one and be another.
func (s basisSettings) basis() (assess.Basis, error) {
	zone, err := time.LoadLocation(s.Zone)
	if err != nil {
		return assess.Basis{}, usageError{fmt.Sprintf("%s: %q is not known: use a name like Europe/Vienna", setting("zone"), s.Zone)}
	}
	b := assess.Basis{Zone: zone, Book: rules.NewBook()}
	if b.Policy, err = s.Policy.read(); err != nil {
		return assess.Basis{}, usageError{fmt.Sprintf("%s: %v", setting("policy"), err)}
	}
	if b.Models, err = readCatalogue(s.Catalogue); err != nil {
		return assess.Basis{}, usageError{fmt.Sprintf("%s: %v", setting("catalogue"), err)}
	}
	if b.Sets, err = readValueSets(s.ValueSets); err != nil {
		return assess.Basis{}, usageError{fmt.Sprintf("%s: %v", setting("value-sets"), err)}
	}
	return b, nil
}

// tellBasis logs what the answers rest on, so that whoever installs the service sees that the site's files were loaded.
func tellBasis(log *slog.Logger, b assess.Basis) {
	added := b.Sets.Added()
	log.Info("what answers rest on", "policy", b.Policy.Name, "site_value_sets", added.Sets, "site_codes", added.Codes, "site_patterns", added.Patterns,
		"catalogue_models", len(b.Models.Models))
}

// readCatalogue reads the device catalogue; without a path it is empty.
func readCatalogue(path string) (catalogue.Catalogue, error) {
	if path == "" {
		return catalogue.Catalogue{}, nil
	}
	body, err := os.ReadFile(path)
	if err != nil {
		return catalogue.Catalogue{}, err
	}
	c, err := chart.ReadCatalogue(body)
	if err != nil {
		return catalogue.Catalogue{}, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// readValueSets reads the site's files and folders on top of the shipped sets. Each file is tried alone first, so that the
// error names the one at fault.
func readValueSets(paths []string) (chart.Sets, error) {
	var site [][]byte
	for _, p := range paths {
		files, err := setFiles(p)
		if err != nil {
			return chart.Sets{}, err
		}
		for _, f := range files {
			body, err := os.ReadFile(f)
			if err != nil {
				return chart.Sets{}, err
			}
			if _, err := chart.LoadSets(body); err != nil {
				return chart.Sets{}, fmt.Errorf("%s: %w", f, err)
			}
			site = append(site, body)
		}
	}
	return chart.LoadSets(site...)
}

// setFiles gives a file itself, or the JSON files of a folder in order of name; a folder without any is a fault.
func setFiles(path string) ([]string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		return []string{path}, nil
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		return nil, err
	}
	var files []string
	for _, e := range entries {
		if filepath.Ext(e.Name()) == ".json" {
			files = append(files, filepath.Join(path, e.Name()))
		}
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("%s: the folder holds no .json file", path)
	}
	slices.Sort(files)
	return files, nil
}
