package chart

import (
	"regexp"
	"strconv"
	"strings"
)

// sig is what the words of one dosage say where they leave no doubt: "5 mg twice daily for 7 days, then 2.5 mg twice daily" is two.
type sig struct {
	dose   float64
	unit   string // mg | ug | [iU] | mg/kg | [iU]/kg | {tbl}
	perDay float64
	days   int // for how long; 0 where not said
	never  bool
}

// sigsOf reads the words of a dosage, part by part. It gives nothing where any part says something that is not understood as a
// dose and a frequency: half a reading of a dose would be a guess.
func (p *sigPatterns) sigsOf(text string) []sig {
	if p == nil {
		p = newSigPatterns()
	}
	text = strings.ToLower(strings.Join(strings.Fields(text), " "))
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
	for i := range out[:len(out)-1] {
		if out[i].days == 0 {
			return nil // when the next part begins is not said
		}
	}
	return out
}

// sigPatterns are the patterns of words, compiled once with the value sets.
type sigPatterns struct {
	then, doubt, dose, long, prn *regexp.Regexp
	often                        []often
}

type often struct {
	expr   *regexp.Regexp
	perDay float64
}

func newSigPatterns() *sigPatterns {
	return &sigPatterns{
		then:  regexp.MustCompile(`,? ?\b(?:and then|then|followed by)\b ?|; ?`),
		doubt: regexp.MustCompile(`\b(?:do not|don't|not to|hold|stop|unless|until|if|except|or|as directed|per protocol|sliding|titrate\w*|adjust\w*|alternat\w*)\b|\b(?:two|three|four|half|[2-9]) (?:x )?\d+(?:[.,]\d+)? ?mg\b`),
		dose:  regexp.MustCompile(`(\d+(?:[.,]\d+)?|\bone|\btwo|\bthree)\s*(mg ?/ ?kg|units? ?/ ?kg|iu ?/ ?kg|mg|mcg|ug|µg|units?|iu|tablets?|tabs?|capsules?|caps?|syringes?)\b`),
		often: []often{
			{regexp.MustCompile(`\b(?:twice (?:a day|daily|per day)|two times (?:a day|daily)|2 ?x ?(?:daily|a day|/ ?d(?:ay)?)|bid|b\.i\.d\.?|q ?12 ?h(?:ours?|rs?)?|every (?:12|twelve) hours?|morning and evening)(?:\b|$)`), 2},
			{regexp.MustCompile(`\b(?:three times (?:a day|daily|per day)|3 ?x ?(?:daily|a day)|tid|t\.i\.d\.?|q ?8 ?h(?:ours?|rs?)?|every (?:8|eight) hours?)(?:\b|$)`), 3},
			{regexp.MustCompile(`\b(?:once (?:a day|daily|per day)|one time (?:a day|daily)|1 ?x ?(?:daily|a day)|every day|each day|qd|q\.d\.?|q ?24 ?h(?:ours?|rs?)?|every (?:24|twenty-four) hours?|every (?:morning|evening|night)|nightly|at bedtime|in the (?:morning|evening))(?:\b|$)`), 1},
			{regexp.MustCompile(`\bdaily\b`), 1},
		},
		long: regexp.MustCompile(`\bfor (?:the first )?(\d+|one|two|three|seven|fourteen) (day|week|month)s?\b|\bfirst (\d+) (day|week)s?\b`),
		prn:  regexp.MustCompile(`\b(?:as needed|when needed|prn|p\.r\.n\.?|once only|single dose|one dose|stat)\b`),
	}
}

func (p *sigPatterns) sigOf(part string) (sig, bool) {
	var s sig
	s.never = p.prn.MatchString(part)
	doses := p.dose.FindAllStringSubmatch(part, -1)
	counted := 0
	for _, d := range doses {
		value, unit := numberIn(d[1]), unitOf(d[2])
		switch {
		case unit == "{tbl}":
			counted++
			if s.unit == "" {
				s.dose, s.unit = value, unit
			} else if s.unit == "{tbl}" {
				return s, false
			}
			continue
		case s.unit != "" && s.unit != "{tbl}" && (s.unit != unit || s.dose != value):
			return s, false // two doses in one part
		}
		// "one 5 mg tablet": the tablet's strength, which is the dose only where one is taken.
		if s.unit == "{tbl}" && s.dose != 1 {
			return s, false
		}
		s.dose, s.unit = value, unit
	}
	if counted > 1 {
		return s, false
	}
	for _, o := range p.often {
		if o.expr.MatchString(part) {
			s.perDay = o.perDay
			break
		}
	}
	if m := p.long.FindStringSubmatch(part); m != nil {
		n, per := m[1], m[2]
		if n == "" {
			n, per = m[3], m[4]
		}
		s.days = int(numberIn(n)) * map[string]int{"day": 1, "week": 7, "month": 30}[per]
	}
	return s, s.never || s.dose > 0 && s.perDay > 0
}

func numberIn(text string) float64 {
	if n, ok := map[string]float64{"one": 1, "two": 2, "three": 3, "seven": 7, "fourteen": 14}[text]; ok {
		return n
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64)
	if err != nil {
		return 0
	}
	return v
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
