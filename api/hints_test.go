package api

import (
	"strings"
	"testing"

	"dwellwatch/fhir"
	"dwellwatch/internal/chart"
	"dwellwatch/internal/screen"

	"github.com/google/go-cmp/cmp"
)

// screened screens as the service does, and lets a store answer.
func screened(t *testing.T, outcomes ...screen.Outcome) *rig {
	t.Helper()
	sets, err := chart.ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	return setup(t, func(c *Config) {
		fates(outcomes...)(c)
		c.Screen = func(feed string, r fhir.Resource) screen.Item { return screen.Screener{Sets: sets}.Item(feed, r) }
	})
}

func TestACodeWithoutItsSystemIsHinted(t *testing.T) {
	t.Parallel()
	const info, warning = "information informational", "warning code-invalid Procedure.code.coding[0].system"
	for coding, want := range map[string]string{
		`{"code":"37191"}`: info + ", " + warning,
		`{"system":"http://hospital.example/codes","code":" 37191 "}`: info + ", " + warning,
		`{"code":"99213"}`: info,
		`{"system":"http://www.ama-assn.org/go/cpt","code":"99213"}`:                 info,
		`{"system":" http://www.ama-assn.org/go/cpt/","code":"37191 "}`:              info, // is the listed one
		`{"code":"1"},{"code":"37193"}`:                                              info + ", " + strings.Replace(warning, "[0]", "[1]", 1),
		`{"code":"37191"},{"system":"http://snomed.info/sct/","code":" 397913009 "}`: info, // tells anyway
	} {
		w := screened(t, screen.Outcome{Fate: screen.Dropped}).send("PUT", "/fhir/Procedure/p",
			`{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/x"},"code":{"coding":[`+coding+`]}}`)
		if diff := cmp.Diff(want, issuesOf(t, w.Body.Bytes())); diff != "" || w.Code != 200 {
			t.Errorf("%s: %d (-want +got):\n%s", coding, w.Code, diff)
		}
	}
}

func TestTheAnswerIsTrueOfWhatNamesNobody(t *testing.T) {
	t.Parallel()
	w := screened(t, screen.Outcome{Fate: screen.Dropped}).send("PUT", "/fhir/DeviceUseStatement/s",
		`{"resourceType":"DeviceUseStatement","status":"active","subject":{"display":"A"},"device":{"reference":"Device/d"}}`)
	if strings.Contains(w.Body.String(), "not about") || !strings.Contains(w.Body.String(), "names no patient who could be followed; nothing was kept") {
		t.Errorf("%s", w.Body)
	}
	w = screened(t, screen.Outcome{Fate: screen.Waiting}).send("PUT", "/fhir/DeviceUseStatement/s",
		`{"resourceType":"DeviceUseStatement","status":"active","subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"}}`)
	if !strings.Contains(w.Body.String(), "held until the device it names is known") || w.Code != 200 || w.Header().Get("Location") != "" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestTheSameVersionWithOtherContentIsWarnedOf(t *testing.T) {
	t.Parallel()
	w := setup(t, fates(screen.Outcome{Fate: screen.Updated, Version: 2, Undecided: true, SameVersion: true})).send("PUT", "/fhir/Procedure/p-1", procedure)
	if got := issuesOf(t, w.Body.Bytes()); got != "information informational, warning conflict Procedure.meta" || !strings.Contains(w.Body.String(), "same version, other content") {
		t.Errorf("%s", w.Body)
	}
}

// TestATypeThatR4DoesNotHave is refused wherever it comes.
func TestATypeThatR4DoesNotHave(t *testing.T) {
	t.Parallel()
	nonsense := `{"resourceType":"Nonsense","id":"n"}`
	bundle := func(kind string) string {
		return bundleOf(kind, entryOf(nonsense, "PUT", "Nonsense/n"), entryOf(procedure, "PUT", "Procedure/p-1"), `{"request":{"method":"DELETE","url":"Nonsense/n"}}`)
	}
	r := setup(t, nil)
	w := r.send("POST", "/fhir", bundle("batch"))
	_, got := answers(t, w.Body.Bytes())
	want := []string{"400 error not-supported Bundle.entry[0].resource", `201 Procedure/p-1/_history/1 W/"1"`, "400 error not-supported Bundle.entry[2].request.url"}
	if diff := cmp.Diff(want, got); diff != "" || w.Code != 200 {
		t.Errorf("batch: %d (-want +got):\n%s", w.Code, diff)
	}
	r = setup(t, nil)
	w = r.send("POST", "/fhir", bundle("transaction"))
	if got := issuesOf(t, w.Body.Bytes()); w.Code != 400 || len(r.calls) > 0 || got != "error not-supported Bundle.entry[0].resource, error not-supported Bundle.entry[2].request.url" {
		t.Errorf("transaction: %d %s", w.Code, got)
	}
	w = setup(t, nil).send("POST", "/fhir", bundleOf("collection", `{"resource":`+nonsense+`}`, `{"resource":`+procedure+`}`))
	if _, got := answers(t, w.Body.Bytes()); len(got) != 2 || got[0] != "400 error not-supported Bundle.entry[0].resource" || got[1][:3] != "201" {
		t.Errorf("collection: %v", got)
	}
	// A topic notification of R4B begins with a type that R4 does not have.
	w = setup(t, nil).send("POST", "/fhir", bundleOf("history", `{"resource":{"resourceType":"SubscriptionStatus","type":"event-notification"}}`, `{"resource":`+procedure+`}`))
	if _, got := answers(t, w.Body.Bytes()); len(got) != 2 || got[0] != "200" {
		t.Errorf("notification: %v", got)
	}
}

func TestAssessNamesWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	for query, words := range map[string]string{
		"?om=2026-03-01": "om is not a parameter", "?on=2026-03-01&on=2026-03-02": "on is given more than once",
		"?on=2026-03-01&a%3Cb=1": "a parameter is not a parameter",
	} {
		r := setup(t, nil)
		if w := r.send("POST", "/assess"+query, procedure); w.Code != 400 || !strings.Contains(w.Body.String(), words) || len(r.assessed) > 0 {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
	if w := setup(t, nil).send("POST", "/assess?on=2026-03-01&_format=json", procedure); w.Code != 200 {
		t.Errorf("_format: %d", w.Code)
	}
}

// TestAssessNamesPaths: a fault has the path of its element, in a line of NDJSON the line too.
func TestAssessNamesPaths(t *testing.T) {
	t.Parallel()
	lines := "Content-Type: application/x-ndjson"
	for name, c := range map[string]struct{ body, issues, words string }{
		"a line": {procedure + "\n\n" + `{"resourceType":"Procedure","id":"q","code":5}`, "error structure Procedure.code", "line 3: Procedure.code: "},
		"an entry of a line": {procedure + "\n" + bundleOf("batch", entryOf(procedure, "PUT", "Procedure/p-1"), `{"request":{"method":"DELETE","url":"Device?x=y"}}`),
			"error not-supported Bundle.entry[1].request.url", "line 2: Bundle.entry[1].request.url: "},
		"a conditional deletion": {bundleOf("batch", `{"request":{"method":"DELETE","url":"Device?x=y"}}`), "error not-supported Bundle.entry[0].request.url", "conditional delete"},
	} {
		w := setup(t, nil).send("POST", "/assess", c.body, lines)
		if got := issuesOf(t, w.Body.Bytes()); got != c.issues || !strings.Contains(w.Body.String(), c.words) {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
	}
}
