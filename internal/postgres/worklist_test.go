package postgres

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/fhir"
	"dwellwatch/internal/agenda"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/screen"
)

// onList saves an assessment with one line for a patient's one filter.
func (b *bench) onList(patient string, change func(*agenda.Line)) agenda.Line {
	b.t.Helper()
	l := agenda.Line{Key: "key-" + patient, Name: "Name " + patient, Verdict: "refer", Standing: "in-place", Rank: agenda.RankRoutine, Waiting: asOf(), StepOn: filter.MaxDay, PutOff: filter.MaxDay,
		LastContact: filter.MaxDay, Placed: filter.Unknown()}
	if change != nil {
		change(&l)
	}
	r := b.record(patient)
	err := b.SaveAssessment(b.t.Context(), Saved{Person: r.Person, ChartVersion: r.ChartVersion, Basis: b.basis(), AsOf: asOf(), DueOn: filter.MaxDay, Answer: []byte(`{}`),
		Keys: []filter.KnownKey{{Key: l.Key}}, Lines: []agenda.Line{l},
		Referrals: []SavedReferral{{Referral: draft.Referral{Key: l.Key, Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine"}, Document: []byte(`{}`), Changed: true}}})
	if err != nil {
		b.t.Fatal(err)
	}
	return l
}

func (b *bench) basis() int64 {
	b.t.Helper()
	n, err := b.RegisterBasis(b.t.Context(), "digest", "policy")
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}

func names(list []Listed) string {
	var out []string
	for _, l := range list {
		out = append(out, l.Name)
	}
	return strings.Join(out, ", ")
}

// TestWorklistOrder: urgency first, then who has waited longest; a line is found by verdict, by what stands in the way, and by words.
func TestWorklistOrder(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	for i, change := range []func(*agenda.Line){
		func(l *agenda.Line) { l.Waiting = asOf().Add(-3) },
		func(l *agenda.Line) { l.Waiting = asOf().Add(-30) },
		func(l *agenda.Line) { l.Rank, l.Verdict, l.Overdue = agenda.RankUrgent, "urgent", true },
		func(l *agenda.Line) { l.Rank, l.Verdict, l.Waiting = agenda.RankClosed, "closed", filter.MaxDay },
		func(l *agenda.Line) {
			l.Rank, l.Waiting, l.PutOff, l.StepOn, l.InHospital, l.Lost, l.Attempts = agenda.RankRests, filter.MaxDay, asOf().Add(9), asOf().Add(9), true, true, 2
		},
	} {
		patient := fmt.Sprint("p", i)
		b.take(item("Procedure/in-"+patient, patient, "1", evidence))
		b.onList(patient, change)
	}
	for want, q := range map[string]WorkQuery{
		"Name p2, Name p1, Name p0, Name p4": {},
		"Name p1, Name p0, Name p4":          {Verdict: "refer"},
		"Name p3":                            {Verdict: "closed"},
		"Name p4":                            {Show: "in-hospital"},
		"Name p2":                            {Show: "overdue"},
		"Name p0":                            {Words: []string{"p0", "name"}},
		"":                                   {Words: []string{"p0", "p1"}},
	} {
		q.Limit = 10
		list, err := b.Worklist(t.Context(), q)
		if err != nil || names(list) != want {
			t.Errorf("%+v: %s, %v; want %s", q, names(list), err, want)
		}
	}
	list, err := b.Worklist(t.Context(), WorkQuery{Limit: 2, Offset: 1})
	if err != nil || names(list) != "Name p1, Name p0" {
		t.Errorf("second to third: %s, %v", names(list), err)
	}
	counts, err := b.WorkCounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := WorkCounts{map[string]int{"refer": 3, "urgent": 1, "closed": 1}, map[string]int{"overdue": 1, "in-hospital": 1, "unreachable": 0, "lost": 1, "put-off": 1}}
	if diff := cmp.Diff(want, counts); diff != "" {
		t.Errorf("counts (-want +got):\n%s", diff)
	}
}

// TestWaitingGoesOn: an order or another revision does not begin the waiting anew; whoever waits no more begins anew next time.
func TestWaitingGoesOn(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	first := b.onList("p", func(l *agenda.Line) { l.Waiting = asOf().Add(-10) })
	page, err := b.PageKey(t.Context(), first.Key)
	if err != nil || len(page) != 32 || strings.Contains(page, "key") {
		t.Fatalf("page %q, %v", page, err)
	}
	for _, c := range []struct{ now, want filter.Day }{{asOf(), asOf().Add(-10)}, {filter.MaxDay, filter.MaxDay}, {asOf(), asOf()}} {
		b.onList("p", func(l *agenda.Line) { l.Waiting = c.now })
		got, err := b.Page(t.Context(), page)
		if err != nil || got.Waiting != c.want {
			t.Errorf("waits since %v, want %v (%v)", got.Waiting, c.want, err)
		}
	}
	if _, err := b.Page(t.Context(), strings.Repeat("0", 32)); !errors.Is(err, fault.NotFound) {
		t.Errorf("a page that is none: %v", err)
	}
}

// TestUnlisted: a filter that the newest assessment does not know is not on the list, and its page still is there.
func TestUnlisted(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	l := b.onList("p", nil)
	r := b.record("p")
	if err := b.SaveAssessment(t.Context(), Saved{Person: r.Person, ChartVersion: r.ChartVersion, Basis: b.basis(), AsOf: asOf(), DueOn: filter.MaxDay, Answer: []byte(`{}`)}); err != nil {
		t.Fatal(err)
	}
	if list, err := b.Worklist(t.Context(), WorkQuery{Limit: 9}); err != nil || len(list) != 0 {
		t.Errorf("%d lines, %v", len(list), err)
	}
	page, err := b.PageKey(t.Context(), l.Key)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := b.Page(t.Context(), page); err != nil || got.Listed {
		t.Errorf("listed %v, %v", got.Listed, err)
	}
}

func act(token string) Act {
	return Act{Token: token, Key: "key-p", At: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), Kind: "contact", BySubject: "s", ByName: "Ada", Until: filter.MaxDay, Entry: "Communication/c1"}
}

func communication(id string) fhir.Resource {
	return fhir.Resource{Type: "Communication", ID: id, Raw: []byte(`{"resourceType":"Communication","id":"` + id + `","status":"completed"}`), LastUpdated: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
}

// seen gives how a patient's record stands now.
func (b *bench) seen(patient string) Seen {
	b.t.Helper()
	r := b.record(patient)
	return Seen{Chart: r.ChartVersion, Saves: r.Saves}
}

// TestEnterOnlyOnWhatWasSeen: what came in, or was assessed, between the look and the save refuses the entry, and nothing of it stays; of
// many entries made on one look one is taken.
func TestEnterOnlyOnWhatWasSeen(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	seen := b.seen("p")
	b.onList("p", nil)
	if _, err := b.Enter(t.Context(), person("p"), seen, act("t1"), []fhir.Resource{communication("c1")}); !errors.Is(err, ErrMoved) {
		t.Errorf("assessed since: %v", err)
	}
	seen = b.seen("p")
	b.take(item("Procedure/more", "p", "1", evidence))
	if _, err := b.Enter(t.Context(), person("p"), seen, act("t1"), []fhir.Resource{communication("c1")}); !errors.Is(err, ErrMoved) {
		t.Errorf("told since: %v", err)
	}
	b.wantCount(0, `SELECT count(*) FROM act`)
	b.wantCount(0, `SELECT count(*) FROM resource WHERE feed = 'local'`)
	seen = b.seen("p")
	errs := make(chan error)
	for n := range 8 {
		go func() {
			_, err := b.Enter(t.Context(), person("p"), seen, act(fmt.Sprint("t", n)), []fhir.Resource{communication(fmt.Sprint("c", n))})
			errs <- err
		}()
	}
	taken := 0
	for range 8 {
		if err := <-errs; err == nil {
			taken++
		} else if !errors.Is(err, ErrMoved) {
			t.Error(err)
		}
	}
	if taken != 1 {
		t.Errorf("%d were taken, want 1", taken)
	}
	b.wantCount(1, `SELECT count(*) FROM resource WHERE feed = 'local'`)
}

// TestEnterOnce: what people enter is the patient's, in the feed local, with one assessment asked for; the same form again changes
// nothing and says so.
func TestEnterOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{PullContext: true})
	b.take(item("Procedure/in", "p", "1", evidence))
	b.onList("p", nil)
	before, pulls := len(b.jobs("assess_patient")), len(b.jobs("pull_context"))
	version, err := b.Enter(t.Context(), person("p"), b.seen("p"), act("t1"), []fhir.Resource{communication("c1")})
	if err != nil || version != 2 {
		t.Fatalf("version %d, %v", version, err)
	}
	if _, err := b.Enter(t.Context(), person("p"), b.seen("p"), act("t1"), []fhir.Resource{communication("c2")}); !errors.Is(err, ErrDone) {
		t.Errorf("the same form: %v", err)
	}
	b.wantChart("p", 2, "Procedure/in v1", "Communication/c1")
	if n := len(b.jobs("assess_patient")); n != before+1 {
		t.Errorf("%d assessments asked for, want 1", n-before)
	}
	if n := len(b.jobs("pull_context")); n != pulls {
		t.Errorf("%d context reads asked for by an entry", n-pulls)
	}
	b.wantCount(1, `SELECT count(*) FROM act`)
	b.wantCount(1, `SELECT count(*) FROM person`)
	acts, err := b.Acts(t.Context(), "key-p")
	if err != nil || len(acts) != 1 || acts[0] != act("t1") {
		t.Errorf("acts %+v, %v", acts, err)
	}
	if _, err := b.Enter(t.Context(), person("nobody"), Seen{}, act("t2"), []fhir.Resource{communication("c3")}); !errors.Is(err, fault.NotFound) {
		t.Errorf("of nobody: %v", err)
	}
}

// TestTheSameFormAtOnce: of many senders of one form at one moment one is heard.
func TestTheSameFormAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	b.onList("p", nil)
	seen := b.seen("p")
	errs := make(chan error)
	for n := range 8 {
		go func() {
			_, err := b.Enter(t.Context(), person("p"), seen, act("t1"), []fhir.Resource{communication(fmt.Sprint("c", n))})
			errs <- err
		}()
	}
	heard := 0
	for range 8 {
		if err := <-errs; err == nil {
			heard++
		} else if !errors.Is(err, ErrDone) {
			t.Error(err)
		}
	}
	if heard != 1 {
		t.Errorf("%d were heard, want 1", heard)
	}
	b.wantCount(1, `SELECT count(*) FROM resource WHERE feed = 'local'`)
}

// TestEntriesFollowMerges: what was entered goes with the patient id that it was entered for, into a merge of patients and out again.
func TestEntriesFollowMerges(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Patient/p", "p", "1"), item("Procedure/in", "p", "1", evidence))
	b.take(item("Patient/q", "q", "1"), item("Procedure/in-q", "q", "1", evidence))
	b.onList("p", nil)
	if _, err := b.Enter(t.Context(), person("p"), b.seen("p"), act("t1"), []fhir.Resource{communication("c1")}); err != nil {
		t.Fatal(err)
	}
	merged := func(i *screen.Item) { i.Links = []string{"q"} }
	b.take(item("Patient/p", "p", "2", merged))
	b.wantCount(1, `SELECT count(*) FROM person`)
	b.wantCount(1, `SELECT count(*) FROM resource r JOIN person p ON p.id = r.person_id WHERE r.feed = 'local'`)
	b.take(item("Patient/p", "p", "3"))
	b.wantCount(2, `SELECT count(*) FROM person`)
	b.wantCount(1, `SELECT count(*) FROM resource WHERE feed = 'local' AND person_id = $1`, person("p"))
	b.wantCount(1, `SELECT count(*) FROM person_alias WHERE feed = 'local' AND person_id = $1`, person("p"))
}

// TestDecide saves a decision, the write-back and the line at once; once for each form, and not on a referral that has changed.
func TestDecide(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	l := b.onList("p", nil)
	w, err := b.Wanted(t.Context(), l.Key)
	if err != nil {
		t.Fatal(err)
	}
	next := w.Referral
	next.Until, next.By, next.Why = asOf().Add(9), "Ada", "why"
	l.PutOff, l.Rank = next.Until, agenda.RankRests
	d := Decision{Act: act("t1"), Seen: b.seen("p"), Expected: w.Version, Referral: next, Document: []byte(`{"n":2}`), Line: l}
	if err := b.Decide(t.Context(), person("p"), d); err != nil {
		t.Fatal(err)
	}
	again, err := b.Wanted(t.Context(), l.Key)
	if err != nil || again.Version != w.Version+1 || again.Referral.Until != next.Until || string(again.Document) != `{"n":2}` {
		t.Errorf("referral %+v, %v", again, err)
	}
	if err := b.Decide(t.Context(), person("p"), d); !errors.Is(err, ErrDone) {
		t.Errorf("the same form: %v", err)
	}
	other := d
	other.Act.Form = "something else"
	if err := b.Decide(t.Context(), person("p"), other); !errors.Is(err, ErrOther) {
		t.Errorf("another form under its token: %v", err)
	}
	d.Act.Token = "t2"
	if err := b.Decide(t.Context(), person("p"), d); !errors.Is(err, ErrMoved) {
		t.Errorf("on what has changed: %v", err)
	}
	b.wantCount(1, `SELECT count(*) FROM act`)
	b.wantCount(2, `SELECT count(*) FROM river_job WHERE kind = 'write_back'`)
	b.wantCount(1, `SELECT count(*) FROM river_job WHERE kind = 'assess_patient' AND args->>'version' = '2'`)
	list, err := b.Worklist(t.Context(), WorkQuery{Show: "put-off", Limit: 9})
	if err != nil || len(list) != 1 {
		t.Errorf("%d put off, %v", len(list), err)
	}
	// An assessment that read the referral before the decision must not write over it.
	saves := int64(1)
	r := b.record("p")
	err = b.SaveAssessment(t.Context(), Saved{Person: r.Person, ChartVersion: r.ChartVersion, Basis: b.basis(), AsOf: asOf(), DueOn: filter.MaxDay, Answer: []byte(`{}`), Saves: &saves})
	if !errors.Is(err, ErrOvertaken) {
		t.Errorf("an assessment decided on an older state: %v", err)
	}
}

// TestNothingOfThePersonStays: erasing takes the line and what people did with it.
func TestNothingOfThePersonStays(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	l := b.onList("p", nil)
	if _, err := b.Enter(t.Context(), person("p"), b.seen("p"), act("t1"), []fhir.Resource{communication("c1")}); err != nil {
		t.Fatal(err)
	}
	b.take(item("Procedure/in", "p", "2", retracted))
	r := b.record("p")
	err := b.SaveAssessment(t.Context(), Saved{Person: r.Person, ChartVersion: r.ChartVersion, Basis: b.basis(), AsOf: asOf(), DueOn: filter.MaxDay, Answer: []byte(`{}`), EvidenceGone: true,
		Referrals: []SavedReferral{{Referral: draft.Referral{Key: l.Key, Round: 1, Revision: 1, Reason: draft.Retracted}, Document: []byte(`{}`), Changed: true}}})
	if err != nil {
		t.Fatal(err)
	}
	if done, err := b.Erase(t.Context(), person("p"), r.ChartVersion); !done || err != nil {
		t.Fatalf("erased %v, %v", done, err)
	}
	for _, table := range []string{"worklist", "act", "resource", "person", "person_alias", "assessment"} {
		b.wantCount(0, `SELECT count(*) FROM `+table)
	}
}

// TestFeeds tells of deliveries and of what could not be read.
func TestFeeds(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	b.take(item("Procedure/in", "p", "1", evidence))
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, e := range []Entry{
		{At: at, Caller: "feed lab", Action: "deliver", Route: "/x", Outcome: "201", Number: 3},
		{At: at.Add(time.Hour), Caller: "feed lab by client-7", Action: "deliver", Route: "/x", Outcome: "400"},
		{At: at.AddDate(0, 0, -30), Caller: "feed lab", Action: "deliver", Route: "/x", Outcome: "201", Number: 9},
		{At: at, Caller: "person s", Action: "view", Route: "/x", Outcome: "200"},
	} {
		if err := b.Audit(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.pool.Exec(t.Context(), `UPDATE person SET pull_gaps = '[{"type":"Observation","why":"cut"}]'`); err != nil {
		t.Fatal(err)
	}
	feeds, gaps, err := b.Feeds(t.Context(), at.AddDate(0, 0, -7))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]FeedState{{"lab", 2, 1, 3, at.Add(time.Hour)}}, feeds); diff != "" {
		t.Errorf("feeds (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]GapCount{{"Observation", "cut", 1}}, gaps); diff != "" {
		t.Errorf("gaps (-want +got):\n%s", diff)
	}
}
