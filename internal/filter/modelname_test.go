package filter

import "testing"

// TestToldModel: where no catalogue knows the model it is named as the record names it; a name that says only that the device is a filter
// names none, and a model that the catalogue knows is named as there.
func TestToldModel(t *testing.T) {
	t.Parallel()
	known := Model{Name: "Linden C1", Design: "conical", Intent: "retrievable", By: "name"}
	for name, c := range map[string]struct {
		devices []Device
		want    string
		by      string
	}{
		"a name":               {[]Device{{Ref: "Device/a", Name: " Heron  R4 "}}, "Heron R4", "none"},
		"a name and a number":  {[]Device{{Ref: "Device/a", Name: "Heron R4 IVC filter", Number: "HR4-28"}}, "Heron R4 IVC filter, model number HR4-28", "none"},
		"a number":             {[]Device{{Ref: "Device/a", Name: "IVC filter", Number: "HR4-28"}}, "model number HR4-28", "none"},
		"words for any filter": {[]Device{{Ref: "Device/a", Name: "Inferior vena cava filter (retrievable)"}}, "", "none"},
		"nothing":              {[]Device{{Ref: "Device/a"}}, "", "none"},
		"told twice":           {[]Device{{Ref: "Device/a", Name: "Heron R4"}, {Ref: "Device/a", Name: "Heron R4"}}, "Heron R4", "none"},
		"told in two ways":     {[]Device{{Ref: "Device/a", Name: "Heron R4"}, {Ref: "Device/b", Name: "Aster 2"}}, "Aster 2; Heron R4", "none"},
		"in the catalogue":     {[]Device{{Ref: "Device/a", Name: "linden c1", Model: known}}, "Linden C1", "name"},
	} {
		d := &draft{events: []Event{{Kind: Placement, Devices: c.devices}}}
		if got := d.model(); got.Name != c.want || got.By != c.by || c.by == "none" && (got.Design != "unknown" || got.Intent != "unknown") {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
