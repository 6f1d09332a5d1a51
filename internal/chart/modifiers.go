package chart

import (
	"slices"
	"strings"

	"dwellwatch/fhir"
)

// hasModifier reports whether a Procedure carries one of these CPT modifiers: 52 reduced, 53 discontinued, 73 and 74
// discontinued before and after anaesthesia (numbers from memory). FHIR R4 has no element for them on Procedure, so a feed
// puts one where it can, and all of these are read:
//   - as a second coding of CPT or HCPCS beside the procedure code in code.coding;
//   - after the code itself, "37193-53";
//   - in an extension or modifierExtension of the Procedure, of code or of a coding, also nested once: as valueCoding or
//     valueCodeableConcept of CPT or HCPCS, or as valueCode, valueString or a coding without a system where the
//     extension's url says "modifier".
func hasModifier(n *node, numbers ...string) bool {
	beside := func(c fhir.Value) bool {
		return billing(c.Get("system").String()) && slices.Contains(numbers, c.Get("code").String())
	}
	held := []fhir.Value{n.doc, n.get("code")}
	for c := range n.get("code.coding").Each() {
		_, after, found := strings.Cut(c.Get("code").String(), "-")
		if beside(c) || found && billing(c.Get("system").String()) && slices.Contains(numbers, after) {
			return true
		}
		held = append(held, c)
	}
	var extensions []fhir.Value
	for _, h := range held {
		for _, x := range append(h.Get("extension").List(), h.Get("modifierExtension").List()...) {
			extensions = append(append(extensions, x), x.Get("extension").List()...)
		}
	}
	return slices.ContainsFunc(extensions, func(x fhir.Value) bool {
		named := strings.Contains(strings.ToLower(x.Get("url").String()), "modifier")
		if named && (slices.Contains(numbers, x.Get("valueCode").String()) || slices.Contains(numbers, x.Get("valueString").String())) {
			return true
		}
		return slices.ContainsFunc(append(x.Get("valueCodeableConcept.coding").List(), x.Get("valueCoding")), func(c fhir.Value) bool {
			return beside(c) || named && c.Get("system").String() == "" && slices.Contains(numbers, c.Get("code").String())
		})
	})
}

// billing reports a code system that modifiers come from: CPT, or HCPCS under its published addresses.
func billing(system string) bool {
	return slices.Contains([]string{"http://www.ama-assn.org/go/cpt", "urn:oid:2.16.840.1.113883.6.285", "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets", "https://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"}, canonicalSystem(system))
}

// notPlaced reports a placement that was given up: outcome unsuccessful, or a modifier for a discontinued procedure. A
// reduced one (52) may still have left a filter in.
func (r *reader) notPlaced(n *node) bool {
	outcome := r.concept(n.get("outcome"))
	bad := slices.ContainsFunc(outcome.codes, func(c coding) bool { return c.system == "http://snomed.info/sct" && c.code == outcomeNoSuccess })
	return bad || saysFailed(outcome.words) || hasModifier(n, "53", "73", "74")
}

// saysImplanted reports whether a Procedure says of a device that it was implanted.
func (r *reader) saysImplanted(n *node) bool {
	implanted, _, _ := r.focalDevices(n)
	return len(implanted) > 0
}
