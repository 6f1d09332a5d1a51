package worker

import (
	"errors"
	"slices"
	"testing"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/postgres"
)

// TestSettledComesToAnEnd: keys of other persons are left out, one after the other; a key that was the person's own when the record was
// read, and went to another meanwhile, stays in every answer and asks for the record to be read again.
func TestSettledComesToAnEnd(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		known, minted, others []string // of the record as read; that the entries lead to; of other persons
		keys                  []string // of the answer
		overtaken             bool
	}{
		"nobody else's":              {[]string{"a"}, []string{"b"}, nil, []string{"a", "b"}, false},
		"one minted is another's":    {[]string{"a"}, []string{"b", "c"}, []string{"b"}, []string{"a", "c"}, false},
		"all minted are another's":   {nil, []string{"b", "c"}, []string{"b", "c"}, nil, false},
		"its own went to another":    {[]string{"a"}, []string{"b"}, []string{"a"}, nil, true},
		"its own, and a minted, too": {[]string{"a"}, []string{"b"}, []string{"a", "b"}, nil, true},
	} {
		asked := 0
		saved, err := settled(func(taken []string) (postgres.Saved, error) {
			if asked++; asked > 10 {
				t.Fatalf("%s: asked without end", name)
			}
			var out postgres.Saved
			for _, k := range c.known { // as the assessor does: what was known stays
				out.Keys = append(out.Keys, filter.KnownKey{Key: k})
			}
			for _, k := range c.minted {
				if !slices.Contains(taken, k) {
					out.Keys = append(out.Keys, filter.KnownKey{Key: k})
				}
			}
			return out, nil
		}, func(keys []string) ([]string, error) {
			return slices.DeleteFunc(slices.Clone(keys), func(k string) bool { return !slices.Contains(c.others, k) }), nil
		})
		if errors.Is(err, postgres.ErrOvertaken) != c.overtaken || err != nil && !c.overtaken {
			t.Errorf("%s: %v", name, err)
		}
		var got []string
		for _, k := range saved.Keys {
			got = append(got, k.Key)
		}
		if !c.overtaken && !slices.Equal(got, c.keys) {
			t.Errorf("%s: keys %v, want %v", name, got, c.keys)
		}
	}
}
