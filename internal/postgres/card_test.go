package postgres

import (
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
)

// showing is a card of one clinician about one patient; change makes it another.
func showing(change ...func(*Showing)) Showing {
	s := Showing{Card: uuid.NewString(), Service: "service", Kind: "overdue", Issuer: "https://ehr.example", User: "Practitioner/1", Feed: DefaultFeed, Patient: "p1",
		Occasion: "patient-view", Rank: 2, Key: "k1", On: asOf(), QuietDays: 30}
	for _, f := range change {
		f(&s)
	}
	return s
}

func (b *bench) show(s Showing) bool {
	b.t.Helper()
	may, err := b.Show(b.t.Context(), s)
	if err != nil {
		b.t.Fatal(err)
	}
	return may
}

func TestShow(t *testing.T) {
	t.Parallel()
	later := func(days int) func(*Showing) {
		return func(s *Showing) { s.On = s.On.Add(days) }
	}
	rank := func(n int, matter string) func(*Showing) {
		return func(s *Showing) { s.Rank, s.Matter = n, matter }
	}
	for name, c := range map[string]struct {
		first, second Showing
		want          bool
	}{
		"again":                        {showing(), showing(), false},
		"29 days later":                {showing(), showing(later(29)), false},
		"30 days later":                {showing(), showing(later(30)), true},
		"another clinician":            {showing(), showing(func(s *Showing) { s.User = "Practitioner/2" }), true},
		"of another issuer":            {showing(), showing(func(s *Showing) { s.Issuer = "https://other.example" }), true},
		"of another tenant":            {showing(), showing(func(s *Showing) { s.Tenant = "t" }), true},
		"another patient":              {showing(), showing(func(s *Showing) { s.Patient = "p2" }), true},
		"another feed":                 {showing(), showing(func(s *Showing) { s.Feed = "lab" }), true},
		"another occasion":             {showing(), showing(func(s *Showing) { s.Occasion = "order-sign" }), true},
		"more pressing":                {showing(), showing(rank(3, "it moved")), true},
		"less pressing":                {showing(rank(3, "it moved")), showing(), false},
		"less pressing, a month later": {showing(rank(3, "it moved")), showing(later(30)), true},
		"another complication":         {showing(rank(3, "it moved")), showing(rank(3, "it bleeds")), true},
		"the same complication":        {showing(rank(3, "it moved")), showing(rank(3, "it moved"), later(3)), false},
		"followed since":               {showing(func(s *Showing) { s.Key = "" }), showing(), false},
		"followed, more pressing":      {showing(func(s *Showing) { s.Key = "" }), showing(rank(3, "it moved")), true},
		"followed, urgent the same":    {showing(func(s *Showing) { s.Key, s.Rank, s.Matter = "", 3, "it moved" }), showing(rank(3, "it moved")), false},
		"followed, a month later":      {showing(func(s *Showing) { s.Key = "" }), showing(later(30)), true},
		"parts that join alike":        {showing(func(s *Showing) { s.Tenant, s.User = "a", "b" }), showing(func(s *Showing) { s.Tenant, s.User = "", "ab" }), true},
	} {
		b := setup(t, Options{})
		for _, which := range []string{"first call", "same call again"} {
			if !b.show(c.first) {
				t.Errorf("%s: the %s does not show it", name, which)
			}
		}
		if got := b.show(c.second); got != c.want {
			t.Errorf("%s: %t, want %t", name, got, c.want)
		}
	}
}

func TestOfShowsAtOnceOneMay(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	if _, err := b.Installation(t.Context()); err != nil {
		t.Fatal(err)
	}
	var may atomic.Int64
	var all sync.WaitGroup
	for range 32 {
		all.Go(func() {
			ok, err := b.Show(t.Context(), showing())
			if err != nil {
				t.Error(err)
			}
			if ok {
				may.Add(1)
			}
		})
	}
	all.Wait()
	if may.Load() != 1 {
		t.Errorf("%d may", may.Load())
	}
	b.wantCount(1, `SELECT count(*) FROM card`)
}

