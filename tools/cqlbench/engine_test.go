package cqlbench

import (
	_ "embed"
	"encoding/json"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/cql"
	"github.com/google/cql/result"
	"github.com/google/cql/retriever/local"
	"github.com/google/cql/terminology"
	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"

	"dwellwatch/internal/filter"
)

// The library's files, in the order in which they are one.

//go:embed dwell.cql
var record string

//go:embed dwell_filters.cql
var filters string

//go:embed dwell_events.cql
var events string

//go:embed dwell_courses.cql
var courses string

//go:embed dwell_levels.cql
var levels string

//go:embed dwell_answer.cql
var answers string

//go:embed dwell_plan.cql
var plans string

// relative is a reference within a Bundle or a resource. The engine's reader takes it apart and gives none of it back; an absolute one it
// keeps.
var relative = regexp.MustCompile(`"reference": ?"(#|[A-Z][A-Za-z]+/)`)

// engine is the library as the engine has parsed it, with all that is made once for many patients.
type engine struct {
	elm   *cql.ELM
	sets  terminology.Provider
	codec *jsonformat.Unmarshaller
}

func newEngine(t testing.TB) engine {
	t.Helper()
	model, helpers, err := cql.FHIRDataModelAndHelpersLib("4.0.1")
	if err != nil {
		t.Fatal(err)
	}
	library := strings.Join([]string{record, filters, events, courses, levels, answers, plans}, "\n")
	elm, err := cql.Parse(t.Context(), []string{library, helpers}, cql.ParseConfig{DataModels: [][]byte{model}})
	if err != nil {
		t.Fatal(err)
	}
	codec, err := jsonformat.NewUnmarshallerWithoutValidation("UTC", fhirversion.R4)
	if err != nil {
		t.Fatal(err)
	}
	return engine{elm, valueSets(t), codec}
}

// load goes from the bytes to what the library is asked about.
func (e engine) load(t testing.TB, body []byte) *local.Retriever {
	t.Helper()
	bundle, err := e.codec.UnmarshalR4(body)
	if err != nil {
		t.Fatal(err)
	}
	chart, err := local.NewRetrieverFromR4BundleProto(bundle.GetBundle())
	if err != nil {
		t.Fatal(err)
	}
	return chart
}

// byCQL goes from the bytes to the whole answer.
func (e engine) byCQL(t testing.TB, body []byte, asOf filter.Day) result.Value {
	t.Helper()
	y, m, d := asOf.Date()
	config := cql.EvalConfig{Terminology: e.sets, EvaluationTimestamp: time.Date(y, m, d, 12, 0, 0, 0, time.UTC)}
	got, err := e.elm.Eval(t.Context(), e.load(t, body), config)
	if err != nil {
		t.Fatal(err)
	}
	return got[result.LibKey{Name: "Dwell", Version: "3"}]["Answers"]
}

// reads reports whether the engine's reader takes a Bundle at all: one day that is none makes it refuse the whole.
func (e engine) reads(body []byte) bool {
	_, err := e.codec.UnmarshalR4(body)
	return err == nil
}

// answer is what is compared of one filter.
type answer struct {
	Placed, Standing, Window, Indication, Level, Since, Verdict, ChangesOn, Asked string

	Overdue, ReassessmentOverdue, Emergency, Alone bool
	Holds                                          []hold
	Predictors                                     struct{ Complex bool }
	History, LevelBy                               []string
	Tests                                          []test
}

type hold struct{ Agent, Hold string }

type test struct{ Name, Result string }

// read takes the engine's types off an answer, and the sign that it sets before a day.
func read(t testing.TB, answers result.Value) []answer {
	t.Helper()
	body, err := json.Marshal(answers)
	if err != nil {
		t.Fatal(err)
	}
	var typed any
	if err := json.Unmarshal(body, &typed); err != nil {
		t.Fatal(err)
	}
	if body, err = json.Marshal(plain(typed)); err != nil {
		t.Fatal(err)
	}
	var out []answer
	if err := json.Unmarshal(body, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func plain(v any) any {
	switch v := v.(type) {
	case []any:
		for i := range v {
			v[i] = plain(v[i])
		}
	case map[string]any:
		if of, ok := v["@type"]; ok && strings.HasPrefix(of.(string), "System.") {
			if text, ok := v["value"].(string); ok {
				return strings.TrimPrefix(text, "@")
			}
			return v["value"]
		}
		for name := range v {
			v[name] = plain(v[name])
		}
	}
	return v
}
