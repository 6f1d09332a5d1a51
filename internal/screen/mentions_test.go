package screen

import (
	"bytes"
	"encoding/base64"
	"strconv"
	"strings"
	"testing"
	"time"

	"dwellwatch/fhir"
	"dwellwatch/internal/catalogue"
	"dwellwatch/internal/chart"
)

// alder knows two invented models and a site's own codes, of which some hold signs.
func alder(t *testing.T) Screener {
	t.Helper()
	set := func(name, code string) []byte {
		return []byte(`{"resourceType":"ValueSet","url":"urn:dwellwatch:valueset:` + name + `","status":"active","compose":{"include":[{"system":"urn:example:alder-bay:codes","concept":[{"code":"` + code + `"}]}]}}`)
	}
	sets, err := chart.LoadSets(set("filter-device", "F-12"), set("filter-seen", "seen.1"), set("filter-not-seen", "unseen"))
	if err != nil {
		t.Fatal(err)
	}
	models, err := chart.ReadCatalogue([]byte(`{"resourceType":"Bundle","type":"collection","entry":[
		{"resource":{"resourceType":"DeviceDefinition","udiDeviceIdentifier":[{"deviceIdentifier":"09520000101015"}],"deviceName":[{"name":"Alder cone two","type":"model-name"},{"name":"Alderette","type":"user-friendly-name"}],"modelNumber":"LC1-28/x"}},
		{"resource":{"resourceType":"DeviceDefinition","udiDeviceIdentifier":[{"deviceIdentifier":"A123BIRCH7"}],"deviceName":[{"name":"Birch basket","type":"model-name"}],"modelNumber":"7"}}]}`))
	if err != nil {
		t.Fatal(err)
	}
	return Screener{Sets: sets, Models: models}
}

// TestWhatTellsOfAFilterIsKeptAside: whatever makes an entry tell of a filter makes its bytes worth keeping where they cannot be read,
// and what only resembles it does neither.
func TestWhatTellsOfAFilterIsKeptAside(t *testing.T) {
	t.Parallel()
	s := alder(t)
	m := s.Mentioner()
	device := func(member string) string {
		return `{"resourceType":"Device","id":"d","status":"active",` + member + `}`
	}
	carrier := func(name, text string) string { return device(`"udiCarrier":[{"` + name + `":"` + text + `"}]`) }
	base64ed := func(text string) string { return base64.StdEncoding.EncodeToString([]byte(text)) }
	observed := func(member string) string {
		return `{"resourceType":"Observation","id":"o","status":"final","effectiveDateTime":"2026-01-01","subject":{"reference":"Patient/p"},` + member + `}`
	}
	coded := func(member, code string) string {
		return `"` + member + `":{"coding":[{"system":"urn:example:alder-bay:codes","code":"` + code + `"}]}`
	}
	for _, body := range []string{
		carrier("deviceIdentifier", "09520000101015"), carrier("deviceIdentifier", "9520000101015"), carrier("deviceIdentifier", " 09520000101015 "),
		carrier("carrierHRF", "(01)09520000101015(17)301231(10)L42"), carrier("carrierHRF", "{01}09520000101015{10}L42"), carrier("carrierHRF", "010952000010101517301231"),
		carrier("carrierHRF", "]C10109520000101015"), carrier("carrierHRF", "17301231010952000010101510L42"),
		carrier("carrierAIDC", "0109520000101015"+"17301231"), carrier("carrierAIDC", base64ed("010952000010101517301231\x1d10L42")), carrier("carrierAIDC", base64ed("]d2010952000010101510L42")),
		carrier("carrierAIDC", base64ed("(01)09520000101015(10)L")), carrier("carrierAIDC", base64ed("0109520000101015")),
		carrier("deviceIdentifier", "A123BIRCH7"), carrier("carrierHRF", "+A123BIRCH7/$$3301231L42C"), carrier("carrierHRF", "+a123birch7X"), carrier("carrierAIDC", base64ed("+A123BIRCH7X")),
		device(`"modelNumber":"LC1-28/x"`), device(`"modelNumber":" LC1-28/x"`), device(`"modelNumber":"7"`),
		device(`"deviceName":[{"name":"alder  Cone two","type":"other"}]`), device(`"deviceName":[{"name":"Alderette","type":"other"}]`), device(`"deviceName":[{"name":"BIRCH basket","type":"other"}]`),
		device(coded("type", "F-12")), device(`"type":{"text":"IVC filter"}`),
		observed(coded("code", "seen.1")), observed(coded("valueCodeableConcept", "seen.1")), observed(coded("code", "unseen") + `,"valueBoolean":false`),
	} {
		r, err := fhir.Decode([]byte(body))
		if err != nil {
			t.Fatal(body, err)
		}
		if !s.Item("default", r).Evidence {
			t.Errorf("%s is no evidence", body)
		}
		for _, bytes := range []string{body, body[:len(body)-1], strings.ReplaceAll(body, `"`, `'`), strings.ToUpper(body)} {
			if strings.Contains(body, "carrierAIDC") && bytes == strings.ToUpper(body) {
				continue // base64 is of small and large letters
			}
			if !m.Mentions([]byte(bytes)) {
				t.Errorf("%s is not kept aside", bytes)
			}
		}
	}
	for _, body := range []string{
		carrier("deviceIdentifier", "09520000101022"), carrier("deviceIdentifier", "095200001010150"), carrier("carrierHRF", "(01)09520000101022(10)L42"),
		carrier("carrierAIDC", base64ed("0109520000101022")), carrier("carrierHRF", "+A123BIRCH8/$$3301231L42C"), carrier("deviceIdentifier", "A123BIRCH"),
		device(`"modelNumber":"LC1-28"`), device(`"modelNumber":"LC1.28/x"`), device(`"modelNumber":"LC1-28/xy"`), device(`"lotNumber":"7"`), device(`"meta":{"versionId":"7"}`),
		device(`"deviceName":[{"name":"Alderettes","type":"other"}]`), device(`"note":[{"text":"an alderette is a small alder"}]`), device(`"deviceName":[{"name":"Alder cone","type":"other"}]`),
		device(coded("type", "F-123")), device(coded("type", "F.12")), observed(coded("code", "seen")),
	} {
		r, err := fhir.Decode([]byte(body))
		if err != nil {
			t.Fatal(body, err)
		}
		if s.Item("default", r).Evidence || m.Mentions([]byte(body)) {
			t.Errorf("%s: evidence %t, kept aside %t; want neither", body, s.Item("default", r).Evidence, m.Mentions([]byte(body)))
		}
	}
}

