package assess

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

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
	for name, tt := range map[string]struct {
		known, merged []filter.KnownKey
		asked, asking []string
		tasks         []rules.OwnTask
		want          []string // key and what it stands on
	}{
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
		"a Task that is open before one that is over": {nil, nil, nil, nil,
			[]rules.OwnTask{task("a", "cancelled"), task("b", "draft"), task("c", "accepted"), task("a", "rejected")}, []string{"c Device/d", "b Device/d", "a Device/d"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var got []string
			for _, k := range adopt(tt.known, tt.merged, tt.asked, tt.asking, tt.tasks) {
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
