package assess_test

import (
	"encoding/json"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"golang.org/x/tools/txtar"

	"dwellwatch"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/policy"
)

// planText writes a plan as it is sent.
func planText(f assess.Filter) string {
	body, err := json.Marshal(f.Plan)
	if err != nil {
		panic(err) // a plan is plain data
	}
	return string(body)
}

// planAnswer writes what a story's expected line can name of the plan: words joined by commas and hyphens, "none" where there is nothing.
func planAnswer(f assess.Filter) map[string]string {
	join := func(words []string) string {
		if len(words) == 0 {
			return "none"
		}
		return strings.ReplaceAll(strings.Join(words, ","), " ", "-")
	}
	if f.Plan == nil {
		return map[string]string{"plan": "none"}
	}
	p := f.Plan
	var why, present, absent, holds, routes, studies, tests, advised, steps, asks []string
	for _, r := range p.Approach.Why {
		why = append(why, r.Predictor)
	}
	for _, x := range p.Predictors {
		switch x.State {
		case plan.Present:
			present = append(present, x.Name)
		case plan.Absent:
			absent = append(absent, x.Name)
		}
	}
	for _, h := range p.Anticoagulation.Holds {
		holds = append(holds, h.Agent+":"+h.Hold)
	}
	for _, r := range p.Routes {
		routes = append(routes, r.Side+" "+r.Vein+":"+r.State)
	}
	for _, v := range p.Imaging.OnRecord {
		studies = append(studies, v.Modality+":"+v.Day)
	}
	for _, x := range p.Laboratory.Tests {
		tests = append(tests, x.Name+":"+x.Result)
	}
	for _, a := range p.Imaging.Advice {
		if a.Need == "recommended" {
			word, _, _ := strings.Cut(a.Examination, " ")
			advised = append(advised, word)
		}
	}
	for _, s := range p.Ladder {
		word, _, _ := strings.Cut(strings.ReplaceAll(s.Technique, ":", ""), " ")
		steps = append(steps, word)
	}
	access := "none"
	if i := slices.IndexFunc(p.Ladder, func(s plan.Step) bool { return strings.HasPrefix(s.Technique, "standard") }); i >= 0 {
		access = strings.ReplaceAll(p.Ladder[i].Access, " ", "-")
	}
	for _, a := range p.Asks {
		if strings.HasSuffix(a.What, "-patency") || slices.Contains([]string{"anticoagulant-which", "vte-day", "which-filter", "unread-signs"}, a.What) {
			asks = append(asks, a.What)
		}
	}
	red := "none"
	if p.Anticoagulation.RedUntil != nil {
		red = *p.Anticoagulation.RedUntil
	}
	return map[string]string{"plan": "some", "first": p.Approach.First, "why": join(why), "present": join(present), "absent": join(absent), "holds": join(holds), "routes": join(routes), "studies": join(studies),
		"tests": join(tests), "advised": join(advised), "steps": join(steps), "red-until": red, "access": access, "unsettled": strconv.FormatBool(p.Anticoagulation.Unsettled), "asks": join(asks)}
}

// TestPlansStandWhereTheVerdictWantsOne: every filter of every story whose verdict is refer, urgent or review has a plan, no other
// has one.
func TestPlansStandWhereTheVerdictWantsOne(t *testing.T) {
	t.Parallel()
	b := basis(t)
	with, without := 0, 0
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range assessStory(t, archive, b).Assessment.Filters {
			wanted := slices.Contains([]string{"refer", "urgent", "review"}, f.Verdict)
			if wanted != (f.Plan != nil) {
				t.Errorf("%s: verdict %s, plan %v", filepath.Base(path), f.Verdict, f.Plan != nil)
			}
			if wanted {
				with++
			} else {
				without++
			}
		}
	}
	if with < 100 || without < 100 {
		t.Errorf("%d filters with a plan, %d without: the stories show too little", with, without)
	}
}

