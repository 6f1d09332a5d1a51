package compose_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/assess"
	"dwellwatch/internal/compose"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"
)

func mustTask(t *testing.T, d compose.Document, s compose.Site, at time.Time, docRef string) []byte {
	t.Helper()
	raw, err := compose.Task(d, s, at, docRef)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// list gives all values under a gjson path.
func list(raw []byte, path string) []string {
	var out []string
	for _, v := range gjson.GetBytes(raw, path).Array() {
		out = append(out, v.String())
	}
	return out
}

func TestTaskSaysWhatIsAsked(t *testing.T) {
	t.Parallel()
	raw := mustTask(t, referralFor("urgent"), fullSite(), now, "DocumentReference/d1")
	for path, want := range map[string]string{
		"resourceType": "Task", "status": "draft", "intent": "proposal", "priority": "urgent",
		"code.coding.0.code": "fulfill", "for.reference": "Patient/p1", "focus.reference": "Device/dev1",
		"requester.reference": "#dwellwatch", "contained.0.id": "dwellwatch", "contained.0.version.0.value": "1.2.3",
		"authoredOn": "2026-03-01T09:30:00+02:00", "lastModified": "2026-03-01T09:30:00+02:00",
		"restriction.period.end": "2026-03-29", "owner.reference": "Organization/clinic",
		"reasonCode.coding.0.code": "urgent", "basedOn.0.reference": "ServiceRequest/s1",
		"identifier.0.system": "urn:dwellwatch:referral", "identifier.0.value": testKey,
		"identifier.1.system": "urn:dwellwatch:task",
		"performerType":       "",
	} {
		if got := gjson.GetBytes(raw, path).String(); got != want {
			t.Errorf("%s = %q, want %q", path, got, want)
		}
	}
	inputs := []string{"Condition/c1", "Device/dev1", "Procedure/pl1", "https://other.example/fhir/Procedure/x9", "DocumentReference/d1"}
	if diff := cmp.Diff(inputs, list(raw, "input.#.valueReference.reference")); diff != "" {
		t.Errorf("inputs (-want +got)\n%s", diff)
	}
	if diff := cmp.Diff("work-up document", gjson.GetBytes(raw, "input.4.type.text").String()); diff != "" {
		t.Error(diff)
	}
	if !strings.Contains(gjson.GetBytes(raw, "description").String(), "Telephone now") {
		t.Error("an urgent Task must say: telephone now")
	}
}

func TestTaskWithoutOwnerNamesWhoShouldTakeIt(t *testing.T) {
	t.Parallel()
	clinic := mustTask(t, referralFor("refer"), plainSite(), now, "")
	coordinator := mustTask(t, referralFor("clarify"), plainSite(), now, "")
	if gjson.GetBytes(clinic, "owner").Exists() {
		t.Error("owner without a configured one")
	}
	a, b := gjson.GetBytes(clinic, "performerType.0.text").String(), gjson.GetBytes(coordinator, "performerType.0.text").String()
	if a == "" || b == "" || a == b {
		t.Errorf("performerType: clinic %q, coordinator %q", a, b)
	}
}

func TestInstancesFollowRoundAndRevision(t *testing.T) {
	t.Parallel()
	// UUIDv5 (RFC 9562, 5.5) reckoned independently: python3 -c 'import uuid; uuid.uuid5(uuid.UUID(installation), name)'.
	s, r := plainSite(), draft.Referral{Key: testKey, Round: 1, Revision: 2}
	task, err1 := s.TaskInstance(r)
	document, err2 := s.DocumentInstance(r)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	if diff := cmp.Diff([]string{wantTaskInstance, wantDocumentInstance}, []string{task, document}); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if _, err := (compose.Site{Installation: "x"}).TaskInstance(r); !errors.Is(err, fault.Invalid) {
		t.Errorf("bad installation: %v", err)
	}
}

func TestDocumentReferenceCountsRawBytes(t *testing.T) {
	t.Parallel()
	pdf := []byte("abc")
	raw, err := compose.DocumentReference(referralFor("refer"), fullSite(), now, pdf, "DocumentReference/old")
	if err != nil {
		t.Fatal(err)
	}
	// SHA-1 of "abc": FIPS 180-4's own example, a9993e36 4706816a ba3e2571 7850c26c 9cd0d89d.
	sha1 := []byte{0xa9, 0x99, 0x3e, 0x36, 0x47, 0x06, 0x81, 0x6a, 0xba, 0x3e, 0x25, 0x71, 0x78, 0x50, 0xc2, 0x6c, 0x9c, 0xd0, 0xd8, 0x9d}
	for path, want := range map[string]string{
		"status": "current", "docStatus": "preliminary", "type.coding.0.code": "57133-1", "type.coding.1.code": "63485-7",
		"subject.reference": "Patient/p1", "date": "2026-03-01T09:30:00+02:00", "author.0.reference": "#dwellwatch",
		"custodian.reference": "Organization/hospital", "relatesTo.0.code": "replaces",
		"relatesTo.0.target.reference": "DocumentReference/old", "content.0.attachment.contentType": "application/pdf",
		"content.0.attachment.size": "3", "content.0.attachment.data": "YWJj", "content.0.attachment.language": "en-GB",
		"content.0.attachment.hash": base64.StdEncoding.EncodeToString(sha1),
		"context.period.start":      "2025-05-01", "context.period.end": "2025-05-31",
		"masterIdentifier.system": "urn:dwellwatch:document", "identifier.0.value": testKey,
	} {
		if got := gjson.GetBytes(raw, path).String(); got != want {
			t.Errorf("%s = %q, want %q", path, got, want)
		}
	}
	want := []string{"Device/dev1", "Procedure/pl1", "https://other.example/fhir/Procedure/x9"}
	if diff := cmp.Diff(want, list(raw, "context.related.#.reference")); diff != "" {
		t.Errorf("related (-want +got)\n%s", diff)
	}
	if _, err := compose.DocumentReference(referralFor("refer"), fullSite(), now, nil, ""); !errors.Is(err, fault.Invalid) {
		t.Errorf("without content: %v", err)
	}
}

func TestNothingIsEmptyAndNobodyIsNamed(t *testing.T) {
	t.Parallel()
	for _, d := range []compose.Document{bare(), referralFor("refer"), referralFor("urgent"), referralFor("review")} {
		for _, s := range []compose.Site{plainSite(), fullSite()} {
			raw, err := compose.TransactionBundle(d, s, now, []byte("%PDF"), "", nil)
			if err != nil {
				t.Fatal(err)
			}
			if bytes.Contains(raw, []byte(personName)) || bytes.Contains(raw, []byte("null")) {
				t.Errorf("%s", raw)
			}
			for _, empty := range []string{`[]`, `{}`, `""`} {
				if bytes.Contains(raw, []byte(empty)) {
					t.Errorf("holds %s: %s", empty, raw)
				}
			}
			again, err := compose.TransactionBundle(d, s, now, []byte("%PDF"), "", nil)
			if err != nil || !bytes.Equal(raw, again) {
				t.Errorf("the same input gave other bytes (%v)", err)
			}
		}
	}
}

func TestTransactionBundleIsConditionalAndLinked(t *testing.T) {
	t.Parallel()
	raw, err := compose.TransactionBundle(referralFor("refer"), plainSite(), now, []byte("%PDF"), "", nil)
	if err != nil {
		t.Fatal(err)
	}
	document := gjson.GetBytes(raw, "entry.0.resource.masterIdentifier.value").String()
	task := gjson.GetBytes(raw, "entry.1.resource.identifier.1.value").String()
	for path, want := range map[string]string{
		"type": "transaction", "entry.0.request.url": "DocumentReference", "entry.1.request.url": "Task",
		"entry.2.request.url": "Provenance", "entry.2.request.ifNoneExist": "",
		"entry.0.request.ifNoneExist":                       "identifier=urn:dwellwatch:document|" + document,
		"entry.1.request.ifNoneExist":                       "identifier=urn:dwellwatch:task|" + task,
		"entry.0.fullUrl":                                   "urn:uuid:" + document,
		"entry.1.resource.input.4.valueReference.reference": "urn:uuid:" + document,
		"entry.2.resource.target.0.reference":               "urn:uuid:" + document,
		"entry.2.resource.target.1.reference":               "urn:uuid:" + task,
	} {
		if got := gjson.GetBytes(raw, path).String(); got != want {
			t.Errorf("%s = %q, want %q", path, got, want)
		}
	}
}

func TestBadDocumentsAreRefused(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*compose.Document){
		"two filters": func(d *compose.Document) { d.Assessment.Filters = append(d.Assessment.Filters, assess.Filter{}) },
		"no filter":   func(d *compose.Document) { d.Assessment.Filters = nil },
		"no patient":  func(d *compose.Document) { d.Assessment.Patient = "" },
		"no key":      func(d *compose.Document) { d.Referral.Key = "" },
		"no priority": func(d *compose.Document) { d.Referral.Priority = "soon" },
	} {
		d := referralFor("refer")
		change(&d)
		if _, err := compose.Task(d, plainSite(), now, ""); !errors.Is(err, fault.Invalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// foreign is what a record and its people may have done to a Task of ours.
func foreign(t *testing.T, raw []byte) []byte {
	t.Helper()
	for path, value := range map[string]string{
		"id":                               `"t1"`,
		"meta":                             `{"versionId":"3","lastUpdated":"2026-03-02T00:00:00.000Z"}`,
		"extension":                        `[{"url":"https://record.example/x","valueDecimal":1.50}]`,
		"_priority":                        `{"extension":[{"url":"https://record.example/y","valueCode":"z"}]}`,
		"note":                             `[{"text":"called the ward"}]`,
		"businessStatus":                   `{"text":"on the list"}`,
		"output":                           `[{"type":{"text":"x"},"valueString":"y"}]`,
		"identifier.-1":                    `{"system":"https://record.example/ids","value":"77"}`,
		"input.-1":                         `{"type":{"text":"theirs"},"valueString":"kept"}`,
		"restriction.repetitions":          `1`,
		"focus.display":                    `"a device"`,
		"for.reference":                    `"https://record.example/fhir/Patient/p1"`,
		"input.0.valueReference.reference": `"https://record.example/fhir/Condition/c1"`,
	} {
		var err error
		if raw, err = sjson.SetRawBytes(raw, path, []byte(value)); err != nil {
			t.Fatal(err)
		}
	}
	return raw
}

func TestMergeWithoutDifferenceChangesNothing(t *testing.T) {
	t.Parallel()
	later := now.Add(48 * time.Hour)
	current := foreign(t, mustTask(t, referralFor("refer"), fullSite(), now, "DocumentReference/d1"))
	got, changed, err := compose.Merge(current, mustTask(t, referralFor("refer"), fullSite(), later, "DocumentReference/d1"), fullSite())
	if err != nil || changed || !bytes.Equal(got, current) {
		t.Errorf("changed = %v, %v\n%s", changed, err, cmp.Diff(string(current), string(got)))
	}
}

func TestMergeChangesOursAndLeavesTheirs(t *testing.T) {
	t.Parallel()
	later := now.Add(48 * time.Hour)
	current := foreign(t, mustTask(t, referralFor("refer"), fullSite(), now, "DocumentReference/d1"))
	d := referralFor("urgent")
	d.Referral.DueOn++
	d.Assessment.Filters[0].Evidence = append(d.Assessment.Filters[0].Evidence, "Observation/new")
	got, changed, err := compose.Merge(current, mustTask(t, d, fullSite(), later, "DocumentReference/d2"), fullSite())
	if err != nil || !changed {
		t.Fatal(changed, err)
	}
	var before, after map[string]json.RawMessage
	if json.Unmarshal(current, &before) != nil || json.Unmarshal(got, &after) != nil {
		t.Fatal("not JSON")
	}
	ours := []string{"priority", "description", "reasonCode", "restriction", "input", "lastModified"}
	for name, was := range before {
		same := bytes.Equal(was, after[name])
		mine := false
		for _, o := range ours {
			mine = mine || o == name
		}
		if same == mine {
			t.Errorf("%s: same = %v\nbefore %s\nafter  %s", name, same, was, after[name])
		}
	}
	if len(after) != len(before) {
		t.Errorf("%d elements, want %d", len(after), len(before))
	}
	inputs := []string{"", "Condition/c1", "Device/dev1", "Observation/new", "Procedure/pl1",
		"https://other.example/fhir/Procedure/x9", "DocumentReference/d2"}
	var gotInputs []string
	for _, i := range gjson.GetBytes(got, "input").Array() {
		gotInputs = append(gotInputs, i.Get("valueReference.reference").String())
	}
	if diff := cmp.Diff(inputs, gotInputs); diff != "" {
		t.Errorf("inputs (-want +got)\n%s", diff)
	}
	for path, want := range map[string]string{"restriction.repetitions": "1", "restriction.period.end": "2026-03-30",
		"lastModified": "2026-03-03T09:30:00+02:00", "authoredOn": "2026-03-01T09:30:00+02:00"} {
		if v := gjson.GetBytes(got, path).String(); v != want {
			t.Errorf("%s = %q, want %q", path, v, want)
		}
	}
	again, changed, err := compose.Merge(got, mustTask(t, d, fullSite(), later.Add(time.Hour), "DocumentReference/d2"), fullSite())
	if err != nil || changed {
		t.Errorf("the second merge changed something: %v\n%s", err, cmp.Diff(string(got), string(again)))
	}
}

func TestMergeMovesOnlyOurOwnAddressee(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		site        compose.Site
		owner, want string // "" none
	}{
		"ours moves":          {fullSite(), "Organization/clinic", "PractitionerRole/coord"},
		"ours in full moves":  {fullSite(), "https://record.example/fhir/Organization/clinic", "PractitionerRole/coord"},
		"theirs stays":        {fullSite(), "Practitioner/somebody", "Practitioner/somebody"},
		"none to performer":   {plainSite(), "", ""},
		"theirs without ours": {plainSite(), "Practitioner/somebody", "Practitioner/somebody"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			current := mustTask(t, referralFor("refer"), tc.site, now, "")
			if tc.owner != "" {
				var err error
				if current, err = sjson.SetBytes(current, "owner.reference", tc.owner); err != nil {
					t.Fatal(err)
				}
			}
			got, changed, err := compose.Merge(current, mustTask(t, referralFor("clarify"), tc.site, now, ""), tc.site)
			if err != nil || !changed {
				t.Fatal(changed, err)
			}
			if v := gjson.GetBytes(got, "owner.reference").String(); v != tc.want {
				t.Errorf("owner = %q, want %q", v, tc.want)
			}
			words := gjson.GetBytes(got, "performerType.0.text").String()
			if name == "none to performer" && !strings.Contains(words, "Coordinator") {
				t.Errorf("performerType = %q", words)
			}
		})
	}
}

func TestMergeKeepsWhatIsNoLongerKnown(t *testing.T) {
	t.Parallel()
	current := mustTask(t, referralFor("clarify"), plainSite(), now, "DocumentReference/d1")
	got, _, err := compose.Merge(current, mustTask(t, bare(), plainSite(), now, "DocumentReference/d1"), plainSite())
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{"focus.reference": "Device/dev1", "basedOn.0.reference": "ServiceRequest/s1",
		"restriction.period.end": "2026-03-29", "input.#": "1"} {
		if v := gjson.GetBytes(got, path).String(); v != want {
			t.Errorf("%s = %q, want %q", path, v, want)
		}
	}
}

func TestMergeAdoptsATaskOfAnotherInstallation(t *testing.T) {
	t.Parallel()
	other := plainSite()
	other.Installation = "aaaaaaaa-52a4-4b0e-8a35-90f6a1f1d001"
	current := mustTask(t, referralFor("refer"), other, now, "")
	got, changed, err := compose.Merge(current, mustTask(t, referralFor("refer"), plainSite(), now, ""), plainSite())
	if err != nil || !changed || len(gjson.GetBytes(got, "identifier").Array()) != 3 {
		t.Errorf("changed = %v, %v: %s", changed, err, gjson.GetBytes(got, "identifier").Raw)
	}
}

func TestCloseSaysWhyAndKeepsTheRest(t *testing.T) {
	t.Parallel()
	current := foreign(t, mustTask(t, referralFor("refer"), fullSite(), now, "DocumentReference/d1"))
	for _, reason := range []draft.Reason{draft.Removed, draft.Deceased, draft.Retracted, draft.Merged, draft.Answered,
		draft.NotDue, draft.AskedAlready} {
		closing, ok := compose.ClosingFor(reason, "cancelled")
		if !ok {
			t.Fatalf("%s closes nothing", reason)
		}
		got, err := compose.Close(current, closing, now.Add(-time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		for path, want := range map[string]string{"status": "cancelled", "statusReason.coding.0.code": string(reason),
			"lastModified": "2026-03-01T09:30:00+02:00", "note.0.text": "called the ward"} {
			if v := gjson.GetBytes(got, path).String(); v != want {
				t.Errorf("%s: %s = %q, want %q", reason, path, v, want)
			}
		}
		if gjson.GetBytes(got, "statusReason.text").String() == "" {
			t.Errorf("%s: no words", reason)
		}
	}
	for _, reason := range []draft.Reason{draft.Wanted, draft.NoContext} {
		if _, ok := compose.ClosingFor(reason, "cancelled"); ok {
			t.Errorf("%q closes a Task", reason)
		}
	}
	if _, err := compose.Restate(current, "superseded"); !errors.Is(err, fault.Invalid) {
		t.Errorf("a Task retired as a document: %v", err)
	}
}

func TestSameReference(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		a, b string
		want bool
	}{
		{"Patient/1", "Patient/1", true}, {"Patient/1", "https://h/fhir/Patient/1", true},
		{"https://h/fhir/Patient/1/_history/4", "Patient/1", true}, {"Patient/1", "Patient/11", false},
		{"Patient/1", "https://h/fhir/XPatient/1", false}, {"https://a/Patient/1", "https://b/Patient/1", false},
		{"", "", false}, {"1", "Patient/1", false}, {"", "Patient/1", false}, {"Patient/1", "x/Patient/1", false},
	} {
		if got := compose.SameReference(tc.a, tc.b); got != tc.want {
			t.Errorf("SameReference(%q, %q) = %v", tc.a, tc.b, got)
		}
		if got := compose.SameReference(tc.b, tc.a); got != tc.want {
			t.Errorf("SameReference(%q, %q) = %v", tc.b, tc.a, got)
		}
	}
}
