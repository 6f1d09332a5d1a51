package cdshooks

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/screen"
)

const (
	outcome = `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception"}]}`
	empty   = `{"resourceType":"Bundle","type":"searchset","total":0}`
	// stays is what a clinician would have entered with us, and nobody did.
	stays = `{"resourceType":"ClinicalImpression","id":"word","status":"completed","subject":{"reference":"Patient/ab-06"},"code":{"coding":[{"system":"urn:dwellwatch:entry","code":"reassessment"}]},"effectiveDateTime":"2026-02-15","finding":[{"itemCodeableConcept":{"coding":[{"system":"urn:dwellwatch:entry","code":"stays"}]}}]}`
)

// procedure gives one that has nothing to do with a filter.
func procedure(id, patient string) fhir.Resource {
	return fhir.Resource{Type: "Procedure", ID: id, Raw: []byte(`{"resourceType":"Procedure","id":"` + id + `","status":"completed","code":{"text":"appendectomy"},"subject":{"reference":"Patient/` + patient + `"}}`)}
}

// TestUnknownPatients: what the call alone shows, in each state of the prefetch. "-" stands for no card, 412 for what could not be
// answered.
func TestUnknownPatients(t *testing.T) {
	t.Parallel()
	overdue, well := patient(t, "ab-06"), []fhir.Resource{{Type: "Patient", ID: "ab-06", Raw: []byte(`{"resourceType":"Patient","id":"ab-06"}`)}}
	next := `,"link":[{"relation":"next","url":"https://alder-bay.example/fhir?page=2"}]`
	self := func(query string) string {
		return `,"link":[{"relation":"self","url":"https://alder-bay.example/fhir/Procedure?` + query + `"}]`
	}
	for name, c := range map[string]struct {
		chart  []fhir.Resource
		change map[string]string // "absent" leaves the key out
		want   string
	}{
		"whole":                              {overdue, nil, "overdue warning"},
		"nothing there, empty Bundles":       {well, nil, "-"},
		"nothing there, null":                {well, map[string]string{"devices": "null", "procedures": "null", "deviceUse": "null"}, "-"},
		"no prefetch at all":                 {nil, nil, "412, incomplete prefetch.devices, incomplete prefetch.procedures"},
		"devices and procedures absent":      {well, map[string]string{"devices": "absent", "procedures": "absent"}, "412, incomplete prefetch.devices, incomplete prefetch.procedures"},
		"devices absent, procedures whole":   {well, map[string]string{"devices": "absent"}, "-"},
		"procedures absent, devices null":    {well, map[string]string{"procedures": "absent", "devices": "null"}, "-"},
		"device use absent":                  {well, map[string]string{"deviceUse": "absent"}, "-"},
		"devices failed, procedures whole":   {well, map[string]string{"devices": outcome}, "412, incomplete prefetch.devices"},
		"devices failed inside the Bundle":   {well, map[string]string{"devices": searchset([]fhir.Resource{{Type: "OperationOutcome", ID: "o", Raw: []byte(outcome)}}, "OperationOutcome")}, "412, incomplete prefetch.devices"},
		"a warning inside the Bundle":        {well, map[string]string{"devices": strings.ReplaceAll(searchset([]fhir.Resource{{Type: "OperationOutcome", ID: "o", Raw: []byte(outcome)}}, "OperationOutcome"), `"error"`, `"warning"`)}, "-"},
		"procedures cut short, none shown":   {well, map[string]string{"procedures": searchset(nil, "Procedure", next)}, "412, incomplete prefetch.procedures"},
		"procedures cut short by the total":  {well, map[string]string{"procedures": strings.Replace(empty, `"total":0`, `"total":40`, 1)}, "412, incomplete prefetch.procedures"},
		"procedures narrowed to a status":    {well, map[string]string{"procedures": searchset(nil, "Procedure", self("patient=ab-06&status=in-progress"))}, "412, incomplete prefetch.procedures"},
		"procedures by patient and page":     {well, map[string]string{"procedures": searchset(nil, "Procedure", self("patient=ab-06&_count=50&_sort=date"))}, "-"},
		"unreadable":                         {well, map[string]string{"procedures": `{"resourceType":"Bundle","type":"nonsense"}`}, "412, incomplete prefetch.procedures"},
		"cut short, and the filter is shown": {overdue, map[string]string{"procedures": searchset(overdue, "Procedure", next)}, "overdue warning"},
		"devices failed, the filter shown":   {overdue, map[string]string{"devices": outcome, "deviceUse": "absent"}, "overdue warning"},
		"a Bundle that says no type":         {overdue, map[string]string{"devices": strings.Replace(searchset(overdue, "Device"), `"type":"searchset",`, "", 1), "procedures": strings.Replace(searchset(overdue, "Procedure"), `"type":"searchset",`, "", 1)}, "overdue warning"},
		"an empty one that says no type":     {well, map[string]string{"devices": `{"resourceType":"Bundle"}`}, "-"},
		"another patient's":                  {patient(t, "ab-02"), nil, "412, incomplete prefetch.devices, incomplete prefetch.procedures"},
		"another patient's devices":          {well, map[string]string{"devices": searchset(patient(t, "ab-02"), "Device")}, "412, incomplete prefetch.devices"},
		"nobody's procedures":                {well, map[string]string{"procedures": searchset([]fhir.Resource{{Type: "Procedure", ID: "x", Raw: []byte(`{"resourceType":"Procedure","id":"x","status":"completed"}`)}}, "Procedure")}, "412, incomplete prefetch.procedures"},
		"some of another patient's beside":   {well, map[string]string{"procedures": searchset([]fhir.Resource{procedure("x", "ab-06"), procedure("y", "ab-02")}, "Procedure")}, "412, incomplete prefetch.procedures"},
		"a client's word that it stays":      {overdue, map[string]string{"devices": strings.Replace(searchset(overdue, "Device"), `"entry":[`, `"entry":[{"resource":`+stays+`},`, 1)}, "overdue warning"},
		"only the patient's own":             {well, map[string]string{"procedures": searchset([]fhir.Resource{procedure("x", "ab-06")}, "Procedure")}, "-"},
	} {
		r := setup(t, nil)
		var sent map[string]string
		if c.chart != nil {
			sent = fill(c.chart)
		}
		for key, value := range c.change {
			if sent[key] = value; value == "absent" {
				delete(sent, key)
			}
		}
		w := r.send(http.MethodPost, "/cds-services/"+family+"patient-view", body("patient-view", "ab-06", sent))
		got := "-"
		switch {
		case w.Code != http.StatusOK:
			got = issues(t, w)
		default:
			if cards := r.one("patient-view", body("patient-view", "ab-06", sent)); cards != "" {
				got = cards
			}
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// TestUnknownPatientIsFollowed: filter evidence goes through the door of the feed; without it nothing is handed on. The card has no
// action, no page, and says what it stands on.
func TestUnknownPatientIsFollowed(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	sent := fill(patient(t, "ab-06"))
	delete(sent, "requests")
	card := r.cards("patient-view", body("patient-view", "ab-06", sent))[0]
	if len(card.Suggestions)+len(card.Links) != 0 || r.shown[0].Followed != "" {
		t.Errorf("suggestions %v, links %v", card.Suggestions, card.Links)
	}
	for _, part := range []string{"This patient is not followed: this stands on what was sent with this call alone.", "not looked at: requests."} {
		if !strings.Contains(card.Detail, part) {
			t.Errorf("the detail lacks %q:\n%s", part, card.Detail)
		}
	}
	var kinds []string
	for _, it := range r.followed {
		kinds = append(kinds, it.Feed+" "+it.Resource.Type)
		if it.Patient != "ab-06" {
			t.Errorf("%s is handed on for %q", it.Resource.Ref(), it.Patient)
		}
	}
	for _, it := range r.followed {
		if !it.New {
			t.Errorf("%s may be stored over what is there", it.Resource.Ref())
		}
	}
	slices.Sort(kinds)
	if diff := cmp.Diff([]string{"default Condition", "default Device", "default DeviceUseStatement", "default MedicationRequest", "default Patient", "default Procedure"}, slices.Compact(kinds)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}

	r = setup(t, nil)
	sent = fill(slices.DeleteFunc(patient(t, "ab-06"), func(one fhir.Resource) bool { return strings.Contains(one.Type, "Device") || one.Type == "Procedure" }))
	if got := r.one("patient-view", body("patient-view", "ab-06", sent)); got != "" || len(r.followed) != 0 {
		t.Errorf("without a filter: %q, %d handed on", got, len(r.followed))
	}

	// The door is shut: the clinician is answered all the same.
	r = setup(t, func(c *Config) {
		c.Follow = func(context.Context, []screen.Item) error { return errors.New("Jo Doe") }
	})
	if got := r.one("patient-view", body("patient-view", "ab-06", fill(patient(t, "ab-06")))); got != "overdue warning" || strings.Contains(r.log.String(), "Doe") {
		t.Errorf("with the door shut: %q, %s", got, r.log)
	}
}

// TestWhatIsNotHandedOn: a merge, and what was taken back, are the record's to tell.
func TestWhatIsNotHandedOn(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	sent := fill(patient(t, "ab-06"))
	sent["patient"] = `{"resourceType":"Patient","id":"ab-06","link":[{"type":"replaces","other":{"reference":"Patient/ab-02"}}]}`
	back := fhir.Resource{Type: "Condition", ID: "back", Raw: []byte(`{"resourceType":"Condition","id":"back","verificationStatus":{"coding":[{"code":"entered-in-error"}]},"subject":{"reference":"Patient/ab-06"}}`)}
	sent["conditions"] = searchset([]fhir.Resource{back}, "Condition")
	r.cards("patient-view", body("patient-view", "ab-06", sent))
	if len(r.followed) == 0 {
		t.Error("nothing is handed on")
	}
	for _, it := range r.followed {
		if it.Resource.Type == "Patient" || it.Resource.ID == "back" {
			t.Errorf("%s is handed on", it.Resource.Ref())
		}
	}
}

// TestCutResourcesAreNotStored: what a server cut down to some elements is judged and not handed on.
func TestCutResourcesAreNotStored(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	sent := fill(patient(t, "ab-06"))
	for key, value := range sent {
		sent[key] = strings.ReplaceAll(value, `"meta":{`, `"meta":{"tag":[{"code":"SUBSETTED"}],`)
	}
	if got := r.one("patient-view", body("patient-view", "ab-06", sent)); got != "overdue warning" || len(r.followed) != 0 {
		t.Errorf("%q, %d handed on", got, len(r.followed))
	}
}

// TestPrefetchOfKnownPatients: chart and call are looked at together. What the call leaves out is not gone, what it adds counts, and
// nothing of it is stored.
func TestPrefetchOfKnownPatients(t *testing.T) {
	t.Parallel()
	all := patient(t, "ab-02")
	removed := `{"resourceType":"Procedure","id":"out","status":"completed","subject":{"reference":"Patient/ab-02"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]},"outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385669000"}]},"performedDateTime":"2026-02-27"}`
	for name, c := range map[string]struct {
		prefetch map[string]string
		want     string
	}{
		"none":                      {nil, "overdue warning"},
		"the same":                  {fill(all), "overdue warning"},
		"null for everything":       {map[string]string{"patient": "null", "devices": "null", "procedures": "null"}, "overdue warning"},
		"empty by a status":         {map[string]string{"procedures": searchset(nil, "Procedure", `,"link":[{"relation":"self","url":"x?patient=1&status=in-progress"}]`)}, "overdue warning"},
		"failed":                    {map[string]string{"devices": outcome, "procedures": outcome}, "overdue warning"},
		"the removal is news":       {map[string]string{"procedures": searchset([]fhir.Resource{{Type: "Procedure", ID: "out", Raw: []byte(removed)}}, "Procedure")}, ""},
		"a removal of another":      {map[string]string{"procedures": strings.ReplaceAll(searchset([]fhir.Resource{{Type: "Procedure", ID: "out", Raw: []byte(removed)}}, "Procedure"), "Patient/ab-02", "Patient/ab-06")}, "overdue warning"},
		"an older copy changes nil": {map[string]string{"procedures": strings.ReplaceAll(searchset(all, "Procedure"), `"status":"completed"`, `"status":"not-done"`)}, "overdue warning"},
	} {
		r := setup(t, nil)
		r.follow("ab-02")
		if name == "an older copy changes nil" {
			for key := range c.prefetch {
				c.prefetch[key] = strings.NewReplacer(`"versionId":"1"`, `"versionId":"0"`, `"lastUpdated":"2025`, `"lastUpdated":"2020`, `"lastUpdated":"2026`, `"lastUpdated":"2020`).Replace(c.prefetch[key])
			}
		}
		if got := r.one("patient-view", body("patient-view", "ab-02", c.prefetch)); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
		if len(r.followed) != 0 {
			t.Errorf("%s: %d resources were handed on", name, len(r.followed))
		}
	}
}

// TestTheSameIDOfAnotherPerson: a Patient born on another day is somebody else, of whom only the call is told, and nothing is stored.
func TestTheSameIDOfAnotherPerson(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.follow("ab-06")
	well := map[string]string{"patient": `{"resourceType":"Patient","id":"ab-06","birthDate":"1999-01-01"}`, "devices": empty, "procedures": empty}
	if got := r.one("patient-view", body("patient-view", "ab-06", well)); got != "" {
		t.Errorf("somebody else's card: %q", got)
	}
	other := fill(patient(t, "ab-06"))
	other["patient"] = well["patient"]
	card := r.cards("patient-view", body("patient-view", "ab-06", other))[0]
	if len(card.Links)+len(card.Suggestions)+len(r.followed) != 0 {
		t.Error("the one's page, Task or chart was told or changed")
	}
	if log := r.log.String(); !strings.Contains(log, "another day") || strings.Contains(log, "ab-06") || strings.Contains(log, "1999") {
		t.Errorf("the log says %s", log)
	}
}

// TestFeeds: the client's FHIR server says which feed the patient is of.
func TestFeeds(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	for _, server := range []string{base, "https://lab.example/fhir/", "http://lab.example/fhir", "https://outside.example/fhir", "https://unheard.example/fhir"} {
		r.send(http.MethodPost, "/cds-services/"+family+"patient-view", strings.Replace(body("patient-view", "p1", map[string]string{"devices": "null", "procedures": "null"}), base, server, 1))
	}
	r.send(http.MethodPost, "/cds-services/"+family+"patient-view", strings.Replace(body("patient-view", "p1", map[string]string{"devices": "null", "procedures": "null"}), `"fhirServer":"`+base+`",`, "", 1))
	if diff := cmp.Diff([]string{"default|p1", "lab|p1", "lab|p1", "default|p1", "default|p1"}, r.asked); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for name, c := range map[string]struct {
		bases, servers map[string]string
		want           string
	}{
		"nothing configured": {nil, nil, "default|p1"},
		"a record":           {map[string]string{"default": base}, nil, ""},
		"a list":             {nil, map[string]string{"https://outside.example/fhir": "default"}, ""},
	} {
		r := setup(t, func(c2 *Config) { c2.Screener.Bases, c2.Servers = c.bases, c.servers })
		r.send(http.MethodPost, "/cds-services/"+family+"patient-view", strings.Replace(body("patient-view", "p1", map[string]string{"devices": "null", "procedures": "null"}), base, "https://unheard.example/fhir", 1))
		if got := strings.Join(r.asked, " "); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// TestAnotherServersPatients: an id of a server that is none of ours is nobody followed here. Only the call is told of, absolute
// references of that server are its own, and nothing is handed on.
func TestAnotherServersPatients(t *testing.T) {
	t.Parallel()
	const elsewhere = "https://unheard.example/fhir"
	r := setup(t, nil)
	r.follow("ab-06")
	call := func(id string, sent map[string]string) string {
		text := strings.ReplaceAll(body("patient-view", id, sent), base, elsewhere)
		return strings.ReplaceAll(text, `"reference":"Patient/`, `"reference":"`+elsewhere+`/Patient/`)
	}
	if got := issues(t, r.send(http.MethodPost, "/cds-services/"+family+"patient-view", call("ab-06", nil))); got != "412, incomplete prefetch.devices, incomplete prefetch.procedures, informational fhirServer" {
		t.Errorf("without prefetch: %s", got)
	}
	got := r.cards("patient-view", call("ab-06", fill(patient(t, "ab-06"))))
	if len(got) != 1 || !strings.Contains(got[0].Detail, "This patient is not followed") || len(got[0].Links)+len(got[0].Suggestions) > 0 {
		t.Errorf("%+v", got)
	}
	if len(r.asked)+len(r.followed) > 0 {
		t.Errorf("%v were looked up, %d handed on", r.asked, len(r.followed))
	}
	for _, s := range r.shown {
		if s.Feed != "server unheard.example/fhir" || s.Followed != "" {
			t.Errorf("noted for the feed %q, key %q", s.Feed, s.Followed)
		}
	}
}

func TestStatesOfAPrefetch(t *testing.T) {
	t.Parallel()
	const entire = got
	p := &parser{}
	got := p.prefetch([]byte(`{"a":null,"b":` + empty + `,"c":` + outcome + `,"d":{"resourceType":"Patient","id":"p"},"e":{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Device","id":"d"}},{"resource":` + outcome + `}]}}`))
	if diff := cmp.Diff(map[string]state{"a": nothing, "b": nothing, "c": failed, "d": entire, "e": part}, got.states); diff != "" || len(p.issues) > 0 {
		t.Errorf("%v (-want +got):\n%s", p.issues, diff)
	}
	if absent != got.state("z") || len(got.resources) != 2 {
		t.Errorf("z is %v, %d resources", got.state("z"), len(got.resources))
	}
	if keys := slices.Sorted(maps.Keys(prefetch())); !slices.Equal(keys, got.unsent()) {
		t.Errorf("unsent: %v", got.unsent())
	}
}

func TestStoreAway(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.broken = errors.New("Jo Doe")
	w := r.send(http.MethodPost, "/cds-services/"+family+"patient-view", body("patient-view", "ab-02", nil))
	if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String()+r.log.String(), "Doe") {
		t.Errorf("%d %s\n%s", w.Code, w.Body, r.log)
	}
}
