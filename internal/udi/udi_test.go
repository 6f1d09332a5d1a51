package udi

import (
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

// TestPublishedLabels holds the reading against labels that others have published, right ones and wrong ones.
//
// Sources: "FDA" is the FDA's "UDI Formats by FDA-Accredited Issuing Agency"; "FHIR" are the Device examples of HL7 FHIR
// (STU3, example-udi1 to udi4); "HIBC" is ANSI/HIBC 2.6 as its examples are repeated in public test suites of bar code
// libraries; "GS1" is the general specifications' own GTIN, used in the documents of GS1. The grammar of the rest of a label,
// where the table has none, follows from these.
func TestPublishedLabels(t *testing.T) {
	t.Parallel()
	cases := []struct {
		source, text string
		want         Identifier
	}{
		{"FHIR udi1, braces", "{01}00844588003288{17}141120{10}7654321D{21}10987654d321",
			Identifier{Agency: GS1, Device: "00844588003288", Lot: "7654321D", Serial: "10987654d321", Expires: "2014-11-20"}},
		{"FDA, the number; the rest of the line from memory", "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234",
			Identifier{Agency: GS1, Device: "51022222233336", Lot: "A213B1", Serial: "1234", Expires: "2015-07-07", Made: "2014-12-31"}},
		{"FHIR udi1, scanned", "]d20110857674002017" + "17141120" + "10NYFUL01\x1d" + "21192837\x1d",
			Identifier{Agency: GS1, Device: "10857674002017", Lot: "NYFUL01", Serial: "192837", Expires: "2014-11-20"}},
		{"GS1, number alone", "09506000117843", Identifier{Agency: GS1, Device: "09506000117843"}},
		{"thirteen digits of the same", "9506000117843", Identifier{Agency: GS1, Device: "09506000117843"}},
		{"US Core Device-defib: its digit should be 2", "(01)99863313444316",
			Identifier{Agency: GS1, Device: "99863313444316", Flags: []Flag{BadCheck}}},
		{"GUDID sample: should end in 2", "00011954013448", Identifier{Agency: GS1, Device: "00011954013448", Flags: []Flag{BadCheck}}},
		{"GUDID sample: should end in 7", "00208851107345", Identifier{Agency: GS1, Device: "00208851107345", Flags: []Flag{BadCheck}}},
		{"US Core Device-knee: twelve digits", "(01)987979879879", Identifier{Agency: GS1, Device: "00987979879879", Flags: []Flag{BadCheck}}},
		{"HIBC primary", "+A123BJC5D6E71G", Identifier{Agency: HIBCC, Device: "A123BJC5D6E71"}},
		{"HIBC primary between stars", "*+A123BJC5D6E71G*", Identifier{Agency: HIBCC, Device: "A123BJC5D6E71"}},
		{"HIBC longest number", "+H123ABC01234567890D", Identifier{Agency: HIBCC, Device: "H123ABC01234567890"}},
		{"HIBC with day of year", "+A123BJC5D6E71/$$52001510X3C", Identifier{Agency: HIBCC, Device: "A123BJC5D6E71", Lot: "10X3", Expires: "2020-01-15"}},
		{"HIBC the same on another", "+A99912345/$$52001510X33", Identifier{Agency: HIBCC, Device: "A99912345", Lot: "10X3", Expires: "2020-01-15"}},
		{"HIBC with supplements", "+A99912345/$$52001510X3/16D20111212/S77DEFG457",
			Identifier{Agency: HIBCC, Device: "A99912345", Lot: "10X3", Serial: "77DEFG45", Expires: "2020-01-15", Made: "2011-12-12"}},
		{"HIBC serial number", "+A999ABC123DE0/$+1234567Y", Identifier{Agency: HIBCC, Device: "A999ABC123DE0", Serial: "1234567"}},
		{"HIBC eighteen characters", "+A123ABCDEFGHI1234567891E", Identifier{Agency: HIBCC, Device: "A123ABCDEFGHI1234567891"}},
		{"FHIR udi3 and FDA: the printed C should be H", "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C",
			Identifier{Agency: HIBCC, Device: "H123PARTNO1234567890120", Lot: "LOT123456789012345", Serial: "XYZ456789012345678", Expires: "2020-02-02", Made: "2013-02-02", Flags: []Flag{BadCheck}}},
		{"FDA: the printed Y should be Z", "+A999ABC123DE1/$+1234567Y", Identifier{Agency: HIBCC, Device: "A999ABC123DE1", Serial: "1234567", Flags: []Flag{BadCheck}}},
		{"FDA tissue", "=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123",
			Identifier{Agency: ICCBBA, Device: "A9999XYZ100T0944"}},
		{"FHIR udi4, blood bag", "=)1TE123456A&)RZ12345678", Identifier{Agency: ICCBBA, Device: "1TE123456A"}},
		{"the same as HL7 v2 sends it", `=)1TE123456A\T\)RZ12345678`, Identifier{Agency: ICCBBA, Device: "1TE123456A"}},
		{"no grammar", "Linden C1 no. 7", Identifier{Device: "LINDENC1NO.7", Flags: []Flag{Unreadable}}},
		{"nothing", " ", Identifier{Flags: []Flag{Unreadable}}},
	}
	for _, c := range cases {
		t.Run(c.source, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(c.want, Parse(c.text, 2026)); diff != "" {
				t.Errorf("%q (-want +got):\n%s", c.text, diff)
			}
		})
	}
}

