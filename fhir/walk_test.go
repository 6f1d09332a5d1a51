package fhir

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"
)

// TestPlainEndStopsWhereByteByByteDoes: looking at eight bytes at once finds the place that looking at each finds.
func TestPlainEndStopsWhereByteByByteDoes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		plain := rapid.SampledFrom([]byte("a Z~!#[]^\x7f"))
		raw := rapid.SliceOfN(plain, 0, 40).Draw(t, "plain")
		for range rapid.IntRange(0, 4).Draw(t, "others") {
			if len(raw) > 0 {
				raw[rapid.IntRange(0, len(raw)-1).Draw(t, "where")] = rapid.Byte().Draw(t, "other")
			}
		}
		at := rapid.IntRange(0, len(raw)+1).Draw(t, "at")
		want := min(at, len(raw))
		for want < len(raw) && raw[want] >= ' ' && raw[want] < 0x80 && raw[want] != '"' && raw[want] != '\\' {
			want++
		}
		if got := plainEnd(raw, at); got != want {
			t.Fatalf("%q from %d: %d, want %d", raw, at, got, want)
		}
	})
}

// TestMembersStandWhereTheySay: the places that Members gives are those of names and values.
func TestMembersStandWhereTheySay(t *testing.T) {
	t.Parallel()
	raw := []byte(` { "a" : 1.5 , "\u0062":{"c":"}"},"d":[ ] }`)
	var got []string
	Members(raw, func(name []byte, at, from, to int) {
		got = append(got, string(name)+" "+string(raw[from:to]))
		if raw[at-1] != '"' || name[0] != 'b' && !bytes.HasPrefix(raw[at:], name) {
			t.Errorf("%s does not stand at %d", name, at)
		}
	})
	want := []string{"a 1.5", `b {"c":"}"}`, "d [ ]"}
	for i := range want {
		if i >= len(got) || got[i] != want[i] {
			t.Fatalf("%q, want %q", got, want)
		}
	}
}
