package chart

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestNegationEndsWithItsSentence: what one sentence denies the next may tell.
func TestNegationEndsWithItsSentence(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text, phrase string
		over         reach
		want         bool
	}{
		{"No fever. Flank pain since Monday.", "pain", overLists, true},
		{"No fever; pain", "pain", overLists, true},
		{"No fever\nPain", "pain", overLists, true},
		{"No fever.Pain", "pain", overLists, true},
		{"No fever! Pain", "pain", overLists, true},
		{"No fever but pain", "pain", overLists, true},
		{"No fever, flank pain since Monday", "pain", overLists, true},
		{"No fever (flank pain)", "pain", overLists, true},
		{"No fever - flank pain", "pain", overLists, true},
		{"Fever: no, pain: yes", "pain", overLists, true},
		{"No fever, pain", "pain", overLists, false},
		{"No fever, pain or swelling", "pain", overLists, false},
		{"No fever, pain or swelling", "swelling", overLists, false},
		{"No pain and swelling", "swelling", overLists, false},
		{"Denies: pain", "pain", overLists, false},
		{"No evidence of a painful strut", "painful", overLists, false},
		{"No pain", "pain", overLists, false},
		{"No evidence of a retained strut", "retained strut", overOr, false},
		{"Strut retained", "strut retained", overOr, true},
		{"Fragment. Left for the ward.", "fragment left", overOr, false},
		{"No complications, retained strut", "retained strut", overOr, true},
		{"No fracture, fragment or retained strut", "retained strut", overOr, false},
		{"No fracture, fragment or strut", "fragment", overOr, false},
		{"No complication, unsuccessful", "unsuccessful", overNothing, true},
		{"Take p.r.n.", "p r n", overLists, true},
		{"Anticoagulation vs. filter", "filter", overLists, false},
		{"Not 2.5 mg", "mg", overLists, false},
		{"vena cava. Filter", "vena cava filter", overLists, false},
		{"Filter, vena cava", "filter, vena cava", overLists, true},
		{"", "pain", overLists, false},
	} {
		if got := read(c.text).says(c.over, c.phrase); got != c.want {
			t.Errorf("%q says %q: %t", c.text, c.phrase, got)
		}
	}
}

// TestReadSplitsAsTokensDoes: the words of a passage are those of the rest of the package, each with its stop.
func TestReadSplitsAsTokensDoes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.StringOf(rapid.SampledFrom([]rune("aB1.,;: -(\n\u00e9\u0130"))), rapid.String()).Draw(t, "text")
		p := read(text)
		if want := tokens(text); !slices.Equal(p.words, want) || len(p.stops) != len(want) {
			t.Fatalf("%q: %q, want %q", text, p.words, want)
		}
	})
}

// TestWordsOfAPlacementsReason: prevention only where the reason says so and names no event that has happened.
func TestWordsOfAPlacementsReason(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"Prophylactic, polytrauma":                                    true,
		"Prophylaxis before major surgery":                            true,
		"PE prophylaxis":                                              true,
		"Prophylaxis against pulmonary embolism":                      true,
		"Prevention of pulmonary embolism in trauma":                  true,
		"Venous thromboembolism (VTE) prophylaxis":                    true,
		"Prophylactic, high risk of DVT and PE":                       true,
		"Prophylactic filter, no DVT":                                 true,
		"Prophylactic filter, anticoagulation contraindicated":        true,
		"Prophylaxis with a contraindication to anticoagulation":      true,
		"DVT despite prophylactic enoxaparin":                         false,
		"Bilateral PE; failed prophylaxis":                            false,
		"Acute PE, pharmacologic prophylaxis contraindicated":         false,
		"Prophylactic; acute DVT of the left leg":                     false,
		"Trauma, failed prophylaxis":                                  false,
		"Antibiotic prophylaxis":                                      false,
		"Polytrauma, pharmacologic prophylaxis is contraindicated":    false,
		"Prophylaxis was contraindicated":                             false,
		"Not prophylactic":                                            false,
		"Prophylaxis of recurrent pulmonary embolism after iliac DVT": false,
		"": false,
	} {
		if got := saysProphylactic(text) && !namesVTE(text); got != want {
			t.Errorf("%q: %t", text, got)
		}
	}
}
