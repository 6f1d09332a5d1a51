// Package demo holds the invented hospital of the demonstration: Alder Bay General in Saltmarsh Quay, its patients as FHIR
// R4 transaction Bundles, the device catalogue, and the answer expected for each patient on the demonstration's day.
// Every person, place, device model and number in it is made up; device identifiers lie in the range 952, which GS1 keeps
// for demonstrations and examples. The expected answers were worked out by hand from rules.md, and nothing in this
// package may ever be produced by running the assessment. It must never do I/O, read a clock, or hold a real person.
package demo

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

const (
	// Name is the invented hospital.
	Name = "Alder Bay General"
	// City is where it is said to stand.
	City = "Saltmarsh Quay"
	// Day is the one day on which the expected answers hold (YYYY-MM-DD).
	Day = "2026-03-01"
	// Zone is the facility's time zone.
	Zone = "UTC"
)

//go:embed hospital/*.json hospital/expected.tsv
var hospital embed.FS

//go:embed catalogue.json
var catalogue string

//go:embed valuesets/*.json
var valueSets embed.FS

// ValueSets gives the hospital's own codes, as FHIR ValueSets that add to the shipped ones.
func ValueSets() ([][]byte, error) {
	files, err := valueSets.ReadDir("valuesets")
	if err != nil {
		return nil, fmt.Errorf("demo value sets: %w", err)
	}
	var out [][]byte
	for _, f := range files {
		body, err := valueSets.ReadFile("valuesets/" + f.Name())
		if err != nil {
			return nil, fmt.Errorf("demo value sets: %w", err)
		}
		out = append(out, body)
	}
	return out, nil
}

// Patient is one invented patient: what is sent about them, in order.
type Patient struct {
	ID    string // of the Patient resource
	Name  string // given and family name as the record writes them
	Title string // what the patient shows, from the file name ("past window still indicated")
	Steps []Step // at least one; a later step changes what an earlier one said
}

// Step is one transaction Bundle and the answer expected once it and all steps before it have been taken in.
type Step struct {
	File     string
	Bundle   []byte
	Expected []Row // in the order of filters; at least one
}

// Expected gives the rows that hold once everything has been sent.
func (p Patient) Expected() []Row { return p.Steps[len(p.Steps)-1].Expected }

// Hospital gives all patients in the order of their files. An error means that the embedded files do not fit together.
func Hospital() ([]Patient, error) {
	rows, err := readExpected()
	if err != nil {
		return nil, err
	}
	files, err := hospital.ReadDir("hospital")
	if err != nil {
		return nil, fmt.Errorf("demo hospital: %w", err)
	}
	slices.SortFunc(files, func(a, b fs.DirEntry) int { return strings.Compare(stem(a.Name()), stem(b.Name())) })
	var patients []Patient
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".json") {
			continue
		}
		step, p, err := readStep(f.Name(), rows[f.Name()])
		if err != nil {
			return nil, err
		}
		delete(rows, f.Name())
		at := slices.IndexFunc(patients, func(q Patient) bool { return q.ID == p.ID })
		if at < 0 {
			patients = append(patients, p)
			at = len(patients) - 1
		}
		patients[at].Steps = append(patients[at].Steps, step)
	}
	for file := range rows {
		return nil, fmt.Errorf("demo hospital: expected.tsv names %s, which is not there", file)
	}
	return patients, nil
}

// stem is the name by which files are ordered: it puts "22-x.json" before "22-x-2.json".
func stem(file string) string { return strings.TrimSuffix(file, ".json") }

func readStep(file string, rows []Row) (Step, Patient, error) {
	if len(rows) == 0 {
		return Step{}, Patient{}, fmt.Errorf("demo hospital: expected.tsv has no row for %s", file)
	}
	body, err := hospital.ReadFile("hospital/" + file)
	if err != nil {
		return Step{}, Patient{}, fmt.Errorf("demo hospital: %w", err)
	}
	var b struct {
		Entry []struct {
			Resource struct {
				ResourceType string
				ID           string
				Name         []struct {
					Family string
					Given  []string
				}
			}
		}
	}
	if err := json.Unmarshal(body, &b); err != nil {
		return Step{}, Patient{}, fmt.Errorf("demo hospital: %s: %w", file, err)
	}
	p := Patient{ID: rows[0].Patient, Title: title(file)}
	for _, e := range b.Entry {
		if e.Resource.ResourceType != "Patient" || len(e.Resource.Name) == 0 {
			continue
		}
		if e.Resource.ID != p.ID {
			return Step{}, Patient{}, fmt.Errorf("demo hospital: %s holds another patient than expected.tsv says", file)
		}
		n := e.Resource.Name[0]
		p.Name = strings.Join(append(slices.Clone(n.Given), n.Family), " ")
	}
	return Step{File: file, Bundle: body, Expected: rows}, p, nil
}

func title(file string) string {
	_, rest, _ := strings.Cut(stem(file), "-")
	return strings.ReplaceAll(rest, "-", " ")
}

// Catalogue gives the device catalogue: a Bundle of FHIR R4 DeviceDefinition with three invented models. Design and
// labelled use are our own extensions urn:dwellwatch:device-design and urn:dwellwatch:device-intent.
func Catalogue() []byte { return []byte(catalogue) }
