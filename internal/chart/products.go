package chart

import (
	"regexp"
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
	p, ok := map[string]product{
		"11289": {"warfarin", 0}, "5224": {"heparin", 0}, "67108": {"enoxaparin", 0}, "67109": {"dalteparin", 0}, "69646": {"tinzaparin", 0}, "67031": {"nadroparin", 0},
		"321208": {"fondaparinux", 0}, "1114195": {"rivaroxaban", 0}, "1364430": {"apixaban", 0}, "1599538": {"edoxaban", 0}, "1927851": {"betrixaban", 0},
		"1037042": {"dabigatran", 0}, "15202": {"argatroban", 0}, "60819": {"bivalirudin", 0}, "114934": {"desirudin", 0}, "154": {"acenocoumarol", 0}, "8150": {"phenprocoumon", 0},
		"854228": {"enoxaparin", 30}, "854235": {"enoxaparin", 40}, "854238": {"enoxaparin", 60}, "854241": {"enoxaparin", 80}, "854248": {"enoxaparin", 100}, "854245": {"enoxaparin", 120}, "854252": {"enoxaparin", 150},
		"861360": {"fondaparinux", 2.5}, "861363": {"fondaparinux", 5}, "861365": {"fondaparinux", 7.5}, "861356": {"fondaparinux", 10},
		"1364435": {"apixaban", 2.5}, "1364445": {"apixaban", 5}, "1992427": {"apixaban", 5},
		"2059015": {"rivaroxaban", 2.5}, "1114198": {"rivaroxaban", 10}, "1232082": {"rivaroxaban", 15}, "1232086": {"rivaroxaban", 20}, "1549682": {"rivaroxaban", 15},
		"1037179": {"dabigatran", 75}, "1723476": {"dabigatran", 110}, "1037045": {"dabigatran", 150},
		"1599543": {"edoxaban", 15}, "1599551": {"edoxaban", 30}, "1599555": {"edoxaban", 60},
		"978725": {"dalteparin", 2500}, "978733": {"dalteparin", 5000}, "978736": {"dalteparin", 7500}, "978755": {"dalteparin", 10000}, "978740": {"dalteparin", 12500}, "978744": {"dalteparin", 15000}, "978746": {"dalteparin", 18000},
		"1361853": {"heparin", 5000}, "1658634": {"heparin", 5000}, "2121591": {"heparin", 5000}, "1659260": {"heparin", 5000}, "1659263": {"heparin", 5000}, "1798389": {"heparin", 5000},
		"855288": {"warfarin", 0}, "855302": {"warfarin", 0}, "855312": {"warfarin", 0}, "855318": {"warfarin", 0}, "855324": {"warfarin", 0}, "855332": {"warfarin", 0}, "855338": {"warfarin", 0}, "855344": {"warfarin", 0}, "855296": {"warfarin", 0},
	}[code]
	return p, ok
}

// atc lists the ATC codes of the ingredients (fifth levels partly from memory).
func atc(code string) (product, bool) {
	p, ok := map[string]product{
		"B01AA03": {"warfarin", 0}, "B01AA04": {"phenprocoumon", 0}, "B01AA07": {"acenocoumarol", 0}, "B01AB01": {"heparin", 0}, "B01AB04": {"dalteparin", 0}, "B01AB05": {"enoxaparin", 0},
		"B01AB06": {"nadroparin", 0}, "B01AB10": {"tinzaparin", 0}, "B01AE03": {"argatroban", 0}, "B01AE06": {"bivalirudin", 0}, "B01AE07": {"dabigatran", 0}, "B01AF01": {"rivaroxaban", 0},
		"B01AF02": {"apixaban", 0}, "B01AF03": {"edoxaban", 0}, "B01AF04": {"betrixaban", 0}, "B01AX05": {"fondaparinux", 0},
	}[code]
	return p, ok
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
		for _, a := range agents() {
			if says(c.words, a) {
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

func strengthIn(words string) float64 {
	m := regexp.MustCompile(`(?i)(\d+(?:[.,]\d+)?)\s*(mg|units?|iu)\b`).FindStringSubmatch(words)
	if m == nil {
		return 0
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(m[1], ",", "."), 64)
	if err != nil {
		return 0
	}
	return v
}
