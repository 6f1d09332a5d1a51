package cdshooks

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

// TestPatientView: what each invented patient's chart shows when it is opened.
func TestPatientView(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	want := map[string]string{
		"ab-01": "", // refer, in the window
		"ab-02": "overdue warning", "ab-06": "overdue warning", "ab-08": "overdue warning", "ab-10": "overdue warning",
		"ab-03": "", "ab-04": "", // wait
		"ab-05": "", // review
		"ab-07": "", "ab-09": "", "ab-11": "", "ab-12": "",
		"ab-13": "urgent critical", "ab-14": "urgent critical",
		"ab-15": "clarify info", "ab-16": "clarify info",
		"ab-17": "", "ab-18": "", "ab-19": "", "ab-20": "", "ab-21": "",
	}
	got := map[string]string{}
	for id := range want {
		r.follow(id)
		got[id] = r.one("patient-view", body("patient-view", id, nil))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestTelephoneNow(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	for _, id := range []string{"ab-13", "ab-14"} {
		r.follow(id)
		card := r.cards("patient-view", body("patient-view", id, nil))[0]
		if !strings.Contains(strings.ToLower(card.Summary), "telephone now") || !strings.Contains(card.Detail, "**Telephone now.**") || !strings.Contains(card.Detail, "not an emergency channel") {
			t.Errorf("%s: %q\n%s", id, card.Summary, card.Detail)
		}
	}
}

// TestACard: what a card of a followed patient holds.
func TestACard(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.follow("ab-02")
	card := r.cards("patient-view", body("patient-view", "ab-02", nil))[0]
	for _, part := range []string{"| Finding | On record | Source |", "`Procedure/ab-02-proc1`", "FDA safety communications of 2010 and 2014", "A draft for clinician review"} {
		if !strings.Contains(card.Detail, part) {
			t.Errorf("the detail lacks %q:\n%s", part, card.Detail)
		}
	}
	if strings.Contains(card.Detail+card.Summary, "Brackenridge") || strings.Contains(card.Detail, "1954") {
		t.Error("a card names the patient")
	}
	if len(card.Links) != 1 || !strings.HasPrefix(card.Links[0].URL, "https://dwellwatch.example/worklist/filters/") {
		t.Errorf("links %v", card.Links)
	}
	if len(card.OverrideReasons) == 0 || card.Source.Label != "dwellwatch, policy default@1" {
		t.Errorf("override reasons %v, source %v", card.OverrideReasons, card.Source)
	}
	if len(card.Suggestions) != 1 || len(card.Suggestions[0].Actions) != 1 {
		t.Fatalf("suggestions %v", card.Suggestions)
	}
	var task struct {
		ResourceType, Status, Intent string
		Identifier                   []struct{ System, Value string }
		For                          struct{ Reference string }
	}
	if err := json.Unmarshal(card.Suggestions[0].Actions[0].Resource, &task); err != nil {
		t.Fatal(err)
	}
	if task.ResourceType != "Task" || task.For.Reference != "Patient/ab-02" || len(task.Identifier) != 2 || task.Identifier[0].Value != r.shown[0].Key {
		t.Errorf("the draft is %+v", task)
	}
}

// TestNoSecondRequest: where a request, a Task of ours, or a decision stands, no card offers another.
func TestNoSecondRequest(t *testing.T) {
	t.Parallel()
	first := setup(t, nil)
	first.follow("ab-02")
	first.cards("patient-view", body("patient-view", "ab-02", nil))
	key := first.shown[0].Key
	on := filter.NewDay(2026, 3, 1)
	asked := first.after[0]
	with := func(change func(*draft.Referral)) draft.Referral {
		one := asked
		change(&one)
		return one
	}
	for name, c := range map[string]struct {
		known    Known
		own      string // status of our own Task in the record
		want     string
		proposes bool
	}{
		"wanted, not written":  {Known{Referrals: []draft.Referral{asked}}, "", "overdue warning", true},
		"written":              {Known{Referrals: []draft.Referral{asked}, Written: []string{key}}, "", "overdue warning", false},
		"a draft stands":       {Known{Referrals: []draft.Referral{asked}}, "draft", "overdue warning", false},
		"taken up":             {Known{Referrals: []draft.Referral{asked}}, "accepted", "", false},
		"rejected":             {Known{Referrals: []draft.Referral{asked}}, "rejected", "", false},
		"approved":             {Known{Referrals: []draft.Referral{with(func(d *draft.Referral) { d.Round, d.Approved = 2, true })}}, "", "", false},
		"put off":              {Known{Referrals: []draft.Referral{with(func(d *draft.Referral) { d.Until, d.By, d.Why = on+10, "Dr", "holiday" })}}, "", "", false},
		"put off until today":  {Known{Referrals: []draft.Referral{with(func(d *draft.Referral) { d.Until, d.By, d.Why = on, "Dr", "holiday" })}}, "", "overdue warning", true},
		"declined for a while": {Known{Referrals: []draft.Referral{with(func(d *draft.Referral) { d.Reason, d.Until = draft.Declined, on+10 })}}, "", "", false},
	} {
		r := setup(t, nil)
		r.follow("ab-02")
		r.known["default|ab-02"] = c.known
		if c.own != "" {
			raw := fmt.Sprintf(`{"resourceType":"Task","id":"t1","identifier":[{"system":"urn:dwellwatch:referral","value":%q}],"status":%q,"intent":"proposal","for":{"reference":"Patient/ab-02"},"focus":{"reference":"Device/ab-02-dev1"}}`, key, c.own)
			r.charts["default|ab-02"] = append(r.charts["default|ab-02"], fhir.Resource{Type: "Task", ID: "t1", Raw: []byte(raw)})
		}
		got := r.cards("patient-view", body("patient-view", "ab-02", nil))
		kind, proposes := "", false
		if len(got) == 1 {
			kind, proposes = got[0].Source.Topic.Code+" "+got[0].Indicator, len(got[0].Suggestions) > 0
		}
		if kind != c.want || proposes != c.proposes {
			t.Errorf("%s: %q, proposes %t; want %q, %t", name, kind, proposes, c.want, c.proposes)
		}
	}
}

func TestDischarge(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	want := map[string]string{
		"ab-01": "discharge info", "ab-02": "discharge info", "ab-03": "discharge info", "ab-05": "discharge info", "ab-20": "discharge info",
		"ab-11": "", "ab-12": "", // meant to stay
		"ab-18": "", "ab-19": "", // requested, booked
		"ab-09": "", "ab-17": "",
		"ab-13": "urgent critical",
	}
	got := map[string]string{}
	for id := range want {
		r.follow(id)
		got[id] = r.one("encounter-discharge", body("encounter-discharge", id, nil, `"encounterId":"e1"`))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// order writes a draft order of an anticoagulant.
func order(id, patient, status, agent, dose string, more ...string) string {
	return fmt.Sprintf(`{"resource":{"resourceType":"MedicationRequest","id":%q,"status":%q,"intent":"order","subject":{"reference":"Patient/%s"},"medicationCodeableConcept":{"text":%q},"dosageInstruction":[{"text":%q,"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"doseAndRate":[{"doseQuantity":{"value":5,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"}}]}]%s}}`,
		id, status, patient, agent, dose, strings.Join(more, ""))
}

func orders(entries ...string) string {
	return `"draftOrders":{"resourceType":"Bundle","type":"collection","entry":[` + strings.Join(entries, ",") + `]}`
}

func TestOrderSign(t *testing.T) {
	t.Parallel()
	const apixaban = "apixaban 5 MG Oral Tablet"
	running := map[string]string{}
	for _, id := range []string{"ab-01", "ab-02", "ab-09", "ab-12"} {
		for _, one := range patient(t, id) {
			if one.Type == "MedicationRequest" {
				running[id] = string(one.Raw)
			}
		}
	}
	stop := func(id, status string) string {
		return `{"resource":` + strings.Replace(strings.Replace(running[id], `"status":"active"`, `"status":"`+status+`"`, 1), `"meta"`, `"_meta"`, 1) + `}`
	}
	for name, c := range map[string]struct{ patient, orders, want string }{
		"started":                   {"ab-06", orders(order("n1", "ab-06", "draft", apixaban, "5 mg twice daily")), "anticoagulant-started info"},
		"started without id":        {"ab-06", orders(strings.Replace(order("n1", "ab-06", "draft", apixaban, "5 mg twice daily"), `"id":"n1",`, "", 1)), "anticoagulant-started info"},
		"started, permanent":        {"ab-11", orders(order("n1", "ab-11", "draft", apixaban, "5 mg twice daily")), ""},
		"started in another person": {"ab-06", orders(order("n1", "ab-07", "draft", apixaban, "5 mg twice daily")), ""},
		"another under one":         {"ab-02", orders(order("n1", "ab-02", "draft", apixaban, "5 mg twice daily")), ""},
		"no anticoagulant":          {"ab-06", orders(order("n1", "ab-06", "draft", "paracetamol 500 MG Oral Tablet", "as needed")), ""},
		"no medication at all":      {"ab-06", orders(`{"resource":{"resourceType":"ServiceRequest","status":"draft","intent":"order","subject":{"reference":"Patient/ab-06"},"code":{"text":"chest radiograph"}}}`), ""},
		"no orders":                 {"ab-06", `"draftOrders":{"resourceType":"Bundle","type":"collection"}`, ""},
		"started with its request":  {"ab-06", orders(order("n1", "ab-06", "draft", apixaban, "5 mg twice daily"), `{"resource":{"resourceType":"ServiceRequest","status":"draft","intent":"order","subject":{"reference":"Patient/ab-06"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]}}}`), ""},
		"a Bundle without a type":   {"ab-06", strings.Replace(orders(order("n1", "ab-06", "draft", apixaban, "5 mg twice daily")), `"type":"collection",`, "", 1), "anticoagulant-started info"},
		"a dose that is no list":    {"ab-06", orders(strings.NewReplacer(`"doseAndRate":[`, `"doseAndRate":`, `"mg"}}]}]`, `"mg"}}}]`).Replace(order("n1", "ab-06", "draft", apixaban, "5 mg twice daily"))), "anticoagulant-started info"},
		"stopped":                   {"ab-02", orders(stop("ab-02", "stopped")), "anticoagulant-stopped warning"},
		"cancelled":                 {"ab-02", orders(stop("ab-02", "cancelled")), "anticoagulant-stopped warning"},
		"stopped, permanent":        {"ab-12", orders(stop("ab-12", "stopped")), "anticoagulant-stopped warning"},
		"stopped after removal":     {"ab-09", orders(stop("ab-09", "stopped")), ""},
		"stopped and replaced":      {"ab-02", orders(stop("ab-02", "stopped"), order("n1", "ab-02", "draft", apixaban, "5 mg twice daily")), ""},
		"stop of one never heard":   {"ab-06", orders(order("x1", "ab-06", "stopped", apixaban, "5 mg twice daily", `,"authoredOn":"2026-02-01"`)), "anticoagulant-stopped warning"},
		"stop by another order":     {"ab-02", orders(order("x2", "ab-02", "stopped", "warfarin", "as directed", `,"priorPrescription":{"reference":"MedicationRequest/ab-02-med1"}`)), "anticoagulant-stopped warning"},
	} {
		r := setup(t, nil)
		r.follow(c.patient)
		if got := r.one("order-sign", body("order-sign", c.patient, nil, c.orders)); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func TestAppointmentBook(t *testing.T) {
	t.Parallel()
	slot := func(status, what string, more ...string) string {
		return `"appointments":{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Appointment","id":"s1","status":"` + status + `","serviceType":[` + what + `],"start":"2026-03-20T09:00:00Z","participant":[{"actor":{"reference":"Patient/ab-02"},"status":"needs-action"}]` + strings.Join(more, "") + `}}]}`
	}
	const coded = `{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]}`
	for name, c := range map[string]struct{ patient, context, want string }{
		"by code":      {"ab-02", slot("proposed", coded), "retrieval-booked info"},
		"by words":     {"ab-02", slot("proposed", `{"text":"IVC filter retrieval"}`), "retrieval-booked info"},
		"a list":       {"ab-02", `"appointments":[` + strings.TrimSuffix(strings.SplitN(slot("proposed", coded), `"resource":`, 2)[1], "}]}") + `]`, "retrieval-booked info"},
		"no type":      {"ab-02", strings.Replace(slot("proposed", coded), `"type":"collection",`, "", 1), "retrieval-booked info"},
		"one concept":  {"ab-02", strings.NewReplacer(`"serviceType":[`, `"serviceType":`, `"37193"}]}]`, `"37193"}]}`).Replace(slot("proposed", coded)), "retrieval-booked info"},
		"something":    {"ab-02", slot("proposed", `{"text":"dermatology"}`), ""},
		"called off":   {"ab-02", slot("cancelled", coded), ""},
		"no filter in": {"ab-09", strings.ReplaceAll(slot("proposed", coded), "ab-02", "ab-09"), ""},
		"other person": {"ab-08", slot("proposed", coded), ""},
	} {
		r := setup(t, nil)
		r.follow(c.patient)
		if got := r.one("appointment-book", body("appointment-book", c.patient, nil, c.context)); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
	r := setup(t, nil)
	r.follow("ab-02")
	card := r.cards("appointment-book", body("appointment-book", "ab-02", nil, slot("proposed", coded)))[0]
	if !strings.Contains(card.Detail, "Still open for the plan:\n\n- Has there been a reaction to contrast?") || !strings.Contains(card.Summary, "points are still open") {
		t.Errorf("%q\n%s", card.Summary, card.Detail)
	}
}

// TestTheOtherFilter: where a clinician was told of the filter that presses most, the other one is told of.
func TestTheOtherFilter(t *testing.T) {
	t.Parallel()
	r := setup(t, nil)
	r.follow("ab-06")
	for _, one := range patient(t, "ab-06") {
		if one.Type == "Device" || one.Type == "Procedure" || one.Type == "DeviceUseStatement" {
			text := string(one.Raw)
			for _, id := range []string{"Device/ab-06", "Procedure/ab-06", `"id":"ab-06`} {
				text = strings.ReplaceAll(text, id, id+"-second")
			}
			one.ID = strings.Replace(one.ID, "ab-06", "ab-06-second", 1)
			one.Raw = []byte(strings.NewReplacer("2024-05", "2023-02", `"udiCarrier"`, `"_udiCarrier"`, `"serialNumber"`, `"_serialNumber"`).Replace(text))
			r.charts["default|ab-06"] = append(r.charts["default|ab-06"], one)
		}
	}
	text := body("patient-view", "ab-06", nil)
	r.cards("patient-view", text)
	first := r.shown[0].Key
	r.may = func(s Shown) bool { return s.Key != first }
	got := r.cards("patient-view", text)
	if len(got) != 1 || len(r.shown) != 2 || r.shown[1].Key == first || !strings.Contains(got[0].Detail, "More than one filter") {
		t.Errorf("%d cards, shown %d", len(got), len(r.shown))
	}
	r.may = func(Shown) bool { return false }
	if got := r.cards("patient-view", text); len(got) != 0 {
		t.Error("told of both, and shown again")
	}
}
