package chart

import (
	"slices"
	"strings"
)

// product is what a medication code means: the ingredient, and the strength where the code is of a product.
// Strengths in mg; heparins measured in units in units.
type product struct {
	agent    string
	strength float64
	flush    bool // it keeps a line open, by its name; that is no anticoagulation
}

// rxNorm lists ingredients and clinical drugs by RxCUI, as VSAC value sets and public ingredient lists give them.
func rxNorm(code string) (product, bool) {
	switch code {
	case "11289", "855288", "855302", "855312", "855318", "855324", "855332", "855338", "855344", "855296":
		return product{agent: "warfarin"}, true
	case "5224":
		return product{agent: "heparin"}, true
	case "67108":
		return product{agent: "enoxaparin"}, true
	case "67109":
		return product{agent: "dalteparin"}, true
	case "69646":
		return product{agent: "tinzaparin"}, true
	case "67031":
		return product{agent: "nadroparin"}, true
	case "321208":
		return product{agent: "fondaparinux"}, true
	case "1114195":
		return product{agent: "rivaroxaban"}, true
	case "1364430":
		return product{agent: "apixaban"}, true
	case "1599538":
		return product{agent: "edoxaban"}, true
	case "1927851":
		return product{agent: "betrixaban"}, true
	case "1037042":
		return product{agent: "dabigatran"}, true
	case "15202":
		return product{agent: "argatroban"}, true
	case "60819":
		return product{agent: "bivalirudin"}, true
	case "114934":
		return product{agent: "desirudin"}, true
	case "154":
		return product{agent: "acenocoumarol"}, true
	case "8150":
		return product{agent: "phenprocoumon"}, true
	case "854228":
		return product{agent: "enoxaparin", strength: 30}, true
	case "854235":
		return product{agent: "enoxaparin", strength: 40}, true
	case "854238":
		return product{agent: "enoxaparin", strength: 60}, true
	case "854241":
		return product{agent: "enoxaparin", strength: 80}, true
	case "854248":
		return product{agent: "enoxaparin", strength: 100}, true
	case "854245":
		return product{agent: "enoxaparin", strength: 120}, true
	case "854252":
		return product{agent: "enoxaparin", strength: 150}, true
	case "861360":
		return product{agent: "fondaparinux", strength: 2.5}, true
	case "861363":
		return product{agent: "fondaparinux", strength: 5}, true
	case "861365":
		return product{agent: "fondaparinux", strength: 7.5}, true
	case "861356":
		return product{agent: "fondaparinux", strength: 10}, true
	case "1364435":
		return product{agent: "apixaban", strength: 2.5}, true
	case "1364445", "1992427":
		return product{agent: "apixaban", strength: 5}, true
	case "2059015":
		return product{agent: "rivaroxaban", strength: 2.5}, true
	case "1114198":
		return product{agent: "rivaroxaban", strength: 10}, true
	case "1232082", "1549682":
		return product{agent: "rivaroxaban", strength: 15}, true
	case "1232086":
		return product{agent: "rivaroxaban", strength: 20}, true
	case "1037179":
		return product{agent: "dabigatran", strength: 75}, true
	case "1723476":
		return product{agent: "dabigatran", strength: 110}, true
	case "1037045":
		return product{agent: "dabigatran", strength: 150}, true
	case "1599543":
		return product{agent: "edoxaban", strength: 15}, true
	case "1599551":
		return product{agent: "edoxaban", strength: 30}, true
	case "1599555":
		return product{agent: "edoxaban", strength: 60}, true
	case "978725":
		return product{agent: "dalteparin", strength: 2500}, true
	case "978733":
		return product{agent: "dalteparin", strength: 5000}, true
	case "978736":
		return product{agent: "dalteparin", strength: 7500}, true
	case "978755":
		return product{agent: "dalteparin", strength: 10000}, true
	case "978740":
		return product{agent: "dalteparin", strength: 12500}, true
	case "978744":
		return product{agent: "dalteparin", strength: 15000}, true
	case "978746":
		return product{agent: "dalteparin", strength: 18000}, true
	case "1361853", "1658634", "2121591", "1659260", "1659263", "1798389":
		return product{agent: "heparin", strength: 5000}, true
	}
	return product{}, false
}

