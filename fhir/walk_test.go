package fhir

import (
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
