package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/tidwall/gjson"

	"dwellwatch/internal/dbtest"
	"dwellwatch/internal/demo"
	"dwellwatch/internal/filter"
)

// bedside is the service on a real PostgreSQL as a record's client calls it, on a clock that can be moved.
type bedside struct {
	*testing.T
	program *program
	server  *httptest.Server
	days    atomic.Int64 // since the demonstration's day
}

// bedsideOf starts the service; record is the record's base, "" for none, and change may alter its settings.
func bedsideOf(t *testing.T, record string, change ...func(*settings)) *bedside {
	t.Helper()
	basis, day := demoBasis(t)
	b := &bedside{T: t}
	s := settings{basis: basis, log: slog.New(slog.DiscardHandler),
		now: func() time.Time { return day.Add(9*time.Hour).AddDate(0, 0, int(b.days.Load())) }}
	s.DatabaseURL, s.RecordURL, s.RecordTimeout = dbtest.URL(t), record, time.Second
	s.PublicURL, s.SessionIdle, s.SessionLifetime = "https://dwellwatch.example", time.Minute, time.Hour
	for _, f := range change {
		f(&s)
	}
	var err error
	if b.program, err = start(t.Context(), s); err != nil {
		t.Fatal(err)
	}
	b.server = httptest.NewServer(b.program.handler)
	t.Cleanup(func() {
		b.server.Close()
		b.program.close()
	})
	return b
}

