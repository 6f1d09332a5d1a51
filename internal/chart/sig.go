package chart

import (
	"regexp"
	"slices"
	"strings"
)

// sig is what the words of one dosage say where they leave no doubt: "5 mg twice daily for 7 days, then 2.5 mg twice daily" is two.
type sig struct {
	dose   float64
	unit   string // mg | ug | [iU] | mg/kg | [iU]/kg | {tbl}
	perDay float64
	length length // for how long
	never  bool
}

// sigsOf reads the words of a dosage, part by part. It gives nothing where any part holds a word that is not understood: half a
// reading of a dose would be a guess. A single part may say a dose or a frequency only, or neither.
func (p *sigPatterns) sigsOf(text string) []sig {
	text = p.spelled.ReplaceAllString(strings.ToLower(strings.Join(strings.Fields(text), " ")), "")
	text = p.volume.ReplaceAllString(p.advice.ReplaceAllString(text, ""), "$1")
	if text == "" || p.doubt.MatchString(text) {
		return nil
	}
	var out []sig
	for _, part := range p.then.Split(text, -1) {
		s, ok := p.sigOf(part)
		if !ok {
			return nil
		}
		out = append(out, s)
	}
	if len(out) == 1 {
		return out
	}
	for i, s := range out {
		if s.dose == 0 || s.perDay == 0 || s.length == (length{}) && i < len(out)-1 {
			return nil // what is given, or when the next part begins, is not said
		}
	}
	return out
}

// sigPatterns are the patterns of words, compiled once with the value sets.
type sigPatterns struct {
	then, doubt, against, dose, long, prn, spelled, advice, volume, word *regexp.Regexp
	often, weak                                                          []often
	plain                                                                map[string]bool
}

// speakAgainst reports words that speak against what a dosage says. One of the parts, or a fraction, is in all that the pattern takes.
func (p *sigPatterns) speakAgainst(words string) bool {
	if !strings.Contains(words, "1/2") && !mayHold(words, "half", "quarter", "every", "alternate", "not", "hold", "held", "paused", "suspended", "stopped", "discontinued", "longer", "needed", "prn", "once", "single", "before") {
		return false
	}
	return p.against.MatchString(strings.ToLower(words))
}

type often struct {
	expr   *regexp.Regexp
	perDay float64
}

func newSigPatterns() *sigPatterns {
	p := &sigPatterns{
		then:    regexp.MustCompile(`,? ?\b(?:and then|then|followed by)\b ?|; ?`),
		doubt:   regexp.MustCompile(`\b(?:do not|don't|not to|hold|stop|unless|until|if|except|or|as directed|per protocol|sliding|titrate\w*|adjust\w*|alternat\w*)\b|\b(?:two|three|four|half|[2-9]) (?:x )?\d+(?:[.,]\d+)? ?mg\b`),
		against: regexp.MustCompile(`\b(?:half|quarter|every (?:other|second) day|alternate days?|not yet|not started|on hold|hold until|held|paused|suspended|stopped|discontinued|not taking|not taken|no longer|do not (?:give|take|start)|as needed|when needed|prn|once only|single dose|before (?:long )?(?:flights?|journeys?|travel)|1/2 (?:a |of a )?tab\w*)\b|^\s*hold(?:\s*(?:[-:.,;(–]|$)|\s+(?:until|for|before|due|while|pending|today|per)\b)|[½¼¾]`),
		dose:    regexp.MustCompile(`(\d+(?:[.,]\d+)*|\bone|\btwo|\bthree)\s*(mg ?/ ?kg|units? ?/ ?kg|iu ?/ ?kg|mg|mcg|ug|µg|units?|iu|tablets?|tabs?|capsules?|caps?|syringes?)\b( total\b)?`),
		often: []often{
			{regexp.MustCompile(`\b(?:twice (?:a day|daily|per day)|(?:two|2) times (?:a day|daily|per day)|2 ?x ?(?:daily|a day|/ ?d(?:ay)?)|bid|b\.i\.d\.?|q ?12 ?h(?:ours?|rs?)?|every (?:12|twelve) hours?|(?:every |in the )?morning and (?:in the )?(?:evening|night))(?:\b|$)`), 2},
			{regexp.MustCompile(`\b(?:three times (?:a day|daily|per day)|3 times (?:a day|daily)|3 ?x ?(?:daily|a day)|tid|t\.i\.d\.?|q ?8 ?h(?:ours?|rs?)?|every (?:8|eight) hours?)(?:\b|$)`), 3},
			{regexp.MustCompile(`\b(?:once (?:a day|daily|per day)|(?:one|1) times? (?:a day|daily)|1 ?x ?(?:daily|a day)|qd|q\.d\.?|q ?24 ?h(?:ours?|rs?)?|every (?:24|twenty-four) hours?)(?:\b|$)`), 1},
		},
		weak: []often{
			{regexp.MustCompile(`\b(?:every (?:day|morning|evening|night)|each day|nightly|(?:at|before) bedtime|in the (?:morning|evening)|daily)\b`), 1},
		},
		long:    regexp.MustCompile(`\b(?:for|x) (?:the first )?(\d+|one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|fourteen) (day|week|month)s?\b|\bfirst (\d+) (day|week)s?\b`),
		prn:     regexp.MustCompile(`\b(?:as needed|when needed|prn|p\.r\.n\.?|once only|single dose|one dose|stat)\b`),
		spelled: regexp.MustCompile(` ?\((?:one|two|three|seven|eight|twelve|twenty-four)\)`),
		// Advice beside the dose, and a volume beside the dose in it.
		advice: regexp.MustCompile(`\b(?:do not|don't) (?:stop|skip|crush|chew|break|miss|run out)\b[^.;]*|\b(?:may |can )?(?:be taken |take )?with or without (?:food|meals?)\b|\bindications?:?`),
		volume: regexp.MustCompile(`\d+(?:[.,]\d+)? ?ml \(([^)]*)\)`),
		word:   regexp.MustCompile(`[^\s,.:()\[\]/-]+`),
		plain:  map[string]bool{},
	}
	for _, w := range strings.Fields(`one take takes give given inject administer swallow use dose doses of by mouth orally oral po p o with food meal meals dinner supper lunch breakfast water
		sc sq subq subcut subcutaneous subcutaneously under the skin into in via a an each at about same time total tablet tablets tab tabs capsule capsules
		cap caps syringe syringes film-coated film coated to treat prevent treatment prevention for blood clot clots dvt pe vte deep vein venous thrombosis acute
		pulmonary embolism anticoagulant anticoagulation please patient
		apixaban rivaroxaban dabigatran edoxaban enoxaparin dalteparin tinzaparin fondaparinux heparin etexilate sodium tosylate`) {
		p.plain[w] = true
	}
	return p
}

