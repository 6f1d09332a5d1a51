package main

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/tidwall/gjson"

	"dwellwatch/internal/desk"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/entry"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
	"dwellwatch/internal/writeback"
)

// putOffTo is the day to which the tests put a question off.
const putOffTo = "2026-05-20"

// do has people deal with what is asked of a filter: "" leaves it.
func (h pair) do(t *testing.T, name, what string) {
	t.Helper()
	switch what {
	case "":
	case "accepted", "in-progress", "on-hold", "rejected":
		h.answer(t, name, what)
	case "in-progress, unheard":
		for key, list := range h.openTasks(t) {
			if h.names[key] == name {
				send(t, http.MethodPut, h.peer.BaseURL+"/Task/"+list[0].Get("id").String(), []byte(strings.Replace(list[0].Raw, `"draft"`, `"in-progress"`, 1)))
			}
		}
	default:
		h.decide(t, name, draft.ActKind(what))
	}
}

// decide has a clinician decide at the worklist.
func (h pair) decide(t *testing.T, name string, kind draft.ActKind) {
	t.Helper()
	for key, is := range h.names {
		if is != name {
			continue
		}
		page, err := h.program.store.PageKey(t.Context(), key)
		if err != nil {
			t.Fatal(err)
		}
		until := filter.MaxDay
		f := desk.Form{Page: page, Token: name + string(kind), Said: string(kind), Unseen: true, By: desk.Caller{Subject: "s", Author: entry.Author{Name: "Dr Example"}}}
		if kind != draft.Approve {
			f.Why = "away"
			if until, err = filter.ParseDay(putOffTo); err != nil {
				t.Fatal(err)
			}
		}
		if err := h.program.deskOf().Decide(t.Context(), f, kind, until); err != nil {
			t.Fatal(err)
		}
		h.atRest(t)
	}
}