// deliver sends a demonstration patient through the doors and waits until the answer is saved.
func (b *bedside) deliver(ids ...string) {
	b.Helper()
	all, err := demo.Hospital()
	if err != nil {
		b.Fatal(err)
	}
	for _, p := range all {
		if slices.Contains(ids, p.ID) {
			send(b.T, http.MethodPost, b.server.URL+"/fhir", p.Steps[0].Bundle)
		}
	}
	deadline := time.Now().Add(30 * time.Second)
	for _, id := range ids {
		for !b.assessed(id) {
			if time.Now().After(deadline) {
				b.Fatalf("%s was not assessed in time", id)
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
}

func (b *bedside) assessed(patient string) bool {
	var done bool
	err := b.program.store.Pool().QueryRow(b.Context(), `
		SELECT coalesce(saved_version = chart_version, false) FROM person p JOIN person_alias a ON a.person_id = p.id WHERE a.patient_id = @patient`,
		pgx.NamedArgs{"patient": patient}).Scan(&done)
	return err == nil && done
}

// ask calls a hook for a user; more are further members of the request. It gives the status and the body.
func (b *bedside) ask(hook, user, patient, instance string, more ...string) (int, string) {
	b.Helper()
	text := fmt.Sprintf(`{"hook":%q,"hookInstance":%q,"context":{"userId":%q,"patientId":%q}%s}`, hook, instance, user, patient, strings.Join(append([]string{""}, more...), ","))
	return b.post("/cds-services/vena-cava-filter-"+hook, text)
}

func (b *bedside) post(path, text string) (int, string) {
	b.Helper()
	req, err := http.NewRequestWithContext(b.Context(), http.MethodPost, b.server.URL+path, strings.NewReader(text))
	if err != nil {
		b.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		b.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		b.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// card gives the uuid of the card that a user is shown when a chart is opened; "" for none.
func (b *bedside) card(user, patient, instance string, more ...string) string {
	b.Helper()
	status, body := b.ask("patient-view", user, patient, instance, more...)
	if status != http.StatusOK {
		b.Fatalf("%d %s", status, body)
	}
	return gjson.Get(body, "cards.0.uuid").String()
}

func (b *bedside) feedback(entry string) (int, string) {
	b.Helper()
	return b.post("/cds-services/vena-cava-filter-patient-view/feedback", `{"feedback":[`+entry+`]}`)
}

func count(t *testing.T, b *bedside, sql string) int {
	t.Helper()
	var n int
	if err := b.program.store.Pool().QueryRow(t.Context(), sql).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestACardIsShownOnceAMonth(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02")
	first := b.card("Practitioner/1", "ab-02", "visit-1")
	if first == "" {
		t.Fatal("no card")
	}
	if again := b.card("Practitioner/1", "ab-02", "visit-1"); again != first {
		t.Errorf("the same call shows %q, not %q", again, first)
	}
	if b.card("Practitioner/1", "ab-02", "visit-2") != "" {
		t.Error("shown twice")
	}
	if b.card("Practitioner/2", "ab-02", "visit-3") == "" {
		t.Error("another clinician is not told")
	}
	if status, body := b.ask("encounter-discharge", "Practitioner/1", "ab-02", "visit-4"); status != 200 || !strings.Contains(body, `"discharge"`) {
		t.Errorf("another occasion: %d %s", status, body)
	}
	dismissed := b.card("Practitioner/3", "ab-02", "visit-5")
	if status, body := b.feedback(`{"card":"` + dismissed + `","outcome":"overridden","outcomeTimestamp":"2026-03-01T09:00:00Z"}`); status != 200 || body != "" {
		t.Fatalf("%d %s", status, body)
	}
	b.days.Store(29)
	if b.card("Practitioner/1", "ab-02", "visit-6") != "" {
		t.Error("shown again within the month")
	}
	b.days.Store(30)
	if b.card("Practitioner/1", "ab-02", "visit-7") == "" || b.card("Practitioner/1", "ab-02", "visit-8") != "" {
		t.Error("after the month it is not shown once")
	}
	if b.card("Practitioner/3", "ab-02", "visit-9") != "" {
		t.Error("shown again to the clinician who had overridden it")
	}
	if n := count(t, b, `SELECT count(*) FROM card_feedback WHERE outcome = 'overridden' AND reason = ''`); n != 1 {
		t.Errorf("%d entries of feedback", n)
	}
	b.noPatientDataIn("card", "card_viewer", "card_feedback")
}

// noPatientDataIn looks for what names anybody in whole tables.
func (b *bedside) noPatientDataIn(tables ...string) {
	b.Helper()
	for _, table := range tables {
		var all string
		if err := b.program.store.Pool().QueryRow(b.Context(), `SELECT coalesce(json_agg(t)::text, '') FROM `+table+` t`).Scan(&all); err != nil {
			b.Fatal(err)
		}
		for _, word := range []string{"ab-", "Practitioner", "Brackenridge", "Patient"} {
			if all == "" || strings.Contains(all, word) {
				b.Errorf("%s holds %q: %s", table, word, all)
			}
		}
	}
}

// TestOfManyCallsAtOnceOneShowsTheCard: a clinician with many windows.
func TestOfManyCallsAtOnceOneShowsTheCard(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02")
	var shown atomic.Int64
	var all sync.WaitGroup
	for n := range 24 {
		all.Go(func() {
			if b.card("Practitioner/1", "ab-02", fmt.Sprint("window-", n)) != "" {
				shown.Add(1)
			}
		})
	}
	all.Wait()
	if shown.Load() != 1 {
		t.Errorf("shown %d times", shown.Load())
	}
}

// TestPutOffFromTheCard: reason, person and day put the referral off for everybody, as the worklist does; less than that does not.
func TestPutOffFromTheCard(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02", "ab-13")
	entry := func(card, by, until string) string {
		return `{"card":"` + card + `","outcome":"overridden","outcomeTimestamp":"2026-03-01T09:00:00Z","overrideReason":{"reason":{"code":"not-now"},"userComment":"after the holiday","extension":{"urn:dwellwatch:put-off":{"until":"` + until + `","by":"` + by + `"}}}}`
	}
	state := func() (version int64, until filter.Day) {
		var key string
		if err := b.program.store.Pool().QueryRow(t.Context(), `SELECT r.key FROM referral r JOIN person_alias a USING (person_id) WHERE a.patient_id = 'ab-02'`).Scan(&key); err != nil {
			t.Fatal(err)
		}
		w, err := b.program.store.Wanted(t.Context(), key)
		if err != nil {
			t.Fatal(err)
		}
		return w.Version, w.Referral.Until
	}
	before, _ := state()
	card := b.card("Practitioner/1", "ab-02", "visit-1")
	for name, e := range map[string]string{
		"somebody else": entry(card, "Practitioner/2", "2026-04-01"), "too far": entry(card, "Practitioner/1", "2026-12-01"), "today": entry(card, "Practitioner/1", "2026-03-01"),
		"urgent": entry(b.card("Practitioner/1", "ab-13", "visit-2"), "Practitioner/1", "2026-04-01"),
	} {
		if status, body := b.feedback(e); status != 422 || !strings.Contains(body, "business-rule") {
			t.Errorf("%s: %d %s", name, status, body)
		}
	}
	if version, until := state(); version != before || until != 0 {
		t.Errorf("refused, and the referral is at %d until %s", version, until)
	}
	for range 2 { // told again it is one decision
		if status, body := b.feedback(entry(card, "Practitioner/1", "2026-04-01")); status != 200 {
			t.Fatalf("%d %s", status, body)
		}
	}
	version, until := state()
	if version != before+1 || until != filter.NewDay(2026, 4, 1) {
		t.Errorf("the referral is at %d until %s", version, until)
	}
	if b.card("Practitioner/9", "ab-02", "visit-3") != "" {
		t.Error("put off, and another clinician is prompted")
	}
	deadline := time.Now().Add(20 * time.Second)
	for !b.assessed("ab-02") && time.Now().Before(deadline) {
		time.Sleep(20 * time.Millisecond)
	}
	if _, until := state(); until != filter.NewDay(2026, 4, 1) || b.card("Practitioner/8", "ab-02", "visit-4") != "" {
		t.Error("the next assessment undoes it")
	}
	b.days.Store(31) // 1 April
	if b.card("Practitioner/9", "ab-02", "visit-5") == "" {
		t.Error("on the day of return nobody is prompted")
	}
}

// prefetchOf makes the prefetch of a demonstration patient from searches by type.
func prefetchOf(t *testing.T, id string, more ...string) string {
	t.Helper()
	all, err := demo.Hospital()
	if err != nil {
		t.Fatal(err)
	}
	byType := map[string][]string{}
	for _, p := range all {
		if p.ID != id {
			continue
		}
		for _, e := range gjson.GetBytes(p.Steps[0].Bundle, "entry.#.resource").Array() {
			var one bytes.Buffer
			if err := json.Compact(&one, []byte(e.Raw)); err != nil {
				t.Fatal(err)
			}
			kind := e.Get("resourceType").String()
			byType[kind] = append(byType[kind], `{"resource":`+one.String()+`}`)
		}
	}
	var keys []string
	for key, kind := range map[string]string{"devices": "Device", "procedures": "Procedure", "deviceUse": "DeviceUseStatement", "conditions": "Condition", "medications": "MedicationRequest", "requests": "ServiceRequest", "appointments": "Appointment"} {
		keys = append(keys, fmt.Sprintf(`%q:{"resourceType":"Bundle","type":"searchset","entry":[%s]}`, key, strings.Join(byType[kind], ",")))
	}
	if patient := byType["Patient"]; len(patient) > 0 {
		keys = append(keys, `"patient":`+strings.TrimSuffix(strings.TrimPrefix(patient[0], `{"resource":`), "}"))
	}
	return `"prefetch":{` + strings.Join(append(keys, more...), ",") + `}`
}

// TestStrangers: evidence in the call makes the patient followed, with a pull of the context; without evidence nothing stays.
func TestStrangers(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "http://127.0.0.1:1/fhir")
	if status, body := b.ask("patient-view", "Practitioner/1", "ab-06", "visit-1"); status != 412 {
		t.Errorf("nothing sent: %d %s", status, body)
	}
	const nothing = `"prefetch":{"patient":{"resourceType":"Patient","id":"ab-06"},"devices":null,"procedures":{"resourceType":"Bundle","type":"searchset","total":0}}`
	if status, body := b.ask("patient-view", "Practitioner/1", "ab-06", "visit-2", nothing); status != 200 || body != `{"cards":[]}` {
		t.Errorf("nothing there: %d %s", status, body)
	}
	if n := count(t, b, `SELECT (SELECT count(*) FROM person) + (SELECT count(*) FROM resource) + (SELECT count(*) FROM card) + (SELECT count(*) FROM card_viewer)`); n != 0 {
		t.Errorf("%d rows stay of a stranger without a filter", n)
	}
	status, body := b.ask("patient-view", "Practitioner/1", "ab-06", "visit-3", prefetchOf(t, "ab-06"))
	if status != 200 || gjson.Get(body, "cards.0.source.topic.code").String() != "overdue" || gjson.Get(body, "cards.0.suggestions").Exists() || gjson.Get(body, "cards.0.links").Exists() {
		t.Errorf("%d %s", status, body)
	}
	if n := count(t, b, `SELECT count(*) FROM person p JOIN person_alias a ON a.person_id = p.id WHERE a.feed = 'default' AND a.patient_id = 'ab-06' AND p.followed AND p.pull_wanted = 1`); n != 1 {
		t.Error("the patient is not followed")
	}
	if n := count(t, b, `SELECT count(*) FROM river_job WHERE kind = 'pull_context'`); n == 0 {
		t.Error("no pull is queued")
	}
	b.noPatientDataIn("card", "card_viewer")
	if n := count(t, b, `SELECT count(*) FROM card WHERE key <> ''`); n != 0 {
		t.Error("a stranger's card has a key")
	}
	// Asked again the patient is known; the card was shown.
	if b.card("Practitioner/1", "ab-06", "visit-4") != "" {
		t.Error("shown twice")
	}
}

// TestTheSavedAnswerIsTheAnswer: what is read from the saved answer is what an assessment on the spot gives.
func TestTheSavedAnswerIsTheAnswer(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	ids := []string{"ab-01", "ab-02", "ab-05", "ab-08", "ab-10", "ab-11", "ab-13", "ab-15", "ab-18", "ab-20"}
	b.deliver(ids...)
	const news = `"other":{"resourceType":"Observation","id":"height","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"8302-2"}]},"subject":{"reference":"Patient/ID"},"effectiveDateTime":"2026-02-01","valueQuantity":{"value":180,"unit":"cm"}}`
	for _, id := range ids {
		for _, hook := range []string{"patient-view", "encounter-discharge"} {
			_, saved := b.ask(hook, "Practitioner/1", id, "visit", prefetchOf(t, id))
			_, spot := b.ask(hook, "Practitioner/1", id, "visit", prefetchOf(t, id, strings.ReplaceAll(news, "ID", id)))
			if diff := cmp.Diff(saved, spot); diff != "" {
				t.Errorf("%s, %s (-saved +on the spot):\n%s", id, hook, diff)
			}
		}
	}
	if n := count(t, b, `SELECT count(*) FROM resource WHERE type = 'Observation' AND id = 'height'`); n != 0 {
		t.Error("what a call brought was stored")
	}
}

// TestAPageOfTheRecordMayCall: through the guard, the preflight needs no credentials, the call does, and a page of the listed origin may
// read both answers.
func TestAPageOfTheRecordMayCall(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "", func(s *settings) {
		s.Token, s.CDSOrigins = "s3cret", []string{"https://ehr.example"}
	})
	const text = `{"hook":"patient-view","hookInstance":"i","context":{"userId":"Practitioner/1","patientId":"p"},"prefetch":{"devices":null,"procedures":null}}`
	for name, c := range map[string]struct {
		method, origin, token string
		status                int
		allowed               string
	}{
		"preflight":           {http.MethodOptions, "https://ehr.example", "", 204, "https://ehr.example"},
		"another's preflight": {http.MethodOptions, "https://elsewhere.example", "", 204, ""},
		"call":                {http.MethodPost, "https://ehr.example", "Bearer s3cret", 200, "https://ehr.example"},
		"call of a stranger":  {http.MethodPost, "https://ehr.example", "", 401, "https://ehr.example"},
		"call of another":     {http.MethodPost, "https://elsewhere.example", "Bearer s3cret", 200, ""},
	} {
		req, err := http.NewRequestWithContext(t.Context(), c.method, b.server.URL+"/cds-services/vena-cava-filter-patient-view", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Origin", c.origin)
		req.Header.Set("Content-Type", "application/json")
		if c.token != "" {
			req.Header.Set("Authorization", c.token)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != c.status || resp.Header.Get("Access-Control-Allow-Origin") != c.allowed {
			t.Errorf("%s: %d %q %s", name, resp.StatusCode, resp.Header.Get("Access-Control-Allow-Origin"), body)
		}
	}
}

// TestNoInputIsOurFault: calls that were damaged on the way are read or refused as the caller's fault, with the database behind them.
func TestNoInputIsOurFault(t *testing.T) {
	t.Parallel()
	b := bedsideOf(t, "")
	b.deliver("ab-02")
	call := func(hook, more string) string {
		return fmt.Sprintf(`{"hook":%q,"hookInstance":"i","fhirServer":"https://alder-bay.example/fhir","context":{"userId":"Practitioner/1","patientId":"ab-02"%s},%s}`, hook, more, prefetchOf(t, "ab-02"))
	}
	const order = `,"draftOrders":{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"MedicationRequest","id":"n","status":"draft","intent":"order","subject":{"reference":"Patient/ab-02"},"medicationCodeableConcept":{"text":"apixaban 5 MG Oral Tablet"},"dosageInstruction":[{"text":"5 mg twice daily"}]}}]}`
	const slot = `,"appointments":{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Appointment","status":"proposed","serviceType":[{"text":"IVC filter retrieval"}],"participant":[{"status":"needs-action"}]}}]}`
	paths := []string{"patient-view", "encounter-discharge", "order-sign", "appointment-book", "patient-view/feedback"}
	bodies := []string{call("patient-view", ""), call("encounter-discharge", ""), call("order-sign", order), call("appointment-book", slot),
		`{"feedback":[{"card":"` + b.card("Practitioner/1", "ab-02", "x") + `","outcome":"overridden","outcomeTimestamp":"2026-03-01T09:00:00Z","overrideReason":{"reason":{"code":"not-now"},"userComment":"c","extension":{"urn:dwellwatch:put-off":{"until":"2026-04-01","by":"Practitioner/1"}}}}]}`}
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 1))
	bits := []string{`\u0000`, `\ud800`, "\x00", `null`, `[]`, `{}`, `""`, `-1e999`, `"`, `,`, `}`, `ab-06`, `0000-00-00`, `9999-12-31`, `9999-12-31T23:59:60+14:00`, strings.Repeat("[", 200), strings.Repeat("x", 5000)}
	for n := range 600 {
		which := n % len(bodies)
		text := []byte(bodies[which])
		for range 1 + random.IntN(3) {
			at := random.IntN(len(text))
			to := min(len(text), at+random.IntN(12))
			text = slices.Concat(text[:at], []byte(bits[random.IntN(len(bits))]), text[to:])
		}
		status, body := b.post("/cds-services/vena-cava-filter-"+paths[which], string(text))
		if status >= 500 {
			t.Fatalf("seed %d: %d %s\n%s", seed, status, body, text)
		}
	}
}

func TestPromptSettings(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		s    promptSettings
		good bool
	}{
		"none":           {promptSettings{}, true},
		"good":           {promptSettings{CDSOrigins: []string{"https://ehr.example", "http://localhost:8081"}, CDSServers: pairs{"https://ehr.example/r4": "default", "https://lab.example/r4": "lab"}}, true},
		"any origin":     {promptSettings{CDSOrigins: []string{"*"}}, false},
		"a path":         {promptSettings{CDSOrigins: []string{"https://ehr.example/"}}, false},
		"no feed":        {promptSettings{CDSServers: pairs{"https://ehr.example/r4": "pacs"}}, false},
		"no base":        {promptSettings{CDSServers: pairs{"ehr": "default"}}, false},
		"with a query":   {promptSettings{CDSServers: pairs{"https://ehr.example/r4?x": "default"}}, false},
		"with a user":    {promptSettings{CDSServers: pairs{"https://a:b@ehr.example/r4": "default"}}, false},
		"null as origin": {promptSettings{CDSOrigins: []string{"null"}}, false},
	} {
		if err := c.s.check(feedMap{"lab": "https://lab.example/fhir"}); (err == nil) != c.good {
			t.Errorf("%s: %v", name, err)
		}
	}
}
