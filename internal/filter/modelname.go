package filter

import (
	"slices"
	"strings"
)

// toldModel gives the model as the entries of a filter name it, where no catalogue knows it: each name once, as it is written; "" where
// none is told. Words that only say that the device is a filter name no model.
func (d *draft) toldModel() string {
	var out []string
	for _, v := range d.devices() {
		name := strings.Join(strings.Fields(v.Name), " ")
		if !namesModel(name) {
			name = ""
		}
		if number := strings.Join(strings.Fields(v.Number), " "); number != "" {
			name = strings.TrimPrefix(name+", model number "+number, ", ")
		}
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return strings.Join(out, "; ")
}

// namesModel reports a name that says more than that the device is a filter for the vena cava.
func namesModel(name string) bool {
	for word := range strings.FieldsFuncSeq(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(" ,.;:/()[]-\t\n", r) }) {
		switch word {
		case "a", "the", "vena", "venae", "cava", "cavae", "caval", "inferior", "ivc", "vcf", "filter", "filters", "device", "implant", "implanted", "retrievable", "permanent", "temporary", "optional", "convertible", "vascular", "system", "for", "of", "in":
		default:
			return true
		}
	}
	return false
}
