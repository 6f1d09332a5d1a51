package main

import (
	"fmt"
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"
)

// clerk is a person who is signed in and sends forms without a browser.
type clerk struct {
	t    *testing.T
	base string
	*http.Client
}

func (h *house) clerk(t *testing.T, name, role string) *clerk {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &clerk{t, h.doors.URL, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	if status, body := c.send("/signin/local", url.Values{"name": {name}, "role": {role}}); status != http.StatusSeeOther {
		t.Fatalf("sign-in: %d %s", status, body)
	}
	return c
}

// get gives a page.
func (c *clerk) get(path string) (int, string) {
	c.t.Helper()
	resp, err := c.Get(c.base + path)
	return c.read(resp, err)
}

// send sends a form.
func (c *clerk) send(path string, form url.Values) (int, string) {
	c.t.Helper()
	resp, err := c.PostForm(c.base+path, form)
	return c.read(resp, err)
}

func (c *clerk) read(resp *http.Response, err error) (int, string) {
	c.t.Helper()
	if err != nil {
		c.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return resp.StatusCode, html.UnescapeString(string(body))
}

// pages gives the paths of the filters on the list with these words, in its order.
func (c *clerk) pages(words string) []string {
	c.t.Helper()
	status, body := c.send("/worklist/search", url.Values{"words": {words}})
	if status != http.StatusOK {
		c.t.Fatalf("search: %d", status)
	}
	var out []string
	for _, m := range regexp.MustCompile(`class="name" href="([^"]+)"`).FindAllStringSubmatch(body, -1) {
		out = append(out, m[1])
	}
	return out
}

// form gives what a form of a page carries unseen; fields are added to it.
func (c *clerk) form(path, action string, fields ...string) url.Values {
	c.t.Helper()
	_, body := c.get(path)
	_, rest, found := strings.Cut(body, `action="`+path+"/"+action+`"`)
	if !found {
		c.t.Fatalf("the page has no form %s:\n%s", action, body)
	}
	part, _, _ := strings.Cut(rest, "</form>")
	out := url.Values{}
	for _, m := range regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)"`).FindAllStringSubmatch(part, -1) {
		out.Set(m[1], m[2])
	}
	for i := 0; i+1 < len(fields); i += 2 {
		out.Set(fields[i], fields[i+1])
	}
	return out
}

// does sends a form of a page and fails where it is not taken.
func (c *clerk) does(path, action string, fields ...string) {
	c.t.Helper()
	if status, body := c.send(path+"/"+action, c.form(path, action, fields...)); status != http.StatusSeeOther {
		c.t.Fatalf("%s: %d\n%s", action, status, alertOf(body))
	}
}

// refused sends a form that is not to be taken, and gives why.
func (c *clerk) refused(path, action string, fields ...string) string {
	c.t.Helper()
	status, body := c.send(path+"/"+action, c.form(path, action, fields...))
	if status != http.StatusUnprocessableEntity {
		c.t.Errorf("%s %v: %d, want 422", action, fields, status)
	}
	return alertOf(body)
}

// alertOf gives what a page says is wrong.
func alertOf(body string) string {
	_, rest, _ := strings.Cut(body, `role="alert"`)
	_, rest, _ = strings.Cut(rest, ">")
	rest, _, _ = strings.Cut(rest, "</div>")
	return strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(rest, " ")), " ")
}

// toldPlacements is a patient with placements on these days, told by codes alone.
func toldPlacements(patient string, days ...string) [][]byte {
	out := [][]byte{fmt.Appendf(nil, `{"resourceType":"Patient","id":%q,"birthDate":"1951-04","name":[{"text":"Person %s"}]}`, patient, patient)}
	for i, day := range days {
		out = append(out, fmt.Appendf(nil, `{"resourceType":"Procedure","id":"%s-in%d","meta":{"lastUpdated":"2026-02-27T08:00:00Z"},"status":"completed","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37191"}]},"subject":{"reference":"Patient/%s"},"performedDateTime":%q}`, patient, i, patient, day))
	}
	return out
}

// told feeds resources through record and doors.
func (h *house) told(t *testing.T, resources ...[]byte) {
	t.Helper()
	var stored [][]byte
	for _, raw := range resources {
		r := gjson.ParseBytes(raw)
		stored = append(stored, send(t, http.MethodPut, h.peer.BaseURL+"/"+r.Get("resourceType").String()+"/"+r.Get("id").String(), raw))
	}
	send(t, http.MethodPost, h.doors.URL+"/fhir", transaction(stored))
	h.atRest(t)
}