// atc lists the ATC codes of the ingredients (fifth levels partly from memory).
func atc(code string) (product, bool) {
	switch code {
	case "B01AA03":
		return product{agent: "warfarin"}, true
	case "B01AA04":
		return product{agent: "phenprocoumon"}, true
	case "B01AA07":
		return product{agent: "acenocoumarol"}, true
	case "B01AB01":
		return product{agent: "heparin"}, true
	case "B01AB04":
		return product{agent: "dalteparin"}, true
	case "B01AB05":
		return product{agent: "enoxaparin"}, true
	case "B01AB06":
		return product{agent: "nadroparin"}, true
	case "B01AB10":
		return product{agent: "tinzaparin"}, true
	case "B01AE03":
		return product{agent: "argatroban"}, true
	case "B01AE06":
		return product{agent: "bivalirudin"}, true
	case "B01AE07":
		return product{agent: "dabigatran"}, true
	case "B01AF01":
		return product{agent: "rivaroxaban"}, true
	case "B01AF02":
		return product{agent: "apixaban"}, true
	case "B01AF03":
		return product{agent: "edoxaban"}, true
	case "B01AF04":
		return product{agent: "betrixaban"}, true
	case "B01AX05":
		return product{agent: "fondaparinux"}, true
	}
	return product{}, false
}

func agents() []string {
	return []string{"warfarin", "enoxaparin", "dalteparin", "tinzaparin", "nadroparin", "fondaparinux", "rivaroxaban", "apixaban", "edoxaban", "betrixaban", "dabigatran",
		"argatroban", "bivalirudin", "desirudin", "acenocoumarol", "phenprocoumon", "heparin"}
}

// anticoagulant gives the product a medication concept means: by code, else by the ingredient's name.
func anticoagulant(c concept) (product, bool) {
	var best product
	found := false
	for _, k := range c.codes {
		var p product
		ok := false
		switch k.system {
		case "http://www.nlm.nih.gov/research/umls/rxnorm":
			p, ok = rxNorm(k.code)
		case "http://www.whocc.no/atc":
			p, ok = atc(k.code)
		}
		if ok && (!found || p.strength > 0) {
			best, found = p, true
		}
	}
	if !found {
		words := read(c.words)
		for _, a := range agents() {
			if words.says(overLists, a) {
				best, found = product{agent: a}, true
				break
			}
		}
	}
	if found && best.strength == 0 {
		best.strength = strengthIn(c.words)
	}
	best.flush = found && best.agent == "heparin" && saysFlush(c.words)
	return best, found
}

// strengthIn gives the first number that a unit follows: "apixaban 5 mg tablet" is 5.
func strengthIn(words string) float64 {
	words = strings.ToLower(words)
	for at := 0; at < len(words); {
		from := strings.IndexAny(words[at:], "0123456789")
		if from < 0 {
			return 0
		}
		from += at
		to := from
		for to < len(words) && (isDigit(words[to]) || (words[to] == '.' || words[to] == ',') && to+1 < len(words) && isDigit(words[to+1])) {
			to++
		}
		unit := strings.TrimLeft(words[to:], " \t\n\r")
		end := 0
		for end < len(unit) && (unit[end] >= 'a' && unit[end] <= 'z' || isDigit(unit[end]) || unit[end] == '_') {
			end++
		}
		if slices.Contains([]string{"mg", "unit", "units", "iu"}, unit[:end]) {
			if v, ok := amountIn(words[from:to], unit[:end] != "mg"); ok {
				return v
			}
			return 0 // a number that can be read in two ways is no strength
		}
		at = max(to, from+1)
	}
	return 0
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
