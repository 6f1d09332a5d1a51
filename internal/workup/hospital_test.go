package workup

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/tools/txtar"

	"dwellwatch/fhir"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
)

// answered is what is said of one real answer's filter.
type answered struct {
	name string
	Case
}

// answers assesses the invented hospital and every twelfth story, as the service would.
func answers(t *testing.T) []answered {
	t.Helper()
	site, err1 := demo.ValueSets()
	sets, err2 := chart.LoadSets(site...)
	models, err3 := chart.ReadCatalogue(demo.Catalogue())
	patients, err4 := demo.Hospital()
	stories, err5 := filepath.Glob("../../testdata/stories/*.txtar")
	for _, err := range []error{err1, err2, err3, err4, err5} {
		if err != nil {
			t.Fatal(err)
		}
	}
	basis := assess.Basis{Policy: policy.Default(), Models: models, Sets: sets, Zone: time.UTC}
	var out []answered
	add := func(name, day string, bundle []byte) {
		asOf, err := filter.ParseDay(day)
		if err != nil {
			t.Fatal(err)
		}
		for _, record := range assess.Split(entriesOf(t, bundle)) {
			res := assess.Patient(record, basis, asOf)
			for _, f := range res.Assessment.Filters {
				r := draft.Referral{Key: f.Key, Round: 1, Revision: 1, To: draft.ToClinic, Priority: "asap", DueOn: asOf.Add(14)}
				out = append(out, answered{name, Case{Assessment: res.Assessment, Filter: f, Referral: r}})
			}
		}
	}
	for _, p := range patients {
		add(p.ID, demo.Day, p.Steps[0].Bundle)
	}
	for i := 0; i < len(stories); i += 12 {
		archive, err := txtar.ParseFile(stories[i])
		if err != nil {
			t.Fatal(err)
		}
		part := map[string]string{}
		for _, f := range archive.Files {
			part[f.Name] = string(f.Data)
		}
		add(filepath.Base(stories[i]), strings.TrimSpace(part["asof"]), []byte(part["bundle.json"]))
	}
	return out
}

func entriesOf(t *testing.T, body []byte) []fhir.Resource {
	t.Helper()
	r, err := fhir.DecodeLoose(body)
	if err != nil {
		t.Fatal(err)
	}
	b, err := fhir.DecodeLooseBundle(r)
	if err != nil {
		t.Fatal(err)
	}
	var out []fhir.Resource
	for _, e := range b.Entries {
		if e.HasResource && e.Fault == nil {
			out = append(out, e.Resource)
		}
	}
	return out
}

// TestAnswersMakeGoodDocuments: of real answers, with their plans, every line stands on both sizes of paper and on the page, nothing
// overlaps or leaves the margins, the time line stands on the first page, the plan begins on the second, and a file stays small.
func TestAnswersMakeGoodDocuments(t *testing.T) {
	t.Parallel()
	all := answers(t)
	planned := 0
	for _, x := range all {
		if x.Filter.Plan != nil {
			planned++
		}
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			page, err := x.HTML()
			if err != nil {
				t.Fatal(err)
			}
			says(t, unmarked(string(page)), x.Case)
			for paper, height := range map[Paper]float64{A4: 297, Letter: 279.4} {
				doc, err := x.PDF(paper)
				if err != nil {
					t.Fatal(err)
				}
				if len(doc) >= 200_000 {
					t.Errorf("%s: %d bytes", paper, len(doc))
				}
				noOverlapOn(t, doc, sheetFor(t, paper), height)
				printed := run(t, peer(t, "pdftotext", "poppler-utils"), doc, "-raw", "FILE", "-")
				says(t, squeeze(printed), x.Case)
				sheets := strings.Split(printed, "\f")
				mustSay(t, squeeze(sheets[0]), "Time line, to scale", "Read this with care")
				if x.Filter.Plan != nil {
					mustSay(t, squeeze(sheets[1]), "Plan for the removal")
				}
			}
		})
	}
	if len(all) < 50 || planned < 25 {
		t.Errorf("%d answers, %d with a plan", len(all), planned)
	}
}

// says looks for every text of a case, and of its plan.
func says(t *testing.T, got string, x Case) {
	t.Helper()
	v := newView(x, x.Assessment.Person.Name)
	mustSay(t, got, v.verdict, v.headline)
	for _, f := range append(append(v.facts, v.asks...), v.state...) {
		mustSay(t, got, f.Label, f.Value, f.Detail)
	}
	for _, list := range [][]item{v.contradictions, v.findings, v.events, v.beside, v.unread} {
		for _, i := range list {
			mustSay(t, got, i.When, i.What, i.Text, i.Entries, i.Source)
		}
	}
	mustSay(t, got, v.missing...)
	if v.plan == nil {
		return
	}
	lines := append(append([]task{v.plan.Advice}, v.plan.Why...), v.plan.Afterwards...)
	for _, g := range v.plan.Groups {
		mustSay(t, got, g.Title, g.About)
		lines = append(lines, g.Lines...)
	}
	for _, l := range lines {
		mustSay(t, got, l.Text, l.Detail)
	}
	for _, p := range v.plan.Predictors {
		mustSay(t, got, p.Name, p.Text, p.Published, p.Entries)
	}
	for _, s := range v.plan.Steps {
		mustSay(t, got, s.Technique, s.When, s.Access, s.Hazards, s.BailOut)
	}
	mustSay(t, got, v.plan.Shelf...)
	for _, o := range v.plan.Sources {
		mustSay(t, got, o.Source, o.Known)
	}
}