func (p *sigPatterns) sigOf(part string) (sig, bool) {
	var s sig
	if s.never = p.prn.MatchString(part); s.never {
		return s, true
	}
	rest := []byte(part)
	blank := func(at []int) { copy(rest[at[0]:at[1]], strings.Repeat(" ", at[1]-at[0])) }
	if m := p.long.FindStringSubmatch(part); m != nil {
		n, per := m[1], m[2]
		if n == "" {
			n, per = m[3], m[4]
		}
		count, ok := numberIn(n, true)
		if !ok {
			return s, false
		}
		switch per {
		case "day":
			s.length.days = int64(count)
		case "week":
			s.length.days = int64(count) * 7
		case "month":
			s.length.months = int64(count)
		}
		blank(p.long.FindStringIndex(part))
	}
	if !p.doseOf(part, &s, blank) || !p.oftenOf(part, &s, blank) {
		return s, false
	}
	for _, w := range p.word.FindAllString(string(rest), -1) {
		if !p.plain[w] {
			return s, false
		}
	}
	return s, true
}

// doseOf reads the dose of one part; false where the part tells of two.
func (p *sigPatterns) doseOf(part string, s *sig, blank func([]int)) bool {
	counted := 0
	for _, at := range p.dose.FindAllStringSubmatchIndex(part, -1) {
		unit := unitOf(part[at[4]:at[5]])
		value, ok := numberIn(part[at[2]:at[3]], strings.HasPrefix(unit, "[iU]"))
		if !ok {
			return false
		}
		blank(at[:2])
		if unit == "{tbl}" {
			if counted++; counted > 1 {
				return false
			}
			if s.unit == "" {
				s.dose, s.unit = value, unit
			}
			continue
		}
		whole := at[6] >= 0 // "2 tablets (10 mg total)"
		switch {
		case s.unit != "" && s.unit != "{tbl}" && (s.unit != unit || s.dose != value):
			return false
		case s.unit == "{tbl}" && s.dose != 1 && !whole:
			return false // the tablet's strength is the dose only where one is taken
		}
		s.dose, s.unit = value, unit
	}
	return true
}

// oftenOf reads the frequency of one part; false where the part tells of two. Words that say only that it is every day give way.
func (p *sigPatterns) oftenOf(part string, s *sig, blank func([]int)) bool {
	for _, o := range p.often {
		for _, at := range o.expr.FindAllStringIndex(part, -1) {
			if s.perDay != 0 && s.perDay != o.perDay {
				return false
			}
			s.perDay = o.perDay
			blank(at)
		}
	}
	for _, o := range p.weak {
		for _, at := range o.expr.FindAllStringIndex(part, -1) {
			if s.perDay == 0 {
				s.perDay = o.perDay
			}
			blank(at)
		}
	}
	return true
}

// numberIn reads a number in words or digits.
func numberIn(text string, units bool) (float64, bool) {
	words := []string{"one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen", "fourteen"}
	if at := slices.Index(words, text); at >= 0 {
		return float64(at + 1), true
	}
	return amountIn(text, units)
}

// unitOf gives the unit of a dose as UCUM and our dose reader write it.
func unitOf(word string) string {
	word = strings.ReplaceAll(word, " ", "")
	switch {
	case word == "mg/kg":
		return "mg/kg"
	case strings.HasSuffix(word, "/kg"):
		return "[iU]/kg"
	case word == "mg":
		return "mg"
	case word == "mcg", word == "ug", word == "µg":
		return "ug"
	case strings.HasPrefix(word, "unit"), word == "iu":
		return "[iU]"
	}
	return "{tbl}"
}