func TestFeedbackIsStoredOnce(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	first := showing()
	b.show(first)
	f := Feedback{Card: first.Card, Service: "service", Outcome: "overridden", Reason: "stays", At: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), Issuer: first.Issuer, By: first.User}
	for range 2 {
		told, known, err := b.Feedback(t.Context(), f)
		if err != nil || !known || told != (Told{Key: "k1", Same: true}) {
			t.Errorf("%+v %t %v", told, known, err)
		}
	}
	b.wantCount(1, `SELECT count(*) FROM card_feedback WHERE reason = 'stays'`)
	for name, change := range map[string]func(*Feedback){
		"another service": func(f *Feedback) { f.Service = "other" },
		"another card":    func(f *Feedback) { f.Card = uuid.NewString() },
		"no card":         func(f *Feedback) { f.Card = "x" },
	} {
		other := f
		change(&other)
		if _, known, err := b.Feedback(t.Context(), other); known || err != nil {
			t.Errorf("%s: %t %v", name, known, err)
		}
	}
	for name, change := range map[string]func(*Feedback){
		"somebody else":       func(f *Feedback) { f.By = "Practitioner/2" },
		"nobody":              func(f *Feedback) { f.By = "" },
		"of another issuer":   func(f *Feedback) { f.Issuer = "https://other.example" },
		"accepted, no person": func(f *Feedback) { f.Outcome, f.By = "accepted", "" },
	} {
		other := f
		change(&other)
		if told, known, err := b.Feedback(t.Context(), other); !known || told.Same || err != nil {
			t.Errorf("%s: %+v %t %v", name, told, known, err)
		}
	}
	// Overridden: never again to this clinician, unless it presses more.
	year := func(s *Showing) { s.On = s.On.Add(365) }
	if b.show(showing(year)) || !b.show(showing(func(s *Showing) { s.User = "Practitioner/2" })) || !b.show(showing(year, func(s *Showing) { s.Rank, s.Matter = 3, "it moved" })) {
		t.Error("what was overridden is shown, or to nobody, or hides what presses more")
	}
	// It stays so when what presses more has come and gone.
	if b.show(showing(func(s *Showing) { s.On = s.On.Add(2 * 365) })) {
		t.Error("an override is forgotten")
	}
}

// override shows a card and tells that its clinician overrode it.
func (b *bench) override(s Showing) {
	b.t.Helper()
	if !b.show(s) {
		b.t.Fatal("it is not shown")
	}
	if _, known, err := b.Feedback(b.t.Context(), Feedback{Card: s.Card, Service: s.Service, Outcome: "overridden", At: b.now}); err != nil || !known {
		b.t.Fatalf("%t %v", known, err)
	}
}

// TestAnOverrideIsOfOneMatter: it silences neither another filter, nor another complication, nor the next occasion of the kind.
func TestAnOverrideIsOfOneMatter(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	other := func(s *Showing) { s.Key = "k2" }
	urgent := func(rank int, matter string) func(*Showing) {
		return func(s *Showing) { s.Rank, s.Matter = rank, matter }
	}
	always := func(matter string) func(*Showing) {
		return func(s *Showing) { s.Occasion, s.Matter, s.QuietDays = "order-sign", matter, 0 }
	}
	b.override(showing())
	b.override(showing(urgent(3, "it moved")))
	b.override(showing(always("order 1")))
	for _, c := range []struct {
		name string
		s    Showing
		want bool
	}{
		{"the same", showing(), false},
		{"another filter", showing(other), true},
		{"the same complication", showing(urgent(3, "it moved")), false},
		{"another complication", showing(urgent(3, "it moved, and an embolism")), true},
		{"an emergency", showing(urgent(4, "it moved, and an embolism")), true},
		{"urgent again after the emergency", showing(urgent(3, "an infection")), true},
		{"the same complication, after all that", showing(urgent(3, "it moved"), func(s *Showing) { s.On = s.On.Add(400) }), false},
		{"the same order", showing(always("order 1")), false},
		{"another order", showing(always("order 2")), true},
		{"another order, asked about again", showing(always("order 2")), true},
	} {
		if got := b.show(c.s); got != c.want {
			t.Errorf("%s: %t, want %t", c.name, got, c.want)
		}
	}
	// Feedback on a card counts although the same was shown once more since.
	first := showing(always("order 3"))
	b.show(first)
	b.show(showing(always("order 3")))
	if _, _, err := b.Feedback(t.Context(), Feedback{Card: first.Card, Service: "service", Outcome: "overridden", At: b.now}); err != nil {
		t.Fatal(err)
	}
	if b.show(showing(always("order 3"))) {
		t.Error("an override of an earlier card is lost")
	}
}

func TestOldCardsAreForgotten(t *testing.T) {
	t.Parallel()
	b := setup(t, Options{})
	old, stopped := showing(), showing(func(s *Showing) { s.User = "Practitioner/2" })
	b.show(old)
	b.show(stopped)
	if _, _, err := b.Feedback(t.Context(), Feedback{Card: stopped.Card, Service: "service", Outcome: "overridden", At: b.now}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ days, want int }{{keptCards, 0}, {keptCards + 1, 2}} {
		if n, err := b.ForgetCards(t.Context(), asOf().Add(c.days)); err != nil || n != c.want {
			t.Errorf("after %d days: %d %v", c.days, n, err)
		}
	}
	b.wantCount(0, `SELECT count(*) FROM card_feedback`)
	b.wantCount(1, `SELECT count(*) FROM card_viewer WHERE stopped`)
}