// state says what of a person's decision holds on each key's referral: its reason, an order, the day to which it is put off.
func (h pair) state(t *testing.T) string {
	t.Helper()
	var out []string
	for key, name := range h.names {
		var reason string
		var approved bool
		var until int
		const read = `SELECT state->>'reason', coalesce((state->>'approved')::bool, false), coalesce((state->>'until')::int, 0) FROM referral WHERE key = $1`
		if err := h.program.store.Pool().QueryRow(t.Context(), read, key).Scan(&reason, &approved, &until); err != nil {
			t.Fatal(err)
		}
		said := name + ":" + reason
		if approved {
			said += " order"
		}
		if until > 0 {
			said += " until " + filter.Day(until).String()
		}
		out = append(out, said)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// live lists the Tasks that are not over, as "filter status".
func (h pair) live(t *testing.T) string {
	t.Helper()
	var out []string
	for _, raw := range h.ours(t, "Task") {
		task := gjson.ParseBytes(raw)
		switch status := task.Get("status").String(); draft.StateOf(status) {
		case draft.TaskDraft, draft.TaskMovedOn:
			out = append(out, h.names[seriesOf(task)]+" "+status)
		}
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// TestMergeAndWhatPeopleHold: of two filters that turn out to be one the key stays that people have in hand, else the one that a clinician
// approved, else what stands open and is not put off. When the merge is taken back each is where it was.
func TestMergeAndWhatPeopleHold(t *testing.T) {
	t.Parallel()
	const gone, stays, back = "cancelled merged; document superseded", "; document current", "cancelled merged, draft; document current"
	for _, c := range []struct {
		name   string
		a, b   string // what people did
		merged []string
		apart  []string
		// live are the Tasks that are not over, and holds what people decided, after the merge and after it was taken back.
		live, liveApart   string
		holds, holdsApart string
		orders            string // "every order" of the ids is tried
	}{
		{"the younger in work", "", "in-progress", []string{"a: Task " + gone, "b: Task in-progress" + stays}, []string{"a: Task " + back, "b: Task in-progress" + stays},
			"b in-progress", "a draft, b in-progress", "a:merged, b:", "a:, b:", "every order"},
		{"the older in work", "accepted", "", []string{"a: Task accepted" + stays, "b: Task " + gone}, []string{"a: Task accepted" + stays, "b: Task " + back},
			"a accepted", "a accepted, b draft", "a:, b:merged", "a:, b:", ""},
		{"the younger in work, unheard", "", "in-progress, unheard", []string{"a: Task " + gone, "b: Task in-progress" + stays}, []string{"a: Task " + back, "b: Task in-progress" + stays},
			"b in-progress", "a draft, b in-progress", "a:merged, b:", "a:, b:", ""},
		{"both in work", "accepted", "on-hold", []string{"a: Task accepted" + stays, "b: Task on-hold; document superseded"}, []string{"a: Task accepted" + stays, "b: Task on-hold" + stays},
			"a accepted, b on-hold", "a accepted, b on-hold", "a:, b:merged", "a:, b:", ""},
		{"the younger approved", "", "approve", []string{"a: Task " + gone, "b: Task cancelled approved, requested" + stays}, []string{"a: Task " + back, "b: Task cancelled approved, requested" + stays},
			"b requested", "a draft, b requested", "a:merged, b: order", "a:, b: order", "every order"},
		{"the older approved, the younger in work", "approve", "in-progress", []string{"a: Task cancelled approved, " + gone, "b: Task in-progress" + stays},
			[]string{"a: Task cancelled approved, cancelled merged, requested" + stays, "b: Task in-progress" + stays},
			"b in-progress", "a requested, b in-progress", "a:merged order, b:", "a: order, b:", ""},
		{"the older put off", "snooze", "", []string{"a: Task " + gone, "b: Task draft" + stays}, []string{"a: Task " + back, "b: Task draft" + stays},
			"b draft", "a draft, b draft", "a:merged until " + putOffTo + ", b:", "a: until " + putOffTo + ", b:", "every order"},
		{"the younger put off", "", "snooze", []string{"a: Task draft" + stays, "b: Task " + gone}, []string{"a: Task draft" + stays, "b: Task " + back},
			"a draft", "a draft, b draft", "a:, b:merged until " + putOffTo, "a:, b: until " + putOffTo, ""},
		{"the younger put off, the older rejected", "rejected", "snooze", []string{"a: Task rejected; document superseded", "b: Task draft" + stays}, []string{"a: Task rejected" + stays, "b: Task draft" + stays},
			"b draft", "b draft", "a:merged, b: until " + putOffTo, "a:, b: until " + putOffTo, ""},
		{"the younger put off, the older declined with us", "decline", "snooze", []string{"a: Task cancelled declined; document superseded", "b: Task draft" + stays},
			[]string{"a: Task cancelled declined" + stays, "b: Task draft" + stays},
			"b draft", "b draft", "a:merged until " + putOffTo + ", b: until " + putOffTo, "a:declined until " + putOffTo + ", b: until " + putOffTo, ""},
	} {
		t.Run("a day is corrected: "+c.name, func(t *testing.T) {
			t.Parallel()
			h := twoFilters(t)
			h.do(t, "a", c.a)
			h.do(t, "b", c.b)
			h.place(t, "b", "p1", "2025-09-01")
			h.want(t, "after the merge", c.merged...)
			h.holds(t, "after the merge", c.live, c.holds)
			h.calls(t, strings.Contains(c.live, ","))
			h.place(t, "b", "p1", "2025-11-20")
			h.want(t, "after the merge was taken back", c.apart...)
			h.holds(t, "after the merge was taken back", c.liveApart, c.holdsApart)
		})
		for n, ids := range [][2]string{{"pa", "pb"}, {"pb", "pa"}} {
			for _, old := range []int{0, 1} {
				if c.orders == "" && n+old > 0 {
					continue // one order of the ids will do
				}
				t.Run(fmt.Sprintf("patients are merged, pair %d, %s replaced: %s", n, ids[old], c.name), func(t *testing.T) {
					t.Parallel()
					h := twoPatients(t, ids[0], ids[1])
					h.do(t, "a", c.a)
					h.do(t, "b", c.b)
					h.tell(t, "/Patient/"+ids[old], patientLinked(ids[old], "replaced-by", ids[1-old]))
					h.holds(t, "after the merge", c.live, c.holds)
					h.tell(t, "/Patient/"+ids[old], patientLinked(ids[old], "", ""))
					h.holds(t, "after the merge was taken back", c.liveApart, c.holdsApart)
				})
			}
		}
	}
}

func (h pair) holds(t *testing.T, when, live, holds string) {
	t.Helper()
	if diff := cmp.Diff([]string{live, holds}, []string{h.live(t), h.state(t)}); diff != "" {
		t.Errorf("%s: Tasks, decisions (-want +got):\n%s", when, diff)
	}
}

// calls fails unless the one line of the worklist calls for a person, or does not.
func (h pair) calls(t *testing.T, want bool) {
	t.Helper()
	list, err := h.program.store.Worklist(t.Context(), postgres.WorkQuery{Limit: 10})
	if err != nil || len(list) != 1 {
		t.Fatalf("%d lines of the worklist: %v", len(list), err)
	}
	if got := list[0].Attention; got != "" && !want || want && got != writeback.AttentionCopies {
		t.Errorf("the line calls for a person because of %q", got)
	}
}
