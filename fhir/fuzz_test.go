package fhir

import (
	"net/url"
	"strings"
	"testing"
	"time"
)

// FuzzParseDate holds ParseDate against Go's own calendar: what it takes is a day that time.Parse knows by one of FHIR's
// forms, the first day is not after the last, and a longer form lies within the shorter.
func FuzzParseDate(f *testing.F) {
	for _, s := range []string{"2024", "2024-02", "2024-02-29", "2023-02-30", "2024-02-29T23:59:60Z", "2024-02-29T10:00:00.123+14:00", "2024-02-29T10:00:00", "0000", "9999-12-31", "2024-02-29T24:00:00Z", "-2024", "２０２４"} {
		f.Add(s)
	}
	zone := time.FixedZone("", -5*3600)
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDate(s, zone)
		if err != nil {
			return
		}
		if d.First > d.Last || d.Minute < -1 || d.Minute >= 24*60 {
			t.Fatalf("%q: %+v", s, d)
		}
		form := map[int]string{4: "2006", 7: "2006-01", 10: "2006-01-02"}[len(s)]
		if form == "" {
			if !strings.Contains(s, "T") || d.First != d.Last {
				t.Fatalf("%q is taken as %+v", s, d)
			}
			return
		}
		day, err := time.Parse(form, s)
		if err != nil || int(day.Unix()/86400) != d.First {
			t.Fatalf("%q is taken as day %d; the calendar has %v, %v", s, d.First, day, err)
		}
		if len(s) > 4 {
			wider, err := ParseDate(s[:strings.LastIndexByte(s, '-')], zone)
			if err != nil || wider.First > d.First || wider.Last < d.Last {
				t.Fatalf("%q is %+v, but its month or year is %+v, %v", s, d, wider, err)
			}
		}
	})
}

// FuzzParseReference: a reference is of one kind only; what is read as Type/id is written in the text and is local to its own
// base by every scheme, to no other; and an absolute one is a URL to net/url as well.
func FuzzParseReference(f *testing.F) {
	for _, s := range []string{"Patient/1", "https://a.example/fhir/Patient/1/_history/2", "#a", "urn:uuid:1", "Patient?identifier=1", "Patient/1/_history/", "//Patient/1", "Patient/../Patient/1", "http:///Patient/1", "/Patient/1", "patient/1"} {
		f.Add(s, "https://a.example/fhir")
	}
	f.Fuzz(func(t *testing.T, s, base string) {
		r := ParseReference(s)
		kinds := 0
		for _, is := range []bool{r.Type != "", r.Contained != "", r.URN != "", r.Conditional} {
			if is {
				kinds++
			}
		}
		if kinds > 1 || (r.Type == "") != (r.ID == "") {
			t.Fatalf("%q is of several kinds: %+v", s, r)
		}
		if r.Type == "" {
			if local := r.Local(base); local != "" {
				t.Fatalf("%q is local as %q", s, local)
			}
			return
		}
		if !strings.Contains(s, r.Type+"/"+r.ID) || !ValidID(r.ID) {
			t.Fatalf("%q is read as %+v", s, r)
		}
		if r.Base == "" {
			if got := r.Local(base); got != r.Type+"/"+r.ID {
				t.Fatalf("%q below %q is %q", s, base, got)
			}
			return
		}
		if got := r.Local(r.Base); got != r.Type+"/"+r.ID {
			t.Fatalf("%q is not local to its own base %q", s, r.Base)
		}
		if got := r.Local(r.Base + "x"); got != "" {
			t.Fatalf("%q is local to another base", s)
		}
		if u, err := url.Parse(s); err == nil && u.IsAbs() && u.Host != "" {
			elsewhere := *u
			elsewhere.Host = "elsewhere." + u.Host
			if got := ParseReference(elsewhere.String()).Local(r.Base); got != "" {
				t.Fatalf("%q is local to %q", elsewhere.String(), r.Base)
			}
		}
	})
}
