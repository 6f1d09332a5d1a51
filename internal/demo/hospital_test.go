package demo

import (
	"encoding/json"
	"strings"
	"testing"
)

// bundle is a step's Bundle as the tests read it.
type bundle struct {
	ResourceType, Type string
	Entry              []struct {
		FullURL  string `json:"fullUrl"`
		Resource map[string]any
		Request  struct{ Method, URL string }
	}
}

func setup(t *testing.T) []Patient {
	t.Helper()
	patients, err := Hospital()
	if err != nil {
		t.Fatal(err)
	}
	if len(patients) < 16 {
		t.Fatalf("only %d patients", len(patients))
	}
	return patients
}

func decode(t *testing.T, file string, body []byte) bundle {
	t.Helper()
	var b bundle
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	if b.ResourceType != "Bundle" || len(b.Entry) == 0 {
		t.Fatalf("%s: not a filled Bundle", file)
	}
	return b
}

// walk calls f for every value in v with the names of the elements that lead to it.
func walk(v any, path []string, f func(path []string, v any)) {
	f(path, v)
	switch x := v.(type) {
	case map[string]any:
		for k, y := range x {
			walk(y, append(path[:len(path):len(path)], k), f)
		}
	case []any:
		for _, y := range x {
			walk(y, path, f)
		}
	}
}

func TestBundlesAreTransactionsOfPuts(t *testing.T) {
	t.Parallel()
	ids := map[string]string{} // Type/id -> patient
	for _, p := range setup(t) {
		if p.Name == "" || p.Title == "" {
			t.Errorf("%s has no name or title", p.ID)
		}
		for n, s := range p.Steps {
			b := decode(t, s.File, s.Bundle)
			if b.Type != "transaction" {
				t.Errorf("%s: type %q", s.File, b.Type)
			}
			for _, e := range b.Entry {
				ref, _ := e.Resource["resourceType"].(string)
				id, _ := e.Resource["id"].(string)
				ref += "/" + id
				if e.Request.Method != "PUT" || e.Request.URL != ref || !strings.HasSuffix(e.FullURL, "/fhir/"+ref) {
					t.Errorf("%s: entry of %s is %s %s %s", s.File, ref, e.FullURL, e.Request.Method, e.Request.URL)
				}
				if was, seen := ids[ref]; seen && (was != p.ID || n == 0) {
					t.Errorf("%s: %s is there twice", s.File, ref)
				}
				ids[ref] = p.ID
			}
		}
	}
}

func TestReferencesResolveWithinThePatient(t *testing.T) {
	t.Parallel()
	for _, p := range setup(t) {
		known := map[string]bool{}
		for _, s := range p.Steps {
			b := decode(t, s.File, s.Bundle)
			for _, e := range b.Entry {
				known[e.Request.URL] = true
			}
			for _, e := range b.Entry {
				owner := ""
				walk(e.Resource, nil, func(path []string, v any) {
					if path == nil || path[len(path)-1] != "reference" {
						return
					}
					if !known[v.(string)] {
						t.Errorf("%s: %s names %v, which is not there", s.File, e.Request.URL, v)
					}
					if strings.HasPrefix(v.(string), "Patient/") {
						owner = v.(string)
					}
				})
				if e.Resource["resourceType"] != "Patient" && owner != "Patient/"+p.ID {
					t.Errorf("%s: %s belongs to %q", s.File, e.Request.URL, owner)
				}
			}
		}
	}
}

func TestVersionsGoUp(t *testing.T) {
	t.Parallel()
	for _, p := range setup(t) {
		last := map[string]string{}
		for _, s := range p.Steps {
			for _, e := range decode(t, s.File, s.Bundle).Entry {
				v := e.Resource["meta"].(map[string]any)["versionId"].(string)
				if v <= last[e.Request.URL] {
					t.Errorf("%s: %s has version %s after %q", s.File, e.Request.URL, v, last[e.Request.URL])
				}
				last[e.Request.URL] = v
			}
		}
	}
}

func TestRetractionIsTheLastStep(t *testing.T) {
	t.Parallel()
	for _, p := range setup(t) {
		if len(p.Steps) == 1 {
			continue
		}
		s := p.Steps[len(p.Steps)-1]
		r := decode(t, s.File, s.Bundle).Entry[0].Resource
		if r["status"] != "entered-in-error" || s.Expected[0].Filter != "0" || p.Steps[0].Expected[0].Verdict != "refer" {
			t.Errorf("%s is not the retraction of a filter that was to be referred", s.File)
		}
		return
	}
	t.Error("no patient has a second step")
}
