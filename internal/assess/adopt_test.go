package assess

import (
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
	for name, tt := range map[string]struct {
		known  []filter.KnownKey
		merged []string
		tasks  []rules.OwnTask
		want   []string
	}{
		"a Task from before the database was lost": {[]filter.KnownKey{minted}, nil, []rules.OwnTask{task("earlier", "draft")}, []string{"earlier", "minted"}},
		"a key that was merged stays behind":       {[]filter.KnownKey{minted}, []string{"merged"}, []rules.OwnTask{task("merged", "cancelled")}, []string{"minted", "merged"}},
		"our own Task":                             {[]filter.KnownKey{minted}, nil, []rules.OwnTask{task("minted", "draft")}, []string{"minted"}},
		"a Task that is open before one that is over": {nil, nil,
			[]rules.OwnTask{task("a", "cancelled"), task("b", "draft"), task("c", "accepted"), task("a", "rejected")}, []string{"c", "b", "a"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var got []string
			for _, k := range adopt(tt.known, tt.merged, tt.tasks) {
				got = append(got, k.Key)
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
