package main

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"dwellwatch/internal/peertest"
	"dwellwatch/internal/postgres"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/tidwall/gjson"
	"github.com/tidwall/sjson"
)

// TestWorklistInABrowser drives the pages of the real service, on a real PostgreSQL beside a FHIR server others wrote, in a real
// browser, as the people of a retrieval clinic do on one morning. The steps build on each other.
func TestWorklistInABrowser(t *testing.T) {
	t.Parallel()
	axe := peertest.Axe(t)
	h := open(t)
	h.admitted(t)
	b := browser(t, h.doors.URL)
	b.signIn("Ada Thornbury", "clinician")
	for _, step := range []struct {
		name string
		run  func(t *testing.T, h *house, b *tab)
	}{
		{"list", theList}, {"phone", thePhone}, {"paper", thePaper}, {"search", theSearch}, {"addresses", theAddresses}, {"calls", theCalls}, {"approve", theApproval}, {"put off", thePuttingOff}, {"decline", theDecline},
		{"taken up by another hand", theOtherHand}, {"outcomes", theOutcomes}, {"complication", theComplication}, {"re-assessment", theReassessment},
		{"corrections", theCorrections}, {"refusals", theRefusals}, {"keyboard", theKeyboard}, {"roles", theRoles},
		{"accessible", func(t *testing.T, _ *house, b *tab) { theAccess(t, b, axe) }},
		{"engineer", func(t *testing.T, h *house, b *tab) { theEngineer(t, h, b, axe) }},
	} {
		if !t.Run(step.name, func(t *testing.T) { step.run(t, h, &tab{t, b.ctx, b.base}) }) {
			return
		}
	}
}

// theList: the most urgent stand first, with counts, the next step, whose it is, and how it stands with each patient.
func theList(t *testing.T, _ *house, b *tab) {
	b.open("/worklist")
	b.says(".tabs", "All open 20", "Act now 2", "Ask for retrieval 8", "Clinician reviews 4", "Find out 3", "Wait 2", "Stays in 1", "Closed 3")
	b.says(".shows", "Overdue 8", "In hospital now 1", "No contact details 3", "Lost to follow-up 0", "Put off 0")
	names := js[[]string](b, `[...document.querySelectorAll("a.name")].map(a => a.innerText)`)
	if len(names) != 20 || names[0] != "Rufus Nightingale-Crewe" || names[1] != "Cordelia Underhill-Moss" || names[19] != "Evander Larkspurr" {
		t.Errorf("order of the list: %v", names)
	}
	b.says("tr.line:has(a.name)", "Telephone the treating team now", "A clinician approves", "Booked by others", "Requested by others", "Retrieval clinic", "Coordinator", "in hospital now", "no contact details")
	if got := js[[]string](b, `[...document.querySelectorAll("tr.group")].map(e => e.innerText.trim())`); !slices.Equal(got, []string{"Act now", "Soon", "Routine", "Find out whether a filter is in", "In others’ hands, or put off", "Waiting for a day", "Meant to stay"}) {
		t.Errorf("groups: %q", got)
	}
	b.open("/worklist?verdict=closed")
	b.says("table.list", "Barnaby Copperthwaite-Lunn", "Agathe Silverdale", "Marisol Thistlewood-Vane")
	b.open("/worklist?show=in-hospital")
	if got := js[[]string](b, `[...document.querySelectorAll("a.name")].map(a => a.innerText)`); !slices.Equal(got, []string{"Leocadia Winterbourne-Tay"}) {
		t.Errorf("in hospital: %v", got)
	}
}

// theSearch finds by any of the words, and leaves none of them in the address.
func theSearch(t *testing.T, _ *house, b *tab) {
	b.open("/worklist")
	b.fill("#words", "brackenridge tob")
	b.submit(".search button")
	b.says("table.list", "Tobin Brackenridge-Sorley")
	if n := js[int](b, `document.querySelectorAll("tr.line").length`); n != 1 {
		t.Errorf("%d lines found", n)
	}
	if at := js[string](b, `location.href`); at != b.base+"/worklist/search" {
		t.Errorf("the search stands at %s", at)
	}
	b.fill("#words", "nobody of this name")
	b.submit(".search button")
	b.says("main", "Nobody is found by these words")
}

