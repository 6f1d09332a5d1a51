package fhir

import (
	"slices"
	"strings"
	"time"
)

// OtherPerson reports whether two copies of a Patient must be taken for two people. A shared identifier makes them one, unless nothing
// else that both tell agrees. Where both have identifiers and share none, they are one only by the whole name and the day of birth. Where
// one has no identifier, they are one if a name or a day of birth is told by both, and nothing that both tell differs.
func OtherPerson(a, b Resource) bool {
	x, y := personIn(a), personIn(b)
	switch {
	case x.shares(y):
		return x.allElse(y)
	case len(x.identifiers) > 0 && len(y.identifiers) > 0:
		return !x.sameInFull(y)
	}
	names, births := len(x.names) > 0 && len(y.names) > 0, x.birth != nil && y.birth != nil
	return !names && !births || names && !x.anyName(y, personName.agrees) || births && otherBirth(*x.birth, *y.birth) || otherGender(x.gender, y.gender)
}

// SamePerson reports whether two Patients that go by different names are surely one person: by a shared identifier, or the whole name
// and the day of birth.
func SamePerson(a, b Resource) bool {
	x, y := personIn(a), personIn(b)
	return x.shares(y) && !x.allElse(y) || x.sameInFull(y) && !otherGender(x.gender, y.gender)
}

// person is what a Patient tells of who it is.
type person struct {
	identifiers []identifier
	names       []personName
	birth       *Date // nil where it is not told or cannot be read
	gender      string
}

func personIn(r Resource) person {
	doc := r.Document()
	p := person{identifiers: identifiersIn(doc), names: namesIn(doc), gender: doc.Get("gender").String()}
	if d, err := ParseDate(doc.Get("birthDate").String(), time.UTC); err == nil {
		p.birth = &d
	}
	return p
}

func (p person) shares(q person) bool {
	return slices.ContainsFunc(p.identifiers, func(a identifier) bool {
		return slices.ContainsFunc(q.identifiers, func(b identifier) bool { return shared(a, b) })
	})
}

// allElse reports whether both tell family name, given name and day of birth, and not one of them agrees.
func (p person) allElse(q person) bool {
	return p.birth != nil && q.birth != nil && otherBirth(*p.birth, *q.birth) &&
		len(p.names) > 0 && len(q.names) > 0 && !p.anyName(q, personName.touches)
}

// sameInFull reports whether the whole name and the whole day of birth are the same.
func (p person) sameInFull(q person) bool {
	return p.birth != nil && q.birth != nil && p.birth.First == p.birth.Last && q.birth.First == q.birth.Last &&
		p.birth.First == q.birth.First && p.anyName(q, personName.sameInFull)
}

func (p person) anyName(q person, fits func(a, b personName) bool) bool {
	return slices.ContainsFunc(p.names, func(a personName) bool {
		return slices.ContainsFunc(q.names, func(b personName) bool { return fits(a, b) })
	})
}

type identifier struct{ system, value string }

func identifiersIn(patient Value) []identifier {
	var out []identifier
	for i := range patient.Get("identifier").Each() {
		if value := strings.TrimSpace(i.Get("value").String()); value != "" {
			out = append(out, identifier{strings.TrimSpace(i.Get("system").String()), value})
		}
	}
	return out
}

// shared takes a system that is left out for the other's.
func shared(a, b identifier) bool {
	return a.value == b.value && (a.system == b.system || a.system == "" || b.system == "")
}

// personName holds the words of a name, in small letters and in order of the alphabet; text only where neither part is told.
type personName struct{ family, given, text []string }

// namesIn gives the names of a Patient. One that tells a part only, as a name at birth does, has the other part from the first that tells it.
func namesIn(patient Value) []personName {
	var out []personName
	var family, given []string
	for n := range patient.Get("name").Each() {
		var all []string
		for g := range n.Get("given").Each() {
			all = append(all, g.String())
		}
		name := personName{family: wordsOf(n.Get("family").String()), given: wordsOf(strings.Join(all, " "))}
		if name.family == nil && name.given == nil {
			name.text = wordsOf(n.Get("text").String())
		}
		if name.family == nil && name.given == nil && name.text == nil {
			continue
		}
		if family == nil {
			family = name.family
		}
		if given == nil {
			given = name.given
		}
		out = append(out, name)
	}
	for i := range out {
		n := &out[i]
		switch {
		case n.text != nil:
		case n.family == nil:
			n.family = family
		case n.given == nil:
			n.given = given
		}
	}
	return out
}

func wordsOf(s string) []string {
	if strings.TrimSpace(s) == "" {
		return nil
	}
	words := strings.Fields(strings.ToLower(s))
	slices.Sort(words)
	return words
}

// words gives all words of a name.
func (n personName) words() []string {
	all := slices.Concat(n.family, n.given, n.text)
	slices.Sort(all)
	return all
}

// agrees reports whether no part that both tell differs, and one is told by both.
func (n personName) agrees(m personName) bool {
	if n.text != nil || m.text != nil {
		return n.text != nil && m.text == nil && within(m.words(), n.text) || m.text != nil && n.text == nil && within(n.words(), m.text) ||
			slices.Equal(n.text, m.text)
	}
	families, givens := n.family != nil && m.family != nil, n.given != nil && m.given != nil
	return (families || givens) && (!families || slices.Equal(n.family, m.family)) && (!givens || slices.Equal(n.given, m.given))
}

// sameInFull reports whether family and given names are told by both and are the same.
func (n personName) sameInFull(m personName) bool {
	return n.whole() && m.whole() && n.agrees(m) && slices.Equal(n.words(), m.words())
}

func (n personName) whole() bool { return n.family != nil && n.given != nil || len(n.text) > 1 }

// touches reports whether a part of the name may be the same: one that is not told may be.
func (n personName) touches(m personName) bool {
	if n.text != nil || m.text != nil {
		return slices.ContainsFunc(n.words(), func(w string) bool { return slices.Contains(m.words(), w) })
	}
	return n.family == nil || m.family == nil || n.given == nil || m.given == nil ||
		slices.Equal(n.family, m.family) || slices.ContainsFunc(n.given, func(w string) bool { return slices.Contains(m.given, w) })
}

// within reports whether all of the words are among the others.
func within(words, others []string) bool {
	return !slices.ContainsFunc(words, func(w string) bool { return !slices.Contains(others, w) })
}

// otherBirth reports whether two days of birth, each perhaps only a month or a year, cannot be one.
func otherBirth(x, y Date) bool { return x.Last < y.First || y.Last < x.First }

// otherGender reports whether two genders differ; one that is unknown is not told.
func otherGender(a, b string) bool {
	return a != b && a != "" && b != "" && a != "unknown" && b != "unknown"
}
