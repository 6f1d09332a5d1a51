package api_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"dwellwatch/internal/peertest"
	"dwellwatch/internal/screen"
)

// doorTypes are the types of whose resources the service has use.
func doorTypes() []string {
	return []string{"AllergyIntolerance", "Appointment", "Condition", "Device", "DeviceUseStatement", "DiagnosticReport",
		"DocumentReference", "Encounter", "ImagingStudy", "Medication", "MedicationAdministration", "MedicationDispense",
		"MedicationRequest", "MedicationStatement", "Observation", "Patient", "Procedure", "ServiceRequest", "Task"}
}

// example is one file of HL7's.
type example struct {
	name, kind, id string
	body           []byte
}

func examples(t *testing.T, kinds ...string) []example {
	t.Helper()
	dir := peertest.Examples(t)
	var out []example
	for _, kind := range kinds {
		files, err := filepath.Glob(filepath.Join(dir, kind+"-*.json"))
		if err != nil || len(files) == 0 {
			t.Fatalf("HL7's examples have no %s: %v", kind, err)
		}
		for _, f := range files {
			body, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			var says struct{ ResourceType, ID string }
			if err := json.Unmarshal(body, &says); err != nil {
				t.Fatalf("%s: %v", f, err)
			}
			out = append(out, example{filepath.Base(f), says.ResourceType, says.ID, body})
		}
	}
	return out
}

// issue is one line of an OperationOutcome.
type issue struct {
	Severity, Code string
	Expression     []string
}

func (i issue) String() string {
	return strings.TrimSpace(i.Code + " " + strings.Join(i.Expression, " "))
}

// issuesIn reads an OperationOutcome, and fails the test if it is none or if a refusal names no element.
func (h *house) issuesIn(what, status string, body []byte) []issue {
	h.t.Helper()
	var o struct {
		ResourceType string
		Issue        []issue
	}
	if err := json.Unmarshal(body, &o); err != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) == 0 {
		h.t.Errorf("%s: %s without an OperationOutcome: %.200s", what, status, body)
		return nil
	}
	for _, i := range o.Issue {
		if status >= "400" && (len(i.Expression) == 0 || i.Expression[0] == "") {
			h.t.Errorf("%s: %s, and an issue names no element: %s", what, status, body)
		}
	}
	return o.Issue
}

// deliver sends one example and gives what read gives of the answer.
func (h *house) deliver(method, path string, e example) (refused, warned []string) {
	h.t.Helper()
	return h.read(method+" "+e.name, h.send(method, path, e.body))
}