// theAddresses: no address within the pages holds a name, a patient's id or a filter's key; the key in it is nothing of the person's.
func theAddresses(t *testing.T, h *house, b *tab) {
	b.open("/worklist")
	links := js[[]string](b, `[...document.querySelectorAll("a[href], form[action]")].map(e => e.getAttribute("href") ?? e.getAttribute("action"))`)
	b.filter("Tobin Brackenridge-Sorley")
	links = append(links, js[[]string](b, `[...document.querySelectorAll("a[href]:not([rel=noreferrer]), form[action], button[formaction]")].map(e => e.getAttribute("href") ?? e.getAttribute("action") ?? e.getAttribute("formaction"))`)...)
	rows, err := h.program.store.Overview(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range links {
		path, _, _ := strings.Cut(l, "#")
		if strings.Contains(path, "ab-") || strings.Contains(strings.ToLower(path), "tobin") {
			t.Errorf("the address %s tells of a patient", l)
		}
		for _, row := range rows {
			for _, r := range row.Referrals {
				if strings.Contains(path, r.Referral.Key) || strings.Contains(path, row.Person) {
					t.Errorf("the address %s holds a key", l)
				}
			}
		}
	}
	if n := js[int](b, `document.querySelectorAll("script, [style], [onclick], style").length`); n != 0 {
		t.Errorf("%d scripts or styles stand in the page", n)
	}
	if n := js[int](b, `document.styleSheets.length`); n != 2 {
		t.Errorf("%d style sheets", n)
	}
}

// theCalls: one click logs a call; the same form sent twice is one call; two in vain make a patient lost, and reaching them ends that.
func theCalls(t *testing.T, h *house, b *tab) {
	row := func(name string) string {
		id := js[string](b, fmt.Sprintf(`[...document.querySelectorAll("a.name")].find(a => a.innerText === %q).closest("tr").id`, name))
		return "#" + id
	}
	b.open("/worklist")
	at := row("Ignatius Stormont-Peake")
	form := js[map[string]string](b, fmt.Sprintf(`(f => Object.assign({action: f.getAttribute("action"), reached: "no"}, Object.fromEntries(new FormData(f))))(document.querySelector("%s form"))`, at))
	b.submit(at + " button[value=no]")
	b.says("[role=status]", "logged")
	b.says(at, "1 of 2 in vain", "last on 2026-03-01")
	if status := h.post(t, b, form); status != http.StatusSeeOther {
		t.Errorf("the same form again: %d", status)
	}
	b.open("/worklist")
	b.says(at, "1 of 2 in vain")
	b.submit(at + " button[value=no]")
	b.says(at, "2 of 2 in vain", "lost to follow-up", "Lost to follow-up: write to")
	b.says(".shows", "Lost to follow-up 1")
	b.filter("Ignatius Stormont-Peake")
	css := b.form("contact")
	b.do(chromedp.SetValue(chromedp.CSS(css+" select"), "letter"))
	b.fill(css+" [name=why]", "Answered the letter")
	b.submit(css + " button[value=yes]")
	b.says(".banner", "reached")
	b.saysNot(".banner", "lost to follow-up")
	b.says("section[aria-labelledby=done]", "Reached, letter", "Not reached, telephone", "Ada Thornbury", "Answered the letter")
	if n := js[int](b, `document.querySelectorAll("section[aria-labelledby=done] tbody tr").length`); n != 3 {
		t.Errorf("%d contacts, want 3", n)
	}
}

// post sends a form with the cookies of the browser, and gives the status without following.
func (h *house) post(t *testing.T, b *tab, form map[string]string) int {
	t.Helper()
	values := url.Values{}
	for k, v := range form {
		if k != "action" {
			values.Set(k, v)
		}
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, h.doors.URL+form["action"], strings.NewReader(values.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for _, c := range b.cookies() {
		req.AddCookie(c)
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	return resp.StatusCode
}

// task gives the Tasks of a patient in the record, by status.
func (h *house) task(t *testing.T, patient, status string) []gjson.Result {
	t.Helper()
	var out []gjson.Result
	for _, raw := range h.ours(t, "Task") {
		if task := gjson.ParseBytes(raw); task.Get("for.reference").String() == "Patient/"+patient && task.Get("status").String() == status {
			out = append(out, task)
		}
	}
	return out
}

// theApproval: the proposal is cancelled, and an order based on it stands in its place with the person's name.
func theApproval(t *testing.T, h *house, b *tab) {
	b.filter("Tobin Brackenridge-Sorley")
	b.submit(b.form("approve") + " button")
	b.says("[role=status]", "Approved")
	b.says(".banner", "Ordered; call the patient")
	b.says(".forms", "Approved by Ada Thornbury")
	h.echo(t)
	orders, proposals := h.task(t, "ab-02", "requested"), h.task(t, "ab-02", "cancelled")
	if len(orders) != 1 || len(proposals) != 1 {
		t.Fatalf("%d orders, %d cancelled proposals", len(orders), len(proposals))
	}
	if got := orders[0].Get("basedOn.0.reference").String(); got != "Task/"+proposals[0].Get("id").String() || orders[0].Get("intent").String() != "order" || orders[0].Get("requester.display").String() != "Ada Thornbury" {
		t.Errorf("the order is %s", orders[0].Raw)
	}
	b.filter("Tobin Brackenridge-Sorley")
	b.says("section[aria-labelledby=life]", "ordered, nobody took it up yet", "(order)", "cancelled", "Round 2")
	b.says("section[aria-labelledby=done]", "Approved", "Ada Thornbury")
}

// inDays writes a day of the demonstration's calendar.
func inDays(n int) string {
	return time.Date(2026, time.March, 1+n, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
}

// thePuttingOff leaves the draft where it is, to a day and for a reason.
func thePuttingOff(t *testing.T, h *house, b *tab) {
	b.filter("Percival Ravensmoor")
	css := b.form("snooze")
	b.fill(css+" [name=why]", "Pneumonia; after the antibiotics")
	b.fill(css+" [name=until]", inDays(20))
	b.submit(css + " button:not([formaction])")
	b.says(".banner", "Put off; look again", inDays(20))
	b.says("section[aria-labelledby=done]", "Put off", "Pneumonia; after the antibiotics", "until "+inDays(20))
	h.echo(t)
	if drafts := h.task(t, "ab-06", "draft"); len(drafts) != 1 || drafts[0].Get("restriction.period.end").String() != inDays(20) {
		t.Errorf("the draft: %v", drafts)
	}
	b.open("/worklist?show=put-off")
	b.says("table.list", "Percival Ravensmoor", "In others’ hands, or put off")
}

// theDecline takes the draft back; it is asked again from the day on.
func theDecline(t *testing.T, h *house, b *tab) {
	b.filter("Saskia Hollowmere")
	css := b.form("snooze")
	b.fill(css+" [name=why]", "The patient does not want it now")
	b.fill(css+" [name=until]", inDays(60))
	b.submit(css + " button[formaction]")
	b.says(".banner", "Declined; asked again from", inDays(60))
	h.echo(t)
	closed := h.task(t, "ab-07", "cancelled")
	if len(closed) != 1 || closed[0].Get("statusReason.coding.0.code").String() != "declined" || !strings.Contains(closed[0].Get("statusReason.text").String(), inDays(60)) {
		t.Errorf("the Task: %v", closed)
	}
	b.filter("Saskia Hollowmere")
	b.says("section[aria-labelledby=life]", "cancelled", inDays(60))
	b.says(".forms", "Nothing is asked at present")
}

// theOtherHand: while the page is open somebody accepts the Task in the record. The page that was open is refused and says what
// changed; the fresh one shows it within seconds.
func theOtherHand(t *testing.T, h *house, b *tab) {
	path := b.filter("Barnaby Copperthwaite-Lunn")
	drafts := h.task(t, "ab-08", "draft")
	if len(drafts) != 1 {
		t.Fatalf("%d drafts", len(drafts))
	}
	body, _ := sjson.Set(drafts[0].Raw, "status", "accepted")
	body, _ = sjson.Set(body, "owner", map[string]string{"display": "Dr Cyprian Vellacott"})
	at := "/Task/" + drafts[0].Get("id").String()
	stored := send(t, http.MethodPut, h.peer.BaseURL+at, []byte(body))
	began := time.Now()
	send(t, http.MethodPut, h.doors.URL+"/fhir"+at, stored)
	watcher := b.person("Bea Larkholm", "viewer")
	for shown := false; !shown; {
		watcher.open(path)
		if shown = strings.Contains(watcher.text(".banner"), "Dr Cyprian Vellacott"); !shown && time.Since(began) > 10*time.Second {
			t.Fatalf("not shown after 10 seconds:\n%s", watcher.where())
		}
	}
	t.Logf("shown %.1f s after the delivery", time.Since(began).Seconds())
	watcher.says(".banner", "Accepted; to be booked", "Task accepted")
	watcher.says("section[aria-labelledby=life]", "accepted, by people in the record", "Dr Cyprian Vellacott")

	b.submit(b.form("approve") + " button")
	b.says("main", "Not done: something has changed", "The Task in the record is accepted", "See how it stands now")
	if status := js[int](b, `performance.getEntriesByType("navigation")[0].responseStatus`); status != http.StatusPreconditionFailed {
		t.Errorf("the page that was open is answered %d", status)
	}
	if list := h.task(t, "ab-08", "requested"); len(list) != 0 {
		t.Error("an order was made all the same")
	}
	b.submit("main .go")
	b.says(".forms", "The clinic has taken the Task up in the record")
}

// theOutcomes: tried in vain, not attempted, and out.
func theOutcomes(t *testing.T, h *house, b *tab) {
	record := func(name, what, why string) {
		b.filter(name)
		css := b.form("outcome")
		b.click(css + " [value=" + what + "]")
		b.fill(css+" [name=why]", why)
		b.submit(css + " button")
		b.says("[role=status]", "The outcome is recorded")
	}
	record("Caspian Applethwaite", "failed", "Hook embedded")
	b.says("section[aria-labelledby=story]", "Retrieval tried, filter stayed in")
	b.says("section[aria-labelledby=done]", "Unsuccessful, 2026-03-01", "Hook embedded")
	b.says("section[aria-labelledby=entries]", "entered here")

	record("Dorian Marchbanks-Ilse", "not-attempted", "Fever")
	b.says("section[aria-labelledby=done]", "Not attempted, 2026-03-01", "Fever")

	record("Odalys Quillfeather", "retrieved", "")
	b.says(".banner", "Closed", "Nothing is left to do", "out, placed 2026-01-16")
	h.echo(t)
	if list := h.task(t, "ab-01", "cancelled"); len(list) != 1 || list[0].Get("statusReason.coding.0.code").String() != "removed" {
		t.Errorf("the referral is not closed: %v", list)
	}
	if n := js[int](b, `document.querySelectorAll(".forms form").length`); n != 0 {
		t.Errorf("%d forms on the page of a closed filter", n)
	}
	// A person took the Task up, and the filter comes out: the Task is completed.
	record("Barnaby Copperthwaite-Lunn", "retrieved", "")
	h.echo(t)
	if list := h.task(t, "ab-08", "completed"); len(list) != 1 {
		t.Error("the accepted Task is not completed")
	}
	// What was entered can be taken back, and the filter is in again.
	b.open("/worklist?verdict=closed")
	b.open(js[string](b, `[...document.querySelectorAll("a.name")].find(a => a.innerText === "Odalys Quillfeather").getAttribute("href")`))
	css := b.form("take-back")
	b.fill(css+" [name=why]", "Entered for the wrong patient")
	b.submit(css + " button")
	b.says(".banner", "Ask for retrieval", "in place")
	b.says("section[aria-labelledby=done]", "taken back", "Entered for the wrong patient")
}

// theComplication: what was dealt with does not press any more.
func theComplication(t *testing.T, h *house, b *tab) {
	path := b.filter("Cordelia Underhill-Moss")
	b.says(".banner", "Act now", "Telephone now")
	css := b.form("complication")
	b.click(css + " [name=entry]")
	b.fill(css+" [name=why]", "Imaged: it has not moved")
	b.submit(css + " button")
	b.open(path)
	b.says(".banner", "Ask for retrieval", "overdue")
	b.saysNot(".banner", "Act now")
	b.says("section[aria-labelledby=said]", "Act now → Ask for retrieval")
	h.echo(t)
	if list := h.task(t, "ab-13", "draft"); len(list) != 1 || list[0].Get("priority").String() != "asap" {
		t.Errorf("the Task: %v", list)
	}
	for _, input := range list(t, h, "ab-13") {
		if strings.Contains(input, "urn:dwellwatch:feed:local") {
			t.Errorf("the Task refers to %s, which the record does not hold", input)
		}
	}
}

// list gives the references of a patient's drafts.
func list(t *testing.T, h *house, patient string) []string {
	var out []string
	for _, task := range h.task(t, patient, "draft") {
		for _, in := range task.Get("input.#.valueReference.reference").Array() {
			out = append(out, in.String())
		}
	}
	if len(out) == 0 {
		t.Error("the draft refers to nothing")
	}
	return out
}

// theReassessment: a clinician's word decides whether the filter is still needed, and stands among the evidence.
func theReassessment(_ *testing.T, _ *house, b *tab) {
	b.filter("Caspian Applethwaite")
	css := b.form("reassessment")
	b.click(css + " [value=still-needed]")
	b.fill(css+" [name=until]", inDays(30))
	b.fill(css+" [name=why]", "Bleeding not excluded")
	b.submit(css + " button")
	b.says(".banner", "Wait", "A clinician has re-assessed the filter (2026-03-01): it is still needed; look again on "+inDays(30))
	b.says("section[aria-labelledby=rests]", "ClinicalImpression/")
	css = b.form("reassessment")
	b.click(css + " [value=no-longer-needed]")
	b.fill(css+" [name=why]", "Bleeding excluded today")
	b.submit(css + " button")
	b.says(".banner", "Ask for retrieval", "it is no longer needed", "overdue")
}

// theCorrections: a day, a model, a stopped anticoagulant, an entry that is wrong, a filter that is not there. Each removes what it
// answers and is among the evidence.
func theCorrections(t *testing.T, h *house, b *tab) {
	correct := func(what string, fields map[string]string) {
		b.t.Helper()
		css := b.form("correction")
		b.click(css + " [value=" + what + "]")
		fields["why"] = "Seen in the paper file"
		for name, value := range fields {
			b.fill(css+" [name="+name+"]", value)
		}
		b.submit(css + " button")
		b.says("[role=status]", "The correction is entered")
	}
	pages := func(name string) []string {
		b.open("/worklist")
		return js[[]string](b, fmt.Sprintf(`[...document.querySelectorAll("a.name")].filter(a => a.innerText === %q).map(a => a.getAttribute("href"))`, name))
	}
	// One filter told twice: the day of the second is put right, and nothing contradicts any more.
	two := pages("Minerva Osterley-Finch")
	if len(two) != 2 {
		t.Fatalf("%d lines", len(two))
	}
	b.open(two[0])
	other := "2025-12-01"
	if strings.Contains(b.text(".glance"), "placed "+other) {
		other = "2025-12-11"
	}
	b.says(".doubt", "This decides the verdict")
	b.says(".also", "The same patient’s other filter", "placed 2025-12-")
	correct("placement-day", map[string]string{"on": other})
	left := pages("Minerva Osterley-Finch")
	if len(left) != 1 {
		t.Fatalf("%d lines after the correction", len(left))
	}
	b.open(left[0])
	b.says(".banner", "Ask for retrieval", "placed "+other)
	if n := js[int](b, `document.querySelectorAll(".doubt").length`); n != 0 {
		t.Error("the record still disagrees with itself")
	}
	b.says("section[aria-labelledby=entries]", "urn:dwellwatch:feed:local/Provenance/", "entered here")
	// A device alone: the day and the model.
	b.filter("Thaddeus Eastlake-Rowe")
	b.says(".banner", "Find out", "day not known")
	correct("placement-day", map[string]string{"on": "2025-06"})
	b.says(".banner", "placed 2025-06-01 to 2025-06-30")
	correct("model", map[string]string{"model": "Harbour P"})
	b.says(".banner", "Harbour P")
	// An anticoagulant that was stopped.
	b.filter("Cordelia Underhill-Moss")
	b.says(".banner", "therapeutic")
	entry := js[string](b, `document.querySelector("#k-entry optgroup[label=Anticoagulants] option").value`)
	correct("anticoagulant-stopped", map[string]string{"entry": entry, "on": "2026-02-20"})
	b.saysNot(".banner .glance", "therapeutic")
	// An attempt that was another patient's.
	b.filter("Ignatius Stormont-Peake")
	b.says("section[aria-labelledby=story]", "Retrieval tried, filter stayed in")
	entry = js[string](b, `[...document.querySelectorAll("#k-entry option")].find(o => o.textContent.startsWith("Procedure") && o.textContent.includes("2025-12-09")).value`)
	correct("entry-wrong", map[string]string{"entry": entry})
	b.saysNot("section[aria-labelledby=story]", "Retrieval tried, filter stayed in")
	// A filter that is not in this patient.
	b.filter("Isolde Pellingham")
	correct("no-filter", map[string]string{})
	b.says("main", "This filter is not on the worklist any more")
	if left := pages("Isolde Pellingham"); len(left) != 0 {
		t.Error("the filter is still listed")
	}
	h.echo(t)
	if list := h.task(t, "ab-05", "cancelled"); len(list) != 1 {
		t.Error("its draft is not taken back")
	}
}

// theRefusals: what is missing is said on the page, and nothing is changed.
func theRefusals(t *testing.T, _ *house, b *tab) {
	b.filter("Hester Morningstarr")
	css := b.form("snooze")
	js[bool](b, fmt.Sprintf(`(f => { f.noValidate = true; return true })(document.querySelector(%q))`, css))
	b.fill(css+" [name=until]", inDays(120))
	b.submit(css + " button:not([formaction])")
	b.says("[role=alert]", "Give the reason", "1 to 90 days ahead")
	css = b.form("outcome")
	b.click(css + " [value=retrieved]")
	b.fill(css+" [name=on]", inDays(5))
	b.submit(css + " button")
	b.says("[role=alert]", "The day lies ahead")
	b.says("section[aria-labelledby=done]", "Nothing yet")
	b.open("/worklist/filters/00000000000000000000000000000000")
	b.says("main", "Not here")
}

// theKeyboard does without a mouse: skip link, a line of the list, a form.
func theKeyboard(t *testing.T, _ *house, b *tab) {
	press := func(keys string) { b.do(chromedp.KeyEvent(keys)) }
	focus := func() string {
		return js[string](b, `(e => e ? ("form" in e && e.tagName !== "BUTTON" ? e.name : e.innerText || e.id || e.tagName).trim().slice(0, 60) : "")(document.activeElement)`)
	}
	tabTo := func(wanted string) {
		t.Helper()
		var seen []string
		for range 120 {
			press(kb.Tab)
			if at := focus(); at == wanted {
				if outline := js[string](b, `getComputedStyle(document.activeElement).outlineStyle`); outline == "none" {
					t.Errorf("%s has the focus and does not show it", wanted)
				}
				return
			} else {
				seen = append(seen, at)
			}
		}
		t.Fatalf("%q is not reached by Tab; seen: %q", wanted, seen)
	}
	b.open("/worklist")
	press(kb.Tab)
	if got := focus(); got != "To the content" {
		t.Errorf("the first Tab reaches %q", got)
	}
	js[bool](b, `window.before = true`)
	tabTo("Rufus Nightingale-Crewe")
	press(kb.Enter)
	b.loaded()
	b.says("h1", "Rufus Nightingale-Crewe")
	tabTo("how")
	press("l") // letter
	tabTo("why")
	press("Wrote by the morning post")
	tabTo("Not reached")
	js[bool](b, `window.before = true`)
	press(kb.Enter)
	b.loaded()
	b.says("section[aria-labelledby=done]", "Not reached, letter", "Wrote by the morning post")
	tabTo("Record the outcome of a retrieval")
	press(kb.Enter)
	if !js[bool](b, `document.activeElement.closest("details").open`) {
		t.Error("Enter does not open the form")
	}
}

// theRoles: a viewer sees all and can change nothing; a coordinator calls and corrects, and decides nothing.
func theRoles(t *testing.T, h *house, b *tab) {
	path := b.filter("Hester Morningstarr")
	form := js[map[string]string](b, `(f => Object.assign({action: f.getAttribute("action")}, Object.fromEntries(new FormData(f))))(document.querySelector("form[action$='/approve']"))`)
	viewer := b.person("Bea Larkholm", "viewer")
	viewer.open(path)
	if n := js[int](viewer, `document.querySelectorAll("main form:not(.search)").length`); n != 0 {
		t.Errorf("a viewer is shown %d forms", n)
	}
	if status := h.post(t, viewer, form); status != http.StatusForbidden {
		t.Errorf("a viewer approves: %d", status)
	}
	coordinator := b.person("Cy Marlowe", "coordinator")
	coordinator.open(path)
	if got := js[[]string](coordinator, `[...new Set([...document.querySelectorAll(".forms form")].map(f => f.getAttribute("action").split("/").pop()))]`); !slices.Equal(got, []string{"contact", "correction"}) {
		t.Errorf("a coordinator is shown %v", got)
	}
	if status := h.post(t, coordinator, form); status != http.StatusForbidden {
		t.Errorf("a coordinator approves: %d", status)
	}
	// A page of another site may not send a form.
	req, _ := http.NewRequestWithContext(t.Context(), http.MethodPost, h.doors.URL+form["action"], strings.NewReader(url.Values{"token": {form["token"]}}.Encode()))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if _, err := io.Copy(io.Discard, resp.Body); err != nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("a form of another site: %d, %v", resp.StatusCode, err)
	}
}

// theAccess: no violation of axe-core's rules in light, dark and at phone width; nothing runs out of a phone's page; print leaves out what
// cannot be pressed on paper.
func theAccess(t *testing.T, b *tab, axe string) {
	defer b.look(1280, 900, "light", "")
	pages := []string{"/worklist", b.filter("Percival Ravensmoor"), b.filter("Rufus Nightingale-Crewe")}
	for _, look := range []struct {
		name, scheme  string
		width, height int64
	}{{"light", "light", 1280, 900}, {"dark", "dark", 1280, 900}, {"phone", "light", 390, 844}, {"dark phone", "dark", 390, 844}} {
		b.look(look.width, look.height, look.scheme, "")
		for i, page := range pages {
			b.open(page)
			js[bool](b, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
			b.accessible(axe, fmt.Sprintf("page %d, %s", i, look.name))
			if over := js[int](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
				t.Errorf("page %d, %s: %d pixels wider than the screen", i, look.name, over)
			}
		}
	}
	b.look(794, 1100, "light", "print")
	b.open(pages[0])
	for _, width := range []int64{680, 794} {
		b.look(width, 1100, "light", "print")
		// A column that is squeezed to nothing makes a line as long as the paper.
		if tallest := js[int](b, `Math.max(...[...document.querySelectorAll("tr.line")].map(e => Math.round(e.getBoundingClientRect().height)))`); tallest > 150 {
			t.Errorf("on paper of %d pixels a line of the list is %d pixels high: %q", width, tallest, js[[]string](b, `[...document.querySelectorAll("tr.line")].filter(e => e.offsetHeight > 150).map(e => e.innerText)`))
		}
		if over := js[int](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("on paper of %d pixels the list is %d pixels too wide", width, over)
		}
	}
	for _, width := range []int64{1057, 1180, 1600} {
		b.look(width, 900, "light", "")
		tallest := js[int](b, `Math.max(...[...document.querySelectorAll("tr.line")].map(e => Math.round(e.getBoundingClientRect().height)))`)
		if over := js[int](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 || tallest > 170 {
			t.Errorf("at %d pixels the list is %d pixels too wide, and a line %d high", width, over, tallest)
		}
	}
	b.look(794, 1100, "light", "print")
	b.open(pages[2])
	if got := js[string](b, `getComputedStyle(document.querySelector(".do")).display + getComputedStyle(document.querySelector(".bar nav")).display`); got != "nonenone" {
		t.Errorf("on paper: %s", got)
	}
}

// theEngineer sees feeds and quarantine, and no patient.
func theEngineer(t *testing.T, h *house, b *tab, axe string) {
	for _, body := range []string{`{"resourceType":"Procedure","id":"held-1","status":"completed","subject":{"reference":"Patient/ab-01"},"performedDateTime":7,"note":[{"text":"vena cava filter of a certain person"}]}`, `{"resourceType":"Observation","id":[]}`} {
		req, _ := http.NewRequestWithContext(t.Context(), http.MethodPost, h.doors.URL+"/fhir", strings.NewReader(body))
		req.Header.Set("Content-Type", "application/fhir+json")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusBadRequest {
			t.Fatalf("the door answers %d", resp.StatusCode)
		}
	}
	e := b.person("Dara Quine", "engineer")
	e.open("/worklist")
	e.says("h1", "Feeds")
	e.says("section[aria-labelledby=delivered]", "default", "2026-03-01")
	e.accessible(axe, "feeds")
	e.open("/engineer/quarantine")
	e.says("main", "Procedure.performedDateTime", "not kept")
	e.saysNot("main", "a certain person", "ab-01")
	e.accessible(axe, "quarantine")
	e.submit("form[action$='/replay'] button")
	e.says("main", "The door refused it again", "Replayed", "1 times, last answered 400")
	e.saysNot("main", "a certain person", "ab-01")
	e.accessible(axe, "entry")
	readable := postgres.Refused{Feed: "default", Route: "/fhir", Method: http.MethodPost, ContentType: "application/fhir+json", Keep: true, At: h.program.now(),
		Body: []byte(`{"resourceType":"Observation","id":"held-3","status":"final","code":{"text":"vena cava filter of a certain person"},"subject":{"reference":"Patient/nobody-followed"}}`)}
	if err := h.program.store.Quarantine(t.Context(), readable, 30); err != nil {
		t.Fatal(err)
	}
	e.open("/engineer/quarantine")
	e.submit("tr:last-child form[action$='/replay'] button")
	e.says("main", "would keep nothing of it, so it stays", "last answered 422", "not about a followed patient")
	e.saysNot("main", "a certain person", "nobody-followed", "refused it again")
	for range 3 {
		e.open("/engineer/quarantine")
		e.submit("form[action$='/discard'] button")
		e.says("[role=status]", "discarded")
	}
	e.says("main", "Nothing is in quarantine")
	path := b.filter("Hester Morningstarr")
	e.open(path)
	e.says("main", "Not for your role")
	e.saysNot("main", "Morningstarr")
}
