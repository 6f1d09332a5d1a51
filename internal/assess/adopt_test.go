package assess

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dwellwatch/internal/draft"
	"dwellwatch/internal/filter"
	"dwellwatch/internal/rules"
)

// TestAdopt: keys come in order of age, and the first one of a filter wins.
func TestAdopt(t *testing.T) {
	t.Parallel()
	minted := filter.KnownKey{Key: "minted", Evidence: []filter.Ref{"Device/d"}}
	task := func(key, status string) rules.OwnTask {
		return rules.OwnTask{Key: key, Status: status, Ref: "Task/" + key, Evidence: []filter.Ref{"Device/d"}}
	}
	young := filter.KnownKey{Key: "young", Evidence: []filter.Ref{"Device/y"}}
	mergedKey := []filter.KnownKey{{Key: "merged", Into: "minted"}}
	elsewhere := task("minted", "draft")
	elsewhere.Evidence = []filter.Ref{"Device/e"}
	ended := task("merged", "cancelled")
	ended.ClosedByUs = true
	order := task("b", "requested")
	order.Order = true
	type row struct {
		known, merged []filter.KnownKey
		asked, asking []string // keys; how a question stands behind its key
		tasks         []rules.OwnTask
		want          []string // key and what it stands on
	}
	// both is minted and the younger one, each asked about.
	both := func(asking []string, want string, tasks ...rules.OwnTask) row {
		first, second, _ := strings.Cut(want, " ")
		on := map[string]string{"minted": "minted Device/d", "young": "young Device/y"}
		return row{[]filter.KnownKey{minted, young}, nil, []string{"minted", "young"}, asking, tasks, []string{on[first], on[second]}}
	}
	for name, tt := range map[string]row{
		"a Task from before the database was lost":                       {[]filter.KnownKey{minted}, nil, nil, nil, []rules.OwnTask{task("earlier", "draft")}, []string{"earlier Device/d", "minted Device/d"}},
		"a key that was merged stays behind":                             {[]filter.KnownKey{minted}, mergedKey, []string{"merged"}, nil, []rules.OwnTask{ended}, []string{"minted Device/d", "merged Device/d"}},
		"a key whose merge ended its Task in the database that was lost": {[]filter.KnownKey{minted}, mergedKey, nil, nil, []rules.OwnTask{ended}, []string{"minted Device/d", "merged Device/d"}},
		"our own Task": {[]filter.KnownKey{minted}, nil, []string{"minted"}, nil, []rules.OwnTask{elsewhere}, []string{"minted Device/d"}},
		"the same key minted anew on other evidence":  {[]filter.KnownKey{minted}, nil, nil, nil, []rules.OwnTask{elsewhere}, []string{"minted Device/e"}},
		"the same key minted anew and merged already": {[]filter.KnownKey{{Key: "other", Evidence: minted.Evidence}}, []filter.KnownKey{{Key: "minted", Into: "other"}}, nil, nil, []rules.OwnTask{elsewhere}, []string{"minted Device/e", "other Device/d"}},
		"a question that stands before an older key's that was declined": {[]filter.KnownKey{minted, young}, nil, []string{"minted", "young"}, []string{"young"}, []rules.OwnTask{task("minted", "rejected"), task("young", "draft")},
			[]string{"young Device/y", "minted Device/d"}},
		"a question that stands, merged while the context was read, before the one that was found declined": {[]filter.KnownKey{minted}, []filter.KnownKey{{Key: "young", Evidence: young.Evidence, Into: "minted"}}, []string{"minted", "young"}, []string{"young"},
			[]rules.OwnTask{task("minted", "rejected"), task("young", "draft")}, []string{"young Device/y", "minted Device/d"}},
		"merged while the context was read, and both stand": {[]filter.KnownKey{minted}, []filter.KnownKey{{Key: "young", Evidence: young.Evidence, Into: "minted"}}, []string{"minted", "young"}, []string{"young", "minted"}, nil,
			[]string{"minted Device/d", "young Device/y"}},
		"of two that stand the older":         {[]filter.KnownKey{minted, young}, nil, []string{"minted", "young"}, []string{"young", "minted"}, nil, []string{"minted Device/d", "young Device/y"}},
		"of two that were declined the older": {[]filter.KnownKey{minted, young}, nil, []string{"minted", "young"}, nil, nil, []string{"minted Device/d", "young Device/y"}},
		"a question that stands before one that was declined before the database was lost": {[]filter.KnownKey{minted}, nil, []string{"minted"}, []string{"minted"}, []rules.OwnTask{task("earlier", "rejected")},
			[]string{"minted Device/d", "earlier Device/d"}},
		"and after one that stood then": {[]filter.KnownKey{minted}, nil, []string{"minted"}, []string{"minted"}, []rules.OwnTask{task("earlier", "draft")},
			[]string{"earlier Device/d", "minted Device/d"}},
		"a key that was merged keeps what it stood on": {[]filter.KnownKey{minted}, []filter.KnownKey{{Key: "merged", Evidence: young.Evidence, Into: "minted"}}, []string{"merged"}, nil, []rules.OwnTask{ended},
			[]string{"minted Device/d", "merged Device/y"}},
		"a Task in work before an older draft":          both([]string{"minted", "young"}, "young minted", task("minted", "draft"), task("young", "in-progress")),
		"a Task on hold before an older order":          both([]string{"minted approved", "young"}, "young minted", task("minted", "requested"), task("young", "on-hold")),
		"a Task in work whose question was put by":      both([]string{"minted"}, "young minted", task("minted", "draft"), task("young", "accepted")),
		"of two Tasks in work the older":                both([]string{"minted", "young"}, "minted young", task("minted", "accepted"), task("young", "in-progress")),
		"an older Task in work before an order":         both([]string{"minted", "young approved"}, "minted young", task("minted", "accepted"), task("young", "requested")),
		"an order before an older draft":                both([]string{"minted", "young approved"}, "young minted", task("minted", "draft"), task("young", "requested")),
		"of two orders the older":                       both([]string{"minted approved", "young approved"}, "minted young"),
		"an order that was rejected after an open one":  both([]string{"minted approved", "young"}, "young minted", task("minted", "rejected"), task("young", "draft")),
		"a draft before an older one that was put off":  both([]string{"minted put off", "young"}, "young minted"),
		"one put off until today is open":               both([]string{"minted put off until today", "young"}, "minted young"),
		"one put off before an older that was declined": both([]string{"minted", "young put off"}, "young minted", task("minted", "rejected")),
		"of two put off the older":                      both([]string{"minted put off", "young put off"}, "minted young"),
		"taken up before the merge was seen": {[]filter.KnownKey{minted}, []filter.KnownKey{{Key: "young", Evidence: young.Evidence, Into: "minted"}}, []string{"minted", "young"}, []string{"minted"},
			[]rules.OwnTask{task("minted", "draft"), task("young", "accepted")}, []string{"young Device/y", "minted Device/d"}},
		"a Task in work before a draft of a database that was lost": {[]filter.KnownKey{minted}, nil, []string{"minted"}, []string{"minted"},
			[]rules.OwnTask{task("minted", "accepted"), task("earlier", "draft")}, []string{"minted Device/d", "earlier Device/d"}},
		"an order of a database that was lost before an older draft": {nil, nil, nil, nil, []rules.OwnTask{task("a", "draft"), order}, []string{"b Device/d", "a Device/d"}},
		"a Task that is open before one that is over": {nil, nil, nil, nil,
			[]rules.OwnTask{task("a", "cancelled"), task("b", "draft"), task("c", "accepted"), task("a", "rejected")}, []string{"c Device/d", "b Device/d", "a Device/d"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var got []string
			res := Result{Tasks: map[string]draft.Seen{}}
			res.see(tt.tasks, nil)
			var asking []Asking
			for _, said := range tt.asking {
				key, how, _ := strings.Cut(said, " ")
				a := Asking{Key: key, Approved: how == "approved"}
				switch how {
				case "put off":
					a.Until = 20001
				case "put off until today":
					a.Until = 20000
				}
				asking = append(asking, a)
			}
			for _, k := range adopt(tt.known, tt.merged, tt.asked, holds(Record{Asking: asking}, res.Tasks, tt.tasks, 20000), tt.tasks) {
				got = append(got, k.Key+" "+strings.Join(k.Evidence, " "))
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
		})
	}
}

// TestFocusIsTheFiltersOwn: a removal that may have been of any of three filters is told of all, and is what none of their Tasks
// is about: by its focus a Task is known again as its filter's when the database was lost.
func TestFocusIsTheFiltersOwn(t *testing.T) {
	t.Parallel()
	ref := func(r filter.Ref) []filter.Ref { return []filter.Ref{r} }
	for name, c := range map[string]struct {
		f    filter.Filter
		want string
	}{
		"a placement that sorts after the removal": {filter.Filter{Own: ref("Procedure/z-in"), PlacementRefs: ref("Procedure/z-in"), Evidence: []filter.Ref{"Procedure/a-out", "Procedure/z-in"}}, "Procedure/z-in"},
		"its device before its placement":          {filter.Filter{Own: []filter.Ref{"Device/d", "Procedure/in"}, PlacementRefs: ref("Procedure/in"), Evidence: []filter.Ref{"Device/a", "Device/d", "Procedure/in"}}, "Device/d"},
		"the device of another feed":               {filter.Filter{Own: []filter.Ref{"Procedure/in", "https://lab.example.org/fhir/Device/d"}}, "https://lab.example.org/fhir/Device/d"},
		"known from an attempt only":               {filter.Filter{Own: ref("Procedure/try"), Evidence: ref("Procedure/try")}, "Procedure/try"},
		"known from a device use only":             {filter.Filter{Own: ref("DeviceUseStatement/u"), Evidence: ref("DeviceUseStatement/u")}, "DeviceUseStatement/u"},
	} {
		if got := focus(c.f); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}
