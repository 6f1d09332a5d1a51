package chart

import "testing"

// TestWords: sentences made up for this test; words only ever make people look, and denied words say nothing.
func TestWords(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		says func(string) bool
		yes  []string
		no   []string
	}{
		{"a filter", saysFilter, []string{"IVC filter", "Vena-cava filter, retrievable", "filter in inferior vena cava"},
			[]string{"no IVC filter", "without a vena cava filter", "air filter", "candidate for IVC filter", "haemofilter"}},
		{"no filter is seen", saysNoFilter, []string{"No IVC filter seen.", "No vena cava filter is identified", "The filter is no longer visible", "filter not seen", "IVC filter is absent"},
			[]string{"No filter fracture.", "Filter in place", "No thrombus; filter seen", "no filter tilt is seen", ""}},
		{"the abdomen", saysAbdomen, []string{"CT abdomen and pelvis", "cavogram", "Lumbar spine"}, []string{"CT chest", "MRI of the head"}},
		{"a part stayed", saysPartial, []string{"partially removed", "a fragment is retained"}, []string{"no fragment", "removed whole"}},
		{"it failed", saysFailed, []string{"not successful", "attempt failed", "unable to engage the hook"}, []string{"successful", "without failure"}},
		{"in the heart", saysInHeart, []string{"Filter in the right atrium", "a strut is lodged in the wall of the right ventricle", "fragment embolised to the left lower lobe pulmonary artery", "migrated to the heart", "intracardiac fragment", "leg of the filter within the lung"},
			[]string{"history of heart failure", "filter in a patient with heart failure", "fragment in heart failure clinic", "no fragment in the heart", "filter not in the heart", "heart: no fragment", "heart and lungs normal", "filter tilted in the cava, heart of normal size", "pain in the heart"}},
		{"the patient moves again", saysMobile, []string{"Fully mobile", "walks independently", "VTE risk has passed"}, []string{"Not yet fully mobile", "unable to walk", "mobile phone", "no longer fully mobile", "never walks independently"}},
		{"it is to stay", saysPermanent, []string{"permanent filter", "Filter is permanent"}, []string{"not a permanent filter", "permanent pacemaker"}},
	} {
		for _, s := range c.yes {
			if !c.says(s) {
				t.Errorf("%s: %q is not heard", c.name, s)
			}
		}
		for _, s := range c.no {
			if c.says(s) {
				t.Errorf("%s: %q is heard", c.name, s)
			}
		}
	}
	for s, want := range map[string]bool{"New pulmonary embolism in the right lower lobe": true, "new acute PE": true, "No new pulmonary embolism": false, "Pulmonary embolism, unchanged": false} {
		if got := saysNew(s, "pulmonary embolism", "pe"); got != want {
			t.Errorf("%q calls an embolism new: %t", s, got)
		}
	}
}