// standings gives how the filters of a patient stand, by their words on the list.
func (h *house) standings(t *testing.T, words string) []string {
	t.Helper()
	rows, err := h.program.store.Pool().Query(t.Context(), `SELECT standing || ' ' || verdict FROM worklist WHERE listed AND position(lower($1) IN search) > 0 ORDER BY placed_from, standing`, words)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for rows.Next() {
		var one string
		if err := rows.Scan(&one); err != nil {
			t.Fatal(err)
		}
		out = append(out, one)
	}
	return out
}

// pageOf gives the page of the filter that was placed on a day.
func (h *house) pageOf(t *testing.T, words, day string) string {
	t.Helper()
	var page string
	if err := h.program.store.Pool().QueryRow(t.Context(), `SELECT page FROM worklist WHERE listed AND position(lower($1) IN search) > 0 AND placed_from = $2::date`, words, day).Scan(&page); err != nil {
		t.Fatal(err)
	}
	return "/worklist/filters/" + page
}

// TestWhatPeopleEnterIsOfTheFilter: what became of a filter is of the filter on whose page it was entered and makes no other, also where
// two are told of by codes alone; a day before the placement or the birth, or before there were filters, is refused.
func TestWhatPeopleEnterIsOfTheFilter(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.told(t, toldPlacements("two", "2025-03-04", "2025-10-01")...)
	c := h.clerk(t, "Ada Thornbury", "clinician")
	if got := h.standings(t, "Person two"); len(got) != 2 {
		t.Fatalf("%d filters: %v", len(got), got)
	}
	second := h.pageOf(t, "Person two", "2025-10-01")
	for _, x := range []struct{ action, what, on, want string }{
		{"outcome", "retrieved", "2025-09-30", "before the placement of the filter (2025-10-01)"},
		{"outcome", "failed", "2025-09", "before the placement"},
		{"outcome", "retrieved", "1951-03", "before the patient’s birth"},
		{"outcome", "retrieved", "2026-03-02", "lies ahead"},
		{"correction", "placement-day", "0001", "before the patient’s birth"},
		{"correction", "placement-day", "1951-03-31", "before the patient’s birth"},
	} {
		if got := c.refused(second, x.action, "what", x.what, "on", x.on, "why", "Seen"); !strings.Contains(got, x.want) {
			t.Errorf("%s %s on %s: %q, want %q", x.action, x.what, x.on, got, x.want)
		}
	}
	if got := h.standings(t, "Person two"); len(got) != 2 || strings.Contains(strings.Join(got, " "), "removed") {
		t.Errorf("after what was refused: %v", got)
	}
	c.does(second, "outcome", "what", "retrieved", "on", "2025-12-01", "why", "")
	h.atRest(t)
	if got := h.standings(t, "Person two"); len(got) != 2 || !strings.HasPrefix(got[0], "in-place") || got[1] != "removed closed" {
		t.Errorf("the second is out: %v", got)
	}
	// A placement that turns out to be later than what was entered of it leaves one filter and a question.
	late := toldPlacements("two", "2025-03-04", "2025-12-20")
	h.told(t, late[2])
	if got := h.standings(t, "Person two"); len(got) != 2 || !strings.HasPrefix(got[0], "in-place") || got[1] != "in-place clarify" {
		t.Errorf("the second was placed later: %v", got)
	}

	h.told(t, []byte(`{"resourceType":"Patient","id":"ageless","name":[{"text":"Person ageless"}]}`), toldPlacements("ageless", "2025-10-01")[1])
	page := c.pages("ageless")[0]
	if got := c.refused(page, "correction", "what", "placement-day", "on", "1959", "why", "Seen"); !strings.Contains(got, "before the first caval filters") {
		t.Errorf("a filter of 1959: %q", got)
	}
	c.does(page, "correction", "what", "placement-day", "on", "1998", "why", "Seen")
	if diff := cmp.Diff([]string{"in-place review"}, h.standings(t, "ageless")); diff != "" {
		t.Errorf("a filter of 1998 (-want +got):\n%s", diff)
	}
}