// TestMentionsIsQuickWhateverTheBytes: models that all begin with one word cost a body of that word no more than others.
func TestMentionsIsQuickWhateverTheBytes(t *testing.T) {
	t.Parallel()
	var s Screener
	for n := range 2000 {
		s.Models.Models = append(s.Models.Models, catalogue.Model{Name: "Alder cone " + strconv.Itoa(n), Numbers: []string{"alder-" + strconv.Itoa(n)}})
	}
	m := s.Mentioner()
	took := func(word string) time.Duration {
		body := bytes.Repeat([]byte(word), (1<<20)/len(word))
		began := time.Now()
		if m.Mentions(body) {
			t.Errorf("%q tells of a filter", word)
		}
		return time.Since(began)
	}
	plain := took("elder ")
	for _, word := range []string{"alder ", "alder cone ", `"alder-x" `} {
		if got := took(word); got > 50*plain+time.Second {
			t.Errorf("%q takes %v, other words %v", word, got, plain)
		}
	}
}

// BenchmarkMentions reads a body in which nothing tells of a filter, with a catalogue of a thousand models.
func BenchmarkMentions(b *testing.B) {
	sets, err := chart.ShippedSets()
	if err != nil {
		b.Fatal(err)
	}
	s := Screener{Sets: sets}
	for n := range 1000 {
		s.Models.Models = append(s.Models.Models, catalogue.Model{Name: "Alder model " + strconv.Itoa(n), Identifiers: []string{"0081234" + strconv.Itoa(1000000+n)},
			Numbers: []string{"AM-" + strconv.Itoa(n)}})
	}
	const one = `{"resourceType":"Device","id":"d-1","status":"active","udiCarrier":[{"deviceIdentifier":"00899999000007","carrierHRF":"(01)00899999000007(17)301231(10)L42",` +
		`"carrierAIDC":"MDEwMDg5OTk5OTAwMDAwNzE3MzAxMjMxMTBMNDI="}],"modelNumber":"BX-7","deviceName":[{"name":"Birch pump","type":"model-name"}],"patient":{"reference":"Patient/1"}},` + "\n"
	for name, body := range map[string][]byte{"entry": []byte(one), "megabyte": bytes.Repeat([]byte(one), 1<<20/len(one))} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(body)))
			m := s.Mentioner()
			for b.Loop() {
				if m.Mentions(body) {
					b.Fatal("there is no filter in it")
				}
			}
		})
	}
}
