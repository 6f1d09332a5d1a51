// Package catalogue holds what a site knows about filter models: their labelled use and design. It is data without I/O;
// a site loads it from FHIR DeviceDefinition resources. A catalogue without a model says nothing about it.
package catalogue

import (
	"slices"
	"strconv"
	"strings"
)

// Model is one filter model.
type Model struct {
	Name        string
	Design      string   // conical | double-basket | other | unknown
	Intent      string   // retrievable | permanent | unknown: the labelled use
	Identifiers []string // UDI device identifiers
	Numbers     []string // model numbers
	Names       []string // other names, lower case
	// MarketedFrom and MarketedTo are the first and last day on which it was sold, YYYY-MM-DD; "" where not known.
	MarketedFrom, MarketedTo string
	// RetrievalDays is for how many days after placement its label speaks of retrieval; 0 where it says none.
	RetrievalDays int
}

// Catalogue is a set of models.
type Catalogue struct{ Models []Model }

// Find gives the model that a device is, and how it was identified: by device identifier, else by model number, else by
// name. A key that fits two models identifies neither.
func (c Catalogue) Find(identifier, number, name string) (Model, string) {
	name = fold(name)
	for _, try := range []struct {
		by, key string
		has     func(Model) []string
	}{
		{"udi", identifier, func(m Model) []string { return m.Identifiers }},
		{"model-number", number, func(m Model) []string { return m.Numbers }},
		{"name", name, func(m Model) []string { return append([]string{fold(m.Name)}, m.Names...) }},
	} {
		if try.key == "" {
			continue
		}
		var found []Model
		for _, m := range c.Models {
			if slices.Contains(try.has(m), try.key) {
				found = append(found, m)
			}
		}
		if len(found) == 1 {
			return found[0], try.by
		}
	}
	return Model{Design: "unknown", Intent: "unknown"}, "none"
}

func fold(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// Digest writes the catalogue as one text that changes exactly when it does.
func (c Catalogue) Digest() string {
	var lines []string
	for _, m := range c.Models {
		lines = append(lines, strings.Join([]string{m.Name, m.Design, m.Intent, strings.Join(m.Identifiers, ","), strings.Join(m.Numbers, ","), strings.Join(m.Names, ","),
			m.MarketedFrom, m.MarketedTo, strconv.Itoa(m.RetrievalDays)}, "|"))
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}