// TestWhatWasEnteredStaysWithItsPatient: two patients are merged, what became of one of their filters is entered, and the merge is taken
// back: the entry is the one's whose the filter is, and the other's filter stands as before.
func TestWhatWasEnteredStaysWithItsPatient(t *testing.T) {
	t.Parallel()
	h := open(t)
	c := h.clerk(t, "Ada Thornbury", "clinician")
	for _, whose := range []int{0, 1} {
		pair := []string{fmt.Sprintf("left-%d", whose), fmt.Sprintf("right-%d", whose)}
		patient := func(n, version int, link string) []byte {
			return fmt.Appendf(nil, `{"resourceType":"Patient","id":%q,"meta":{"versionId":"%d","lastUpdated":"2026-02-2%dT08:00:00Z"},"birthDate":"1951-04","name":[{"text":"Person %s"}]%s}`, pair[n], version, version, pair[n], link)
		}
		for n, day := range []string{"2025-03-04", "2025-10-01"} {
			h.told(t, patient(n, 1, ""), toldPlacements(pair[n], day)[1])
		}
		h.told(t, patient(0, 2, `,"link":[{"other":{"reference":"Patient/`+pair[1]+`"},"type":"replaced-by"}]`))
		mine := h.pageOf(t, fmt.Sprintf("-%d", whose), []string{"2025-03-04", "2025-10-01"}[whose])
		if _, body := c.get(mine); !strings.Contains(body, "other filter") {
			t.Fatalf("not merged:\n%s", body)
		}
		c.does(mine, "outcome", "what", "retrieved", "on", "2026-02-26", "why", "")
		h.atRest(t)
		h.told(t, patient(0, 3, ""))
		want := map[string][]string{pair[whose]: {"removed closed"}, pair[1-whose]: {"in-place review"}}
		got := map[string][]string{pair[0]: h.standings(t, pair[0]), pair[1]: h.standings(t, pair[1])}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("entered for %s, after the merge was taken back (-want +got):\n%s", pair[whose], diff)
		}
		if after := c.pages(pair[whose]); len(after) != 1 || after[0] != mine {
			t.Errorf("the page of the filter was %s, and is %v", mine, after)
		}
		if status, body := c.get(c.pages(pair[1-whose])[0]); status != http.StatusOK || strings.Contains(body, "2026-02-26") {
			t.Errorf("the page of the other tells of the retrieval: %d", status)
		}
	}
}

// TestWhatTakesAwayNeedsAClinician: a coordinator calls no entry wrong on which a complication or an anticoagulant stands, and says of no
// filter that it is none; a clinician does, until the record has a newer version, which nobody has looked at.
func TestWhatTakesAwayNeedsAClinician(t *testing.T) {
	t.Parallel()
	h := open(t)
	condition := func(onset string) []byte {
		return fmt.Appendf(nil, `{"resourceType":"Condition","id":"moved","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"T82.525A"}]},"subject":{"reference":"Patient/hurt"},"onsetDateTime":%q}`, onset)
	}
	// Only the doors are told, at times of this test's own clock.
	hear := func(resources ...[]byte) {
		send(t, http.MethodPost, h.doors.URL+"/fhir", transaction(resources))
		h.atRest(t)
	}
	at := func(raw []byte, when string) []byte {
		return []byte(strings.Replace(string(raw), `"clinicalStatus"`, `"meta":{"lastUpdated":"`+when+`"},"clinicalStatus"`, 1))
	}
	hear(append(toldPlacements("hurt", "2025-10-01"), at(condition("2026-02-20"), "2026-02-21T08:00:00Z"))...)
	page := h.pageOf(t, "hurt", "2025-10-01")
	coordinator, clinician := h.clerk(t, "Cy Marlowe", "coordinator"), h.clerk(t, "Ada Thornbury", "clinician")
	for what, want := range map[string]string{"entry-wrong": "a clinician calls it wrong", "no-filter": "A clinician says"} {
		if got := coordinator.refused(page, "correction", "what", what, "entry", "Condition/moved", "why", "Seen"); !strings.Contains(got, want) {
			t.Errorf("a coordinator, %s: %q", what, got)
		}
	}
	if _, body := coordinator.get(page); strings.Contains(body, `value="Condition/moved"`) || strings.Contains(body, `value="no-filter"`) {
		t.Error("a coordinator is offered what is not theirs")
	}
	if diff := cmp.Diff([]string{"in-place urgent"}, h.standings(t, "hurt")); diff != "" {
		t.Fatalf("before (-want +got):\n%s", diff)
	}
	clinician.does(page, "correction", "what", "entry-wrong", "entry", "Condition/moved", "why", "Of another patient")
	h.atRest(t)
	if diff := cmp.Diff([]string{"in-place review"}, h.standings(t, "hurt")); diff != "" {
		t.Errorf("called wrong (-want +got):\n%s", diff)
	}
	hear(at(condition("2026-02-20"), "2026-03-01T12:00:00Z"))
	if diff := cmp.Diff([]string{"in-place urgent"}, h.standings(t, "hurt")); diff != "" {
		t.Errorf("told anew (-want +got):\n%s", diff)
	}
	if _, body := clinician.get(page); !strings.Contains(body, "newer version of an entry that was called wrong here") {
		t.Error("the page does not name the newer version")
	}
}