// TestCheckDigits: numbers whose check digits were computed and published by others (FDA, GS1 and FHIR as above).
func TestCheckDigits(t *testing.T) {
	t.Parallel()
	for _, gtin := range []string{"00844588003288", "51022222233336", "09506000117843", "00643169001763", "10857674002017"} {
		if got := GTINCheck(gtin[:13]); got != gtin[13] {
			t.Errorf("%s: check digit %c", gtin, got)
		}
		// The weights 1 and 3 find every single wrong digit (GS1 General Specifications).
		for n := range 13 {
			for d := byte('0'); d <= '9'; d++ {
				wrong := []byte(gtin)
				wrong[n] = d
				if d != gtin[n] && GTINCheck(string(wrong[:13])) == gtin[13] {
					t.Errorf("%s is not found wrong", wrong)
				}
			}
		}
	}
}

// TestCenturies: 49 years back, 50 ahead (GS1 General Specifications, determination of century), seen from 2026 and 2051.
func TestCenturies(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ two, year, want int }{
		{26, 2026, 2026}, {76, 2026, 2076}, {77, 2026, 1977}, {99, 2026, 1999}, {0, 2026, 2000},
		{1, 2051, 2101}, {2, 2051, 2002}, {51, 2051, 2051}, {0, 2051, 2100},
	} {
		if got := fullYear(c.two, c.year); got != c.want {
			t.Errorf("%02d seen from %d: %d, want %d", c.two, c.year, got, c.want)
		}
	}
}

func TestDates(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]Identifier{
		"(17)240200": {Agency: GS1, Expires: "2024-02-29"}, // day 00: the last of a leap year's February
		"(17)230200": {Agency: GS1, Expires: "2023-02-28"},
		"(17)230230": {Agency: GS1, Flags: []Flag{BadDate}},
		"(17)231300": {Agency: GS1, Flags: []Flag{BadDate}},
		"(11)24013":  {Agency: GS1, Flags: []Flag{BadDate}},
	} {
		if diff := cmp.Diff(want, Parse(text, 2026)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", text, diff)
		}
	}
}

// FuzzParse holds for any text: no crash, no unbounded answer, days the calendar knows, flags once each, and what is read as
// a GTIN without a flag reads the same by itself.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234", "]d20110857674002017" + "17141120" + "10NYFUL01\x1d" + "21192837",
		"+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C", "+$$2020216LOTA", "=/A9999XYZ100T0944=,000025",
		"=)1TE123456A&)RZ12345678", "{01}00844588003288", "*+A123BJC5D6E71G*", "(", "]", "+", "=", "01", "(01", "(10)", "00011954013448"} {
		f.Add(s, 2026)
	}
	f.Fuzz(func(t *testing.T, text string, year int) {
		if year < 1900 || year > 9000 {
			year = 2026
		}
		i := Parse(text, year)
		if n := len(i.Device) + len(i.Lot) + len(i.Serial); n > 3*len(text)+42 {
			t.Errorf("%d bytes out of %d", n, len(text))
		}
		for _, day := range []string{i.Expires, i.Made} {
			if _, err := time.Parse(time.DateOnly, day); day != "" && err != nil {
				t.Errorf("%q is no day", day)
			}
		}
		if flags := slices.Clone(i.Flags); len(slices.Compact(slices.Sorted(slices.Values(flags)))) != len(i.Flags) {
			t.Errorf("flags %v are not each there once", i.Flags)
		}
		if utf8.ValidString(text) && !utf8.ValidString(i.Device+"|"+i.Lot+"|"+i.Serial) {
			t.Errorf("%q is cut inside a character", i.Device)
		}
		if i.Agency == GS1 && len(i.Flags) == 0 && i.Device != "" {
			if again := Parse(i.Device, year); again.Device != i.Device || len(again.Flags) > 0 {
				t.Errorf("%s alone reads as %+v", i.Device, again)
			}
		}
		if strings.TrimSpace(text) == "" && !slices.Contains(i.Flags, Unreadable) {
			t.Error("nothing is readable")
		}
	})
}
