package agenda_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/agenda"
	"dwellwatch/internal/assess"
	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
)

func today() filter.Day { return filter.NewDay(2026, 3, 1) }

// asked is a routine proposal to the clinic that nobody took up.
func asked(change func(*draft.Referral)) draft.Referral {
	r := draft.Referral{Key: "k", Round: 1, Revision: 1, To: draft.ToClinic, Priority: "routine", OpenedOn: today().Add(-5), DueOn: today().Add(9)}
	if change != nil {
		change(&r)
	}
	return r
}

func contacts(reached ...bool) []assess.Contact {
	var out []assess.Contact
	for i, r := range reached {
		day := today().Add(i - len(reached)).String()
		out = append(out, assess.Contact{When: assess.Range{Earliest: &day, Latest: &day}, Reached: r})
	}
	return out
}

// TestLines: rank, owner, next step and its day, by verdict, referral and what people did.
func TestLines(t *testing.T) {
	t.Parallel()
	yes, no := true, false
	for name, c := range map[string]struct {
		verdict  string
		filter   func(*assess.Filter)
		referral draft.Referral
		seen     draft.Seen
		follow   assess.FollowUp
		want     string
	}{
		"emergency":   {verdict: "urgent", filter: func(f *assess.Filter) { f.Emergency = true }, referral: asked(nil), want: "0 Retrieval clinic: Telephone the treating team now 2026-03-01 since 2026-02-24"},
		"urgent":      {verdict: "urgent", referral: asked(nil), want: "1 Retrieval clinic: Telephone the treating team now 2026-03-01 since 2026-02-24"},
		"overdue":     {verdict: "refer", filter: func(f *assess.Filter) { f.Overdue = true }, referral: asked(nil), want: "2 Retrieval clinic: A clinician approves, puts off or declines 2026-03-10 since 2026-02-24"},
		"refer":       {verdict: "refer", referral: asked(nil), want: "3 Retrieval clinic: A clinician approves, puts off or declines 2026-03-10 since 2026-02-24"},
		"review":      {verdict: "review", referral: asked(nil), want: "3 Retrieval clinic: A clinician reviews: re-assess, approve or put off 2026-03-10 since 2026-02-24"},
		"clarify":     {verdict: "clarify", referral: asked(func(r *draft.Referral) { r.To = draft.ToCoordinator }), want: "4 Coordinator: Find out whether a filter is in 2026-03-10 since 2026-02-24"},
		"wait":        {verdict: "wait", referral: draft.Referral{Key: "k"}, want: "6 : Look again 2026-04-01"},
		"keep":        {verdict: "keep", referral: draft.Referral{Key: "k"}, want: "7 : Meant to stay; look again 2026-04-01"},
		"closed":      {verdict: "closed", referral: asked(func(r *draft.Referral) { r.Reason = draft.Removed }), want: "8 : Nothing is left to do unknown"},
		"ordered":     {verdict: "refer", referral: asked(func(r *draft.Referral) { r.Approved = true }), want: "3 Retrieval clinic: Ordered; call the patient 2026-03-10 since 2026-02-24"},
		"called once": {verdict: "refer", referral: asked(func(r *draft.Referral) { r.Approved = true }), follow: assess.FollowUp{Contacts: contacts(false)}, want: "3 Retrieval clinic: Ordered; call the patient again 2026-03-10 since 2026-02-24 1 in vain"},
		"reached":     {verdict: "refer", referral: asked(func(r *draft.Referral) { r.Approved = true }), follow: assess.FollowUp{Contacts: contacts(false, false, true)}, want: "3 Retrieval clinic: Ordered; the clinic books the retrieval 2026-03-10 since 2026-02-24 reached"},
		"lost":        {verdict: "refer", referral: asked(nil), follow: assess.FollowUp{Contacts: contacts(true, false, false)}, want: "3 Retrieval clinic: Lost to follow-up: write to the patient and the family doctor 2026-03-10 since 2026-02-24 2 in vain lost"},
		"in hospital": {verdict: "refer", referral: asked(nil), follow: assess.FollowUp{InHospital: &assess.Range{}, Contacts: contacts(false, false)}, want: "3 Retrieval clinic: In hospital now: speak to the ward 2026-03-10 since 2026-02-24 2 in vain lost in hospital"},
		"no address":  {verdict: "refer", referral: asked(func(r *draft.Referral) { r.Approved = true }), follow: assess.FollowUp{Reachable: &no}, want: "3 Retrieval clinic: Find a way to reach the patient 2026-03-10 since 2026-02-24 unreachable"},
		"address":     {verdict: "refer", referral: asked(nil), follow: assess.FollowUp{Reachable: &yes}, want: "3 Retrieval clinic: A clinician approves, puts off or declines 2026-03-10 since 2026-02-24"},
		"put off":     {verdict: "refer", referral: asked(func(r *draft.Referral) { r.Until = today().Add(20) }), want: "5 Retrieval clinic: Put off; look again 2026-03-21"},
		"declined":    {verdict: "refer", referral: asked(func(r *draft.Referral) { r.Reason, r.Until = draft.Declined, today().Add(60) }), want: "5 : Declined; asked again from 2026-04-30"},
		"accepted":    {verdict: "refer", referral: asked(nil), seen: draft.Seen{Status: "accepted", Owner: "Dr Vellacott"}, want: "5 Dr Vellacott: Accepted; to be booked 2026-03-10"},
		"in work":     {verdict: "refer", referral: asked(nil), seen: draft.Seen{Status: "in-progress"}, want: "5 Retrieval clinic: In work; record the outcome 2026-03-10"},
		"completed":   {verdict: "refer", referral: asked(func(r *draft.Referral) { r.EndedOn = today() }), seen: draft.Seen{Status: "completed"}, want: "5 Retrieval clinic: The Task is over and the filter still in: record the outcome 2026-04-01"},
		"rejected":    {verdict: "refer", referral: asked(func(r *draft.Referral) { r.EndedOn = today() }), seen: draft.Seen{Status: "rejected"}, want: "5 Retrieval clinic: The Task was rejected or cancelled; asked again later 2026-04-01"},
		"by others":   {verdict: "refer", filter: func(f *assess.Filter) { f.Asked = "booked" }, referral: draft.Referral{Key: "k"}, want: "5 Others, outside this service: Booked by others; check that it is done 2026-04-01"},
		"taken over":  {verdict: "refer", filter: func(f *assess.Filter) { f.Asked = "requested" }, referral: asked(func(r *draft.Referral) { r.Reason = draft.AskedAlready }), want: "5 Others, outside this service: Requested by others; check that it is booked 2026-04-01"},
	} {
		again, placed := "2026-04-01", "2025-06-01"
		f := assess.Filter{Key: "k", Verdict: c.verdict, Standing: "in-place", LookAgainOn: &again, Placed: &assess.Range{Earliest: &placed, Latest: &placed}}
		if c.filter != nil {
			c.filter(&f)
		}
		l := agenda.Of(assess.Assessment{FollowUp: c.follow}, f, c.referral, c.seen, today())
		got := fmt.Sprintf("%d %s: %s %s", l.Rank, l.Owner, l.Step, l.StepOn)
		if l.Waiting < filter.MaxDay {
			got += " since " + l.Waiting.String()
		}
		for _, flag := range []struct {
			is   bool
			text string
		}{{l.Attempts > 0, fmt.Sprintf(" %d in vain", l.Attempts)}, {l.LastReached, " reached"}, {l.Lost, " lost"}, {l.InHospital, " in hospital"}, {l.Unreachable, " unreachable"}} {
			if flag.is {
				got += flag.text
			}
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestContactsBeforeThePlacement count for nothing, and a dead patient is neither in hospital nor to be reached.
func TestContactsBeforeThePlacement(t *testing.T) {
	t.Parallel()
	placed := today().String()
	no := false
	a := assess.Assessment{FollowUp: assess.FollowUp{Contacts: contacts(false, false), Reachable: &no, InHospital: &assess.Range{}}, Person: assess.Person{Deceased: true}}
	l := agenda.Of(a, assess.Filter{Verdict: "closed", Placed: &assess.Range{Earliest: &placed, Latest: &placed}}, draft.Referral{}, draft.Seen{}, today())
	if l.Attempts != 0 || l.Lost || l.InHospital || l.Unreachable {
		t.Errorf("%+v", l)
	}
}
