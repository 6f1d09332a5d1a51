package assess

import (
	"slices"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// measured lists the entries of measured values that findings or plan of a filter name as evidence.
func measured(f Filter, labs []rules.Lab) []string {
	out := []string{}
	if len(labs) == 0 {
		return out
	}
	of := make([]filter.Ref, 0, len(labs))
	for i := range labs {
		of = append(of, labs[i].Evidence...)
	}
	slices.Sort(of)
	keep := func(refs []string) {
		for _, ref := range refs {
			if _, is := slices.BinarySearch(of, ref); is {
				out = append(out, ref)
			}
		}
	}
	for _, x := range f.Findings {
		keep(x.Evidence)
	}
	plan.Evidence(f.Plan, keep)
	slices.Sort(out)
	return slices.Compact(out)
}

// unmeasured gives a filter without measured values: what decided by them stays, the values and their entries go.
func unmeasured(f Filter) Filter {
	is := func(ref string) bool {
		_, found := slices.BinarySearch(f.Measured, ref)
		return found
	}
	f.Findings = slices.Clone(f.Findings)
	for i := range f.Findings {
		x := &f.Findings[i]
		x.By = ""
		if slices.ContainsFunc(x.Evidence, is) {
			x.Evidence = slices.DeleteFunc(slices.Clone(x.Evidence), is)
		}
	}
	f.Plan = plan.Meaning(f.Plan, is)
	f.Measured = nil
	return f
}
