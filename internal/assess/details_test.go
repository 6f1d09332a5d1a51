package assess

import (
	"reflect"
	"strings"
	"testing"

	"dwellwatch/internal/plan"
)

// TestEveryTextOfAPlanIsCompared: where any one text, day, number or flag of a plan is another, the change says what; "details" is kept
// for other entries and sources behind the same words. What is published on a predictor and the unit and name of a test never change.
func TestEveryTextOfAPlanIsCompared(t *testing.T) {
	t.Parallel()
	var p plan.Plan
	n := 0
	fill(reflect.ValueOf(&p).Elem(), &n)
	p.Anticoagulation.Holds[0].Agent = "a" + p.Anticoagulation.Holds[0].Agent
	of := func(x plan.Plan) Said { return Said{Assessment: Assessment{Filters: []Filter{{Plan: &x}}}} }
	before := copied(t, p)
	compared := 0
	changeEach(reflect.ValueOf(&p).Elem(), "", func(path string) {
		got := Changes(of(before), of(p))
		behind := strings.Contains(path, "Evidence") || strings.HasSuffix(path, ".Source.Source") || strings.HasSuffix(path, ".Known") || strings.HasSuffix(path, ".Published") || strings.HasSuffix(path, ".Unit")
		// Values and estimates that are judged the same are no changes at all; their judgement is.
		if len(got) == 0 || behind || strings.HasPrefix(path, ".Disagreements") {
			return
		}
		compared++
		if got[0].About == "details" {
			t.Errorf("%s changed, and only details are told", path)
		}
	})
	if compared < 100 {
		t.Errorf("only %d members were compared", compared)
	}
}

// copied gives a plan that shares no memory with another.
func copied(t *testing.T, p plan.Plan) plan.Plan {
	t.Helper()
	var out plan.Plan
	n := 0
	fill(reflect.ValueOf(&out).Elem(), &n)
	out.Anticoagulation.Holds[0].Agent = p.Anticoagulation.Holds[0].Agent
	if !reflect.DeepEqual(out, p) {
		t.Fatal("filled twice, two plans differ")
	}
	return out
}

// TestEmergencyAcuteDayHoldAndRouteAreTold: each of these changes is named by itself.
func TestEmergencyAcuteDayHoldAndRouteAreTold(t *testing.T) {
	t.Parallel()
	day := "2026-03-01"
	for about, change := range map[string]func(*Filter){
		"emergency":  func(f *Filter) { f.Emergency = true },
		"acuteUntil": func(f *Filter) { f.Plan.Anticoagulation.RedUntil = &day },
		"hold":       func(f *Filter) { f.Plan.Anticoagulation.Holds = []plan.AgentHold{{Agent: "apixaban", Hold: "4 doses"}} },
		"route":      func(f *Filter) { f.Plan.Routes = []plan.Route{{Vein: "jugular", Side: "right", State: "open"}} },
		"acuteLine":  func(f *Filter) { f.Plan.Anticoagulation.RedText.Text = "Two events." },
		"kit":        func(f *Filter) { f.Plan.Kit = []plan.Item{{Name: "snare", For: "hook"}} },
	} {
		f := Filter{Plan: &plan.Plan{}}
		change(&f)
		got := Changes(Said{Assessment: Assessment{Filters: []Filter{{Plan: &plan.Plan{}}}}}, Said{Assessment: Assessment{Filters: []Filter{f}}})
		if len(got) != 1 || got[0].About != about {
			t.Errorf("%s: %+v", about, got)
		}
	}
}