// TestPlansSayNothingForbidden: no text of a plan holds a likelihood, a score, a length of time up to a day, an age, a model's name
// (those of the catalogue stand for brands), or the one hazard that is not to be named; each statement says where it comes from, in the
// policy's words; and no list is null.
func TestPlansSayNothingForbidden(t *testing.T) {
	t.Parallel()
	b := basis(t)
	forbidden := regexp.MustCompile(`(?i)\b(probabilit\w*|likelihood|chance|risk score|scor(e|es|ing)|today|tomorrow|yesterday|now is|currently|recently|ago|years? old|months? old|days? old|weeks? old|aged|age|intussuscept\w*|must be stopped|stop taking)\b`)
	var names []string
	for _, m := range b.Models.Models {
		names = append(names, m.Name)
	}
	if len(names) == 0 {
		t.Fatal("no model names to look for")
	}
	hows := []policy.How{policy.Seen, policy.SecondHand, policy.Memory, policy.Choice, policy.Practice}
	texts := 0
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range assessStory(t, archive, b).Assessment.Filters {
			if f.Plan == nil {
				continue
			}
			walkPlan(reflect.ValueOf(*f.Plan), "plan", func(at string, v reflect.Value) {
				switch {
				case v.Kind() == reflect.Slice && v.IsNil():
					t.Errorf("%s: %s is null", filepath.Base(path), at)
				case strings.HasSuffix(at, ".Known"):
					if !slices.Contains(hows, policy.How(v.String())) {
						t.Errorf("%s: %s is %q", filepath.Base(path), at, v.String())
					}
				case strings.HasSuffix(at, ".Source") && v.Kind() == reflect.String && v.String() == "":
					t.Errorf("%s: %s is empty", filepath.Base(path), at)
				case v.Kind() == reflect.String:
					texts++
					if found := forbidden.FindString(v.String()); found != "" && !strings.Contains(at, ".Evidence") {
						t.Errorf("%s: %s says %q: %s", filepath.Base(path), at, found, v.String())
					}
					for _, name := range names {
						if strings.Contains(v.String(), name) {
							t.Errorf("%s: %s names a model: %s", filepath.Base(path), at, v.String())
						}
					}
				}
			})
		}
	}
	if texts < 10000 {
		t.Errorf("only %d texts were seen", texts)
	}
}

// TestPlansAreAsOpenAPISays: every filter of every story, its plan included, is what openapi.yaml describes.
func TestPlansAreAsOpenAPISays(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData([]byte(dwellwatch.OpenAPI()))
	if err != nil {
		t.Fatal(err)
	}
	schema := doc.Components.Schemas["Filter"].Value
	b := basis(t)
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range assessStory(t, archive, b).Assessment.Filters {
			body, err := json.Marshal(f)
			if err != nil {
				t.Fatal(err)
			}
			var v any
			if err := json.Unmarshal(body, &v); err != nil {
				t.Fatal(err)
			}
			if err := schema.VisitJSON(v, openapi3.EnableJSONSchema2020()); err != nil {
				t.Errorf("%s: %v", filepath.Base(path), err)
			}
		}
	}
}

// walkPlan visits every value of a plan with the path of its fields.
func walkPlan(v reflect.Value, at string, visit func(string, reflect.Value)) {
	visit(at, v)
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			walkPlan(v.Elem(), at, visit)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			walkPlan(v.Field(i), at+"."+v.Type().Field(i).Name, visit)
		}
	case reflect.Slice:
		for i := range v.Len() {
			walkPlan(v.Index(i), at, visit)
		}
	}
}

// TestPlanNamesEntriesOfTheRecord: what a plan lists as evidence is an entry of the record.
func TestPlanNamesEntriesOfTheRecord(t *testing.T) {
	t.Parallel()
	b := basis(t)
	for _, path := range stories(t) {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		bundle := section(archive, "bundle.json")
		for _, f := range assessStory(t, archive, b).Assessment.Filters {
			if f.Plan == nil {
				continue
			}
			walkPlan(reflect.ValueOf(*f.Plan), "plan", func(at string, v reflect.Value) {
				if v.Kind() != reflect.String || !strings.HasSuffix(at, ".Evidence") {
					return
				}
				_, id, _ := strings.Cut(strings.TrimSuffix(v.String(), "#"), "/")
				id, _, _ = strings.Cut(id, "#")
				if !strings.Contains(bundle, id) {
					t.Errorf("%s: %s names %s", filepath.Base(path), at, v.String())
				}
			})
		}
	}
}
