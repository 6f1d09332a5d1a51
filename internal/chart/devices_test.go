package chart

import (
	"testing"

	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/filter"
)

// TestModelByAnyName: the catalogue knows a device by any of its names; names of two models are a guess.
func TestModelByAnyName(t *testing.T) {
	t.Parallel()
	models := catalogue.Catalogue{Models: []catalogue.Model{{Name: "Harbour P", Design: "conical", Intent: "permanent"}, {Name: "Linden C1", Design: "conical", Intent: "retrievable"}}}
	r := &reader{models: models}
	for _, c := range []struct {
		names []string
		want  string
	}{{nil, ""}, {[]string{"Harbour P"}, "Harbour P"}, {[]string{"STOCK 4471", "harbour p"}, "Harbour P"}, {[]string{"Harbour P", "Linden C1"}, ""}, {[]string{"Linden C1", "Linden C1"}, "Linden C1"}} {
		if got, _ := r.modelNamed(filter.Device{}, c.names); got.Name != c.want {
			t.Errorf("%q: %q, want %q", c.names, got.Name, c.want)
		}
	}
}