// read gives what an answer refuses, as "status code expression", for an entry of a Bundle with its number before it, and
// what it warns of.
func (h *house) read(what string, w *httptest.ResponseRecorder) (refused, warned []string) {
	h.t.Helper()
	note := func(status, at string, outcome []byte) {
		if status >= "500" {
			h.t.Errorf("%s%s: %s %s", what, at, status, outcome)
		}
		issues := h.issuesIn(what+at, status, outcome)
		if status >= "400" && len(issues) > 0 {
			refused = append(refused, strings.TrimSpace(at+" "+status+" "+issues[0].String()))
		}
		for _, i := range issues {
			// Taught: HL7's Bundles come from many servers, and each of their entries that is kept is warned of as such.
			if i.Severity == "warning" && !strings.HasSuffix(i.String(), ".fullUrl") {
				warned = append(warned, i.String())
			}
		}
	}
	status := strconv.Itoa(w.Code)
	var answer struct {
		ResourceType string
		Entry        []struct {
			Response struct {
				Status  string
				Outcome json.RawMessage
			}
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil {
		h.t.Fatalf("%s: %s without JSON: %v", what, status, err)
	}
	if answer.ResourceType != "Bundle" {
		note(status, "", w.Body.Bytes())
	}
	for n, one := range answer.Entry {
		note(one.Response.Status[:3], "["+strconv.Itoa(n)+"]", one.Response.Outcome)
	}
	return refused, warned
}

func placementOf(patient string) []byte {
	return fmt.Appendf(nil, `{"resourceType":"Procedure","id":"placement-of-%s","meta":{"versionId":"1"},"status":"completed",
		"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},
		"subject":{"reference":"Patient/%[1]s"},"performedDateTime":"2025-05-01"}`, patient)
}

// followed are patients whom many of HL7's examples are about. A placement is told of each of them first, so that what is
// about them is kept, while the rest goes the way of what the service has no use for.
func followed() []string {
	return []string{"example", "f001", "f201", "pat1", "patientInterim", "infant-mom"}
}

// refusedExamples names every example that is refused, in whole or in an entry, with its first issue.
func refusedExamples() map[string]string {
	return map[string]string{
		// Taught: whoever logs what a server answered must not be heard as if the record had changed; the patient in such an
		// answer may be as old as the log.
		"Bundle-bundle-response.json":               "422 not-supported Bundle.type",
		"Bundle-bundle-response-medsallergies.json": "422 not-supported Bundle.type",
		"Bundle-bundle-response-simplesummary.json": "422 not-supported Bundle.type",
		// Taught: an update or a deletion by search needs a server that searches. A transaction
		// stands or falls as a whole, so nothing of it is taken, and the answer tells which URLs they are.
		"Bundle-bundle-transaction.json": "400 not-supported Bundle.entry[3].request.url",
		// Taught: HL7's own definitions are 12 to 35 MB in one Bundle. No feed of a hospital sends these; with a higher limit
		// they are taken (below).
		"Bundle-dataelements.json":        "413 too-long Resource",
		"Bundle-resources.json":           "413 too-long Resource",
		"Bundle-valueset-expansions.json": "413 too-long Resource",
	}
}

// differingExamples are resources that HL7 gives under one id with different content and no version. Taught: there only the
// order of receipt can decide, so each time they are sent they are an update; every other example is a duplicate.
func differingExamples() []string { return []string{"Patient/pat1", "ServiceRequest/req"} }

// lateExamples name no patient and came before what names them. Taught: without the patient nobody can tell yet that they are of use, so they
// are dropped, and kept when they come again (or are read from the record, where there is one).
func lateExamples() []string { return []string{"Device/example", "Device/f001", "Medication/med0316"} }

// TestOfficialExamples delivers every example of HL7 that has a type of the doors by PUT and by POST, and every Bundle, three
// times: https://registry.npmjs.org/hl7.fhir.r4.examples (4.0.1). They are valid R4, so no check of ours may refuse one or warn of
// one, but for the golden tables above.
func TestOfficialExamples(t *testing.T) {
	t.Parallel()
	singles, bundles := examples(t, doorTypes()...), examples(t, "Bundle")
	h := newHouse(t, 0)
	for _, p := range followed() {
		if w := h.send(http.MethodPut, "/fhir/Procedure/placement-of-"+p, placementOf(p)); w.Code != http.StatusCreated {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
	}
	refused := map[string]string{}
	var turns []map[string][]screen.Fate
	var stored []rows
	for range 3 {
		h.fates = map[string][]screen.Fate{}
		send := func(method, path string, e example) {
			no, warned := h.deliver(method, path, e)
			if len(no) > 0 {
				refused[e.name] = strings.Join(no, "; ")
			}
			if len(warned) > 0 {
				t.Errorf("%s %s: warned of %s", method, e.name, warned)
			}
		}
		for _, e := range singles {
			send(http.MethodPut, "/fhir/"+e.kind+"/"+e.id, e)
			send(http.MethodPost, "/fhir/"+e.kind, e)
		}
		for _, e := range bundles {
			send(http.MethodPost, "/fhir", e)
		}
		turns, stored = append(turns, h.fates), append(stored, h.stored())
	}
	if diff := cmp.Diff(refusedExamples(), refused); diff != "" {
		t.Errorf("refused (-want +got):\n%s", diff)
	}
	h.wantSameAgain(turns, stored)
	h.wantBytes(singles)
}

// wantSameAgain checks that the second turn keeps only what the first could not know to be of use, and the third nothing new.
func (h *house) wantSameAgain(turns []map[string][]screen.Fate, stored []rows) {
	h.t.Helper()
	those := func(turn int, fate screen.Fate) []string {
		list := []string{}
		for ref, fates := range turns[turn] {
			if slices.Contains(fates, fate) {
				list = append(list, ref)
			}
		}
		slices.Sort(list)
		return list
	}
	for _, c := range []struct {
		what string
		want []string
		got  []string
	}{
		{"new in the second turn", lateExamples(), those(1, screen.Created)},
		{"new in the third turn", []string{}, those(2, screen.Created)},
		{"changed in the second turn", differingExamples(), those(1, screen.Updated)},
		{"changed in the third turn", differingExamples(), those(2, screen.Updated)},
		{"dropped in the third turn", those(1, screen.Dropped), those(2, screen.Dropped)},
		{"repeated in the third turn", those(1, screen.Duplicate), those(2, screen.Duplicate)},
	} {
		if diff := cmp.Diff(c.want, c.got); diff != "" {
			h.t.Errorf("%s (-want +got):\n%s", c.what, diff)
		}
	}
	if n, m := len(those(0, screen.Created)), len(those(0, screen.Dropped)); n < 200 || m < 50 {
		h.t.Errorf("%d are kept and %d dropped in the first turn: too few to show anything", n, m)
	}
	first := stored[0]
	first.current += len(lateExamples())
	if stored[1].current != first.current || stored[2].current != first.current || stored[2].persons != first.persons || first.persons != len(followed()) {
		h.t.Errorf("stored after each turn: %+v", stored)
	}
}

// wantBytes checks that what is kept of the examples that came alone is what was sent, byte for byte.
func (h *house) wantBytes(singles []example) {
	h.t.Helper()
	const read = `SELECT body FROM resource WHERE feed = 'default' AND type = $1 AND id = $2 AND current`
	seen := 0
	for _, e := range singles {
		if slices.Contains(differingExamples(), e.kind+"/"+e.id) {
			continue
		}
		var body []byte
		err := h.store.Pool().QueryRow(h.t.Context(), read, e.kind, e.id).Scan(&body)
		if errors.Is(err, pgx.ErrNoRows) {
			continue
		}
		if err != nil {
			h.t.Fatal(err)
		}
		seen++
		if !bytes.Equal(body, bytes.Trim(bytes.TrimPrefix(e.body, []byte("\xef\xbb\xbf")), " \t\r\n")) {
			h.t.Errorf("%s is kept otherwise than it was sent", e.name)
		}
	}
	if seen < 150 {
		h.t.Errorf("only %d examples are kept", seen)
	}
}

// TestOfficialExamplesOfManyMegabytes: what is too long by default is taken where the limit allows it.
func TestOfficialExamplesOfManyMegabytes(t *testing.T) {
	t.Parallel()
	h := newHouse(t, 64<<20)
	for _, e := range examples(t, "Bundle") {
		if !strings.HasPrefix(refusedExamples()[e.name], "413") {
			continue
		}
		if refused, warned := h.deliver(http.MethodPost, "/fhir", e); len(refused)+len(warned) > 0 {
			t.Errorf("%s: refused %s, warned of %s", e.name, refused, warned)
		}
	}
}
