package chart

import (
	"slices"
	"strconv"
	"strings"
)

// product is what a medication code means: the ingredient, and the strength where the code is of a product.
// Strengths in mg; heparins measured in units in units.
type product struct {
	agent    string
	strength float64
}

// rxNorm lists ingredients and clinical drugs by RxCUI, as VSAC value sets and public ingredient lists give them.
func rxNorm(code string) (product, bool) {
	switch code {
	case "11289", "855288", "855302", "855312", "855318", "855324", "855332", "855338", "855344", "855296":
		return product{"warfarin", 0}, true
	case "5224":
		return product{"heparin", 0}, true
	case "67108":
		return product{"enoxaparin", 0}, true
	case "67109":
		return product{"dalteparin", 0}, true
	case "69646":
		return product{"tinzaparin", 0}, true
	case "67031":
		return product{"nadroparin", 0}, true
	case "321208":
		return product{"fondaparinux", 0}, true
	case "1114195":
		return product{"rivaroxaban", 0}, true
	case "1364430":
		return product{"apixaban", 0}, true
	case "1599538":
		return product{"edoxaban", 0}, true
	case "1927851":
		return product{"betrixaban", 0}, true
	case "1037042":
		return product{"dabigatran", 0}, true
	case "15202":
		return product{"argatroban", 0}, true
	case "60819":
		return product{"bivalirudin", 0}, true
	case "114934":
		return product{"desirudin", 0}, true
	case "154":
		return product{"acenocoumarol", 0}, true
	case "8150":
		return product{"phenprocoumon", 0}, true
	case "854228":
		return product{"enoxaparin", 30}, true
	case "854235":
		return product{"enoxaparin", 40}, true
	case "854238":
		return product{"enoxaparin", 60}, true
	case "854241":
		return product{"enoxaparin", 80}, true
	case "854248":
		return product{"enoxaparin", 100}, true
	case "854245":
		return product{"enoxaparin", 120}, true
	case "854252":
		return product{"enoxaparin", 150}, true
	case "861360":
		return product{"fondaparinux", 2.5}, true
	case "861363":
		return product{"fondaparinux", 5}, true
	case "861365":
		return product{"fondaparinux", 7.5}, true
	case "861356":
		return product{"fondaparinux", 10}, true
	case "1364435":
		return product{"apixaban", 2.5}, true
	case "1364445", "1992427":
		return product{"apixaban", 5}, true
	case "2059015":
		return product{"rivaroxaban", 2.5}, true
	case "1114198":
		return product{"rivaroxaban", 10}, true
	case "1232082", "1549682":
		return product{"rivaroxaban", 15}, true
	case "1232086":
		return product{"rivaroxaban", 20}, true
	case "1037179":
		return product{"dabigatran", 75}, true
	case "1723476":
		return product{"dabigatran", 110}, true
	case "1037045":
		return product{"dabigatran", 150}, true
	case "1599543":
		return product{"edoxaban", 15}, true
	case "1599551":
		return product{"edoxaban", 30}, true
	case "1599555":
		return product{"edoxaban", 60}, true
	case "978725":
		return product{"dalteparin", 2500}, true
	case "978733":
		return product{"dalteparin", 5000}, true
	case "978736":
		return product{"dalteparin", 7500}, true
	case "978755":
		return product{"dalteparin", 10000}, true
	case "978740":
		return product{"dalteparin", 12500}, true
	case "978744":
		return product{"dalteparin", 15000}, true
	case "978746":
		return product{"dalteparin", 18000}, true
	case "1361853", "1658634", "2121591", "1659260", "1659263", "1798389":
		return product{"heparin", 5000}, true
	}
	return product{}, false
}

// atc lists the ATC codes of the ingredients (fifth levels partly from memory).
func atc(code string) (product, bool) {
	switch code {
	case "B01AA03":
		return product{"warfarin", 0}, true
	case "B01AA04":
		return product{"phenprocoumon", 0}, true
	case "B01AA07":
		return product{"acenocoumarol", 0}, true
	case "B01AB01":
		return product{"heparin", 0}, true
	case "B01AB04":
		return product{"dalteparin", 0}, true
	case "B01AB05":
		return product{"enoxaparin", 0}, true
	case "B01AB06":
		return product{"nadroparin", 0}, true
	case "B01AB10":
		return product{"tinzaparin", 0}, true
	case "B01AE03":
		return product{"argatroban", 0}, true
	case "B01AE06":
		return product{"bivalirudin", 0}, true
	case "B01AE07":
		return product{"dabigatran", 0}, true
	case "B01AF01":
		return product{"rivaroxaban", 0}, true
	case "B01AF02":
		return product{"apixaban", 0}, true
	case "B01AF03":
		return product{"edoxaban", 0}, true
	case "B01AF04":
		return product{"betrixaban", 0}, true
	case "B01AX05":
		return product{"fondaparinux", 0}, true
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
			if v, err := strconv.ParseFloat(strings.ReplaceAll(words[from:to], ",", "."), 64); err == nil {
				return v
			}
		}
		at = max(to, from+1)
	}
	return 0
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
