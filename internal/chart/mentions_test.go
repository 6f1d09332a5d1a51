package chart

import "testing"

// TestMentions: what could not be read is kept aside where it is about a filter, whatever code tells it.
func TestMentions(t *testing.T) {
	t.Parallel()
	sets, err := ShippedSets()
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{
		`{"code":{"coding":[{"code":"37191"`:       true,
		`{"code":{"coding":[{"code":"37192"}]}}`:   true,
		`{"code":[{"coding":{"code":"06H03DZ"}}]`:  true,
		`{"code":[{"coding":{"code":"06H00DZ"}}]`:  true,
		`{"code":[{"coding":{"code":"06H04DZ"}}]`:  true,
		`{"code":[{"coding":{"code":"233439000"}}`: true,
		`<type>Inferior VENA-CAVA  filter</type>`:  true,
		`no IVC filter seen`:                       true, // it errs towards yes
		`{"code":"371910","id":"x37191y"}`:         false,
		`{"text":"water filter of the cavalry"}`:   false,
		"\xff\xfe":                                 false,
		``:                                         false,
	} {
		if got := sets.Mentions([]byte(text)); got != want {
			t.Errorf("%q: %t, want %t", text, got, want)
		}
	}
}