// TestAFormIsOfWhatItsPageShowed: a form that was made before somebody entered something, or before the record told something else, does
// nothing, and neither does one that does not say what its page showed; of forms sent at one moment one is taken.
func TestAFormIsOfWhatItsPageShowed(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.told(t, toldPlacements("early", "2025-10-01")...)
	page := h.pageOf(t, "early", "2025-10-01")
	c := h.clerk(t, "Ada Thornbury", "clinician")
	fields := map[string][]string{
		"outcome": {"what", "failed", "on", "2026-02-20", "why", ""}, "reassessment": {"finding", "no-longer-needed", "why", "x"}, "contact": {"how", "letter", "reached", "no", "why", ""},
		"correction": {"what", "placement-day", "on", "2025-09", "why", "x"}, "approve": nil, "snooze": {"why", "x", "until", "2026-03-20"},
	}
	forms := map[string]url.Values{}
	for action, list := range fields {
		forms[action] = c.form(page, action, list...)
	}
	acts := func() (n int) {
		h.atRest(t)
		if err := h.program.store.Pool().QueryRow(t.Context(), `SELECT count(*) FROM act`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for action, form := range forms {
		unsaid := url.Values{}
		for k, v := range form {
			unsaid[k] = v
		}
		unsaid.Del("stands")
		if status, _ := c.send(page+"/"+action, unsaid); status != http.StatusPreconditionFailed {
			t.Errorf("%s that does not say what its page showed: %d", action, status)
		}
	}
	c.does(page, "contact", "how", "telephone", "reached", "no", "why", "")
	h.atRest(t)
	for action, form := range forms {
		if status, body := c.send(page+"/"+action, form); status != http.StatusPreconditionFailed || !strings.Contains(body, "something has changed") {
			t.Errorf("%s after somebody else's entry: %d", action, status)
		}
	}
	stale := c.form(page, "outcome", fields["outcome"]...)
	h.told(t, []byte(`{"resourceType":"Procedure","id":"tried","meta":{"lastUpdated":"2026-02-27T08:00:00Z"},"status":"stopped","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"37193"}]},"subject":{"reference":"Patient/early"},"performedDateTime":"2026-02-20"}`))
	if status, _ := c.send(page+"/outcome", stale); status != http.StatusPreconditionFailed {
		t.Errorf("an outcome after the record told of one: %d", status)
	}
	if n := acts(); n != 1 {
		t.Errorf("%d were taken, want 1", n)
	}
	const many = 6
	statuses := make(chan int, many)
	var at []url.Values
	for range many {
		at = append(at, c.form(page, "outcome", fields["outcome"]...))
	}
	for _, form := range at {
		go func() {
			resp, err := c.PostForm(c.base+page+"/outcome", form)
			if err != nil {
				t.Error(err)
				statuses <- 0
				return
			}
			resp.Body.Close()
			statuses <- resp.StatusCode
		}()
	}
	got := map[int]int{}
	for range many {
		got[<-statuses]++
	}
	if diff := cmp.Diff(map[int]int{http.StatusSeeOther: 1, http.StatusPreconditionFailed: many - 1}, got); diff != "" {
		t.Errorf("of forms at one moment (-want +got):\n%s", diff)
	}
	if n := acts(); n != 2 {
		t.Errorf("%d were taken, want 2", n)
	}
}

// TestAFormSentTwice: with the same content it was done, whatever has changed since; with other content, or for another filter, nothing of
// it is taken and the person is told.
func TestAFormSentTwice(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.told(t, toldPlacements("twice", "2025-03-04", "2025-10-01")...)
	page, other := h.pageOf(t, "twice", "2025-03-04"), h.pageOf(t, "twice", "2025-10-01")
	c := h.clerk(t, "Ada Thornbury", "clinician")
	form := c.form(page, "contact", "how", "letter", "reached", "no", "why", "first")
	for n := range 2 {
		if status, _ := c.send(page+"/contact", form); status != http.StatusSeeOther {
			t.Errorf("time %d: %d", n+1, status)
		}
	}
	for name, change := range map[string]func(url.Values) string{
		"another note": func(v url.Values) string { v.Set("why", "second"); return page + "/contact" },
		"reached":      func(v url.Values) string { v.Set("reached", "yes"); return page + "/contact" },
		"another deed": func(v url.Values) string { v.Set("finding", "stays"); return page + "/reassessment" },
		"another filter": func(v url.Values) string {
			v.Set("stands", c.form(other, "contact").Get("stands"))
			return other + "/contact"
		},
	} {
		again := url.Values{}
		for k, v := range form {
			again[k] = v
		}
		to := change(again)
		if status, body := c.send(to, again); status != http.StatusPreconditionFailed || !strings.Contains(body, "this form was sent before") {
			t.Errorf("%s: %d", name, status)
		}
	}
	var acts, entries int
	if err := h.program.store.Pool().QueryRow(t.Context(), `SELECT (SELECT count(*) FROM act), (SELECT count(*) FROM resource WHERE feed = 'local')`).Scan(&acts, &entries); err != nil || acts != 1 || entries != 1 {
		t.Errorf("%d acts, %d entries, %v", acts, entries, err)
	}
}
