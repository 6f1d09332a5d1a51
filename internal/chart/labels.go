package chart

import (
	"encoding/base64"
	"slices"
	"strings"

	"dwellwatch/fhir"
	"dwellwatch/internal/udi"
)

// label is what the carriers and the members of a Device say about which device it is.
type label struct {
	device, lot, serial string
	flaw                string // what is wrong with it, in words; "" for nothing
}

// readLabel joins the carriers of a Device (what is printed before what was scanned before the bare device identifier, as
// HL7's notes on Device put the whole string first) with its own lot and serial number, which come first where they are
// there. What disagrees or fails its check is a flaw and never a reason to drop a device.
func readLabel(n *node) label {
	l := label{lot: strings.TrimSpace(n.get("lotNumber").String()), serial: strings.TrimSpace(n.get("serialNumber").String())}
	year := n.LastUpdated.Year() // of the label's two-digit years; its dates are not used
	var printed, scanned, bare []udi.Identifier
	for c := range n.get("udiCarrier").Each() {
		if text := c.Get("carrierHRF").String(); text != "" {
			printed = append(printed, udi.Parse(text, year))
		}
		if text := scannedText(c.Get("carrierAIDC")); text != "" {
			scanned = append(scanned, udi.Parse(text, year))
		}
		if text := c.Get("deviceIdentifier").String(); text != "" {
			bare = append(bare, bareIdentifier(text, year))
		}
	}
	var flaws []string
	say := func(text string) {
		if !slices.Contains(flaws, text) {
			flaws = append(flaws, text)
		}
	}
	for _, id := range slices.Concat(printed, scanned, bare) {
		if slices.Contains(id.Flags, udi.Unreadable) && id.Agency == udi.Unknown {
			say("the label's identifier fits no published format")
			continue
		}
		if slices.Contains(id.Flags, udi.BadCheck) {
			say("a check digit of the device identifier does not fit")
		}
		for _, pair := range []struct {
			have *string
			said string
			text string
		}{
			{&l.device, id.Device, "the carriers name different device identifiers"},
			{&l.lot, id.Lot, "label and entry name different lots"},
			{&l.serial, id.Serial, "label and entry name different serial numbers"},
		} {
			switch {
			case pair.said == "":
			case *pair.have == "":
				*pair.have = pair.said
			case *pair.have != pair.said:
				say(pair.text)
			}
		}
	}
	slices.Sort(flaws)
	l.flaw = strings.Join(flaws, "; ")
	return l
}

// bareIdentifier reads Device.udiCarrier.deviceIdentifier: the identifier alone, in whatever agency's form, or, as senders
// were seen to do, the whole string.
func bareIdentifier(text string, year int) udi.Identifier {
	id := udi.Parse(text, year)
	if id.Agency == udi.Unknown {
		id.Flags = nil // HIBCC and ICCBBA identifiers have no flag character here
		return udi.Identifier{Agency: udi.HIBCC, Device: id.Device}
	}
	return id
}

// scannedText decodes Device.udiCarrier.carrierAIDC. It is base64 (R4, Device); senders were seen to put the text itself.
func scannedText(v fhir.Value) string {
	text := strings.TrimSpace(v.String())
	decoded, err := base64.StdEncoding.DecodeString(text)
	if err != nil || len(decoded) == 0 {
		return text
	}
	for _, b := range decoded {
		if b >= 0x7f || b < ' ' && b != 0x1d && b != '\r' && b != '\n' {
			return text
		}
	}
	return string(decoded)
}
