package chart

import "testing"

// TestWhatCameOut: of what lies in the heart only its own words say that it came out; anything that may be left speaks against it.
func TestWhatCameOut(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][2]bool{ // it or a part of it, and what lay in the heart
		"Fractured filter, fragment in right ventricle retrieved at the same session":       {true, true},
		"Fractured filter with a fragment in the right ventricle, retrieved at the session": {true, true},
		"Filter migrated to the right atrium, retrieved at the same session":                {true, true},
		"Strut of the IVC filter in the right ventricle was snared and removed":             {true, true},
		"Fragments in the right ventricle, all fragments taken out":                         {true, true},
		"Filter retrieved, filter fragment in the right ventricle":                          {true, false},
		"Fragment in right ventricle, IVC filter removed":                                   {true, false},
		"Fragment in the right ventricle after the filter was retrieved":                    {false, false},
		"Fragments in the right ventricle, fragment retrieved":                              {true, false},
		"Fragment in right ventricle could not be retrieved":                                {false, false},
		"Fragment in right ventricle to be retrieved":                                       {false, false},
		"Fragment in right ventricle, not retrieved":                                        {false, false},
		"No fragment retrieved from the right ventricle":                                    {false, false},
		"Fragment in right ventricle, attempted and not retrieved":                          {false, false},
		"Two fragments in right ventricle, fragments retrieved":                             {false, false},
		"Filter displaced, removed":                                                         {true, true},
		"Filter fragment in the heart":                                                      {false, false},
	} {
		if got := [2]bool{saysOut(text, false), saysOut(text, true)}; got != want {
			t.Errorf("%s: %v", text, got)
		}
	}
}

// TestWhenItHappened: at a retrieval or after it.
func TestWhenItHappened(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][2]bool{
		"Bleeding at IVC filter retrieval":                       {true, false},
		"Seen during the removal of the filter":                  {true, false},
		"Access site haematoma after IVC filter retrieval":       {false, true},
		"Groin pain after dinner and removal of the plaster":     {false, false},
		"Strut retained at filter retrieval":                     {false, false},
		"Displaced, seen at attempted filter retrieval":          {false, false},
		"Bleeding. Filter retrieval is discussed at the meeting": {false, false},
	} {
		if during, later := saysAtRetrieval(text); [2]bool{during, later} != want {
			t.Errorf("%s: %t, %t", text, during, later)
		}
	}
}

// TestWhoseFragment: a part of a filter in heart or lung, in one piece of a sentence that names no other device.
func TestWhoseFragment(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text string
		site bool
		want bool
	}{
		{"Vena cava filter strut embolised to pulmonary artery", false, true},
		{"Embolised IVC filter", true, true},
		{"IVC filter", true, false},
		{"Port catheter fragment from superior vena cava embolised to pulmonary artery", false, false},
		{"Catheter fragment embolised to pulmonary artery. Past history: IVC filter", false, false},
		{"Fragment embolised to pulmonary artery after IVC filter removal", false, false},
		{"Filter and catheter fragment in the right atrium", false, false},
	} {
		if got := saysFilterInHeart(c.text, c.site); got != c.want {
			t.Errorf("%s: %t", c.text, got)
		}
	}
}
