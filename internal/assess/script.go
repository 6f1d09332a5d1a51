package assess

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"hash"
	"strconv"

	"dwellwatch/internal/plan"
)

// script digests the JSON that encoding/json writes of an answer, byte by byte the same, without asking each time what a struct is made
// of: it is done for every patient. A test holds the two together.
type script struct {
	sum  hash.Hash
	out  []byte // what is written and not digested yet
	more bool   // a comma comes before what is next
}

func newScript() *script { return &script{sum: sha256.New(), out: make([]byte, 0, 2<<10)} }

// digest gives the SHA-256 of what was written, in hexadecimal digits.
func (s *script) digest() string {
	s.sum.Write(s.out)
	return hex.EncodeToString(s.sum.Sum(nil))
}

// next writes the comma before what is not the first of its object or list.
func (s *script) next() {
	if s.more {
		s.out = append(s.out, ',')
	}
	s.more = true
}

func (s *script) open(bracket byte) {
	s.next()
	s.out, s.more = append(s.out, bracket), false
}

// close ends an object or list. By then much may be written.
func (s *script) close(bracket byte) {
	s.out, s.more = append(s.out, bracket), true
	if len(s.out) > 1<<10 {
		s.sum.Write(s.out)
		s.out = s.out[:0]
	}
}

// name writes a member's name, which needs no escapes.
func (s *script) name(name string) {
	s.next()
	s.out = append(append(append(s.out, '"'), name...), '"', ':')
	s.more = false
}

func (s *script) text(text string) {
	s.next()
	if !bare(text) {
		// A string cannot fail.
		quoted, _ := json.Marshal(text)
		s.out = append(s.out, quoted...)
		return
	}
	s.out = append(append(append(s.out, '"'), text...), '"')
}

// bare reports a text that JSON in HTML writes without an escape. It looks at eight bytes at once.
func bare(text string) bool {
	const ones, tops = 0x0101010101010101, 0x8080808080808080
	at := 0
	for ; at+8 <= len(text); at += 8 {
		b := text[at : at+8]
		w := uint64(b[0]) | uint64(b[1])<<8 | uint64(b[2])<<16 | uint64(b[3])<<24 | uint64(b[4])<<32 | uint64(b[5])<<40 | uint64(b[6])<<48 | uint64(b[7])<<56
		// Each is zero in a byte that is not bare: a quote or an ampersand, which differ in one bit, likewise the angle brackets, a backslash.
		quote, angle, slash := w&^(4*ones)^'"'*ones, w|2*ones^'>'*ones, w^'\\'*ones
		if ((quote-ones)&^quote|(angle-ones)&^angle|(slash-ones)&^slash|(w-' '*ones)&^w|w)&tops != 0 {
			return false
		}
	}
	for ; at < len(text); at++ {
		switch c := text[at]; {
		case c < ' ' || c >= 0x80, c == '"', c == '\\', c == '&', c == '<', c == '>':
			return false
		}
	}
	return true
}

func (s *script) null() { s.next(); s.out = append(s.out, "null"...) }

func (s *script) yes(is bool) { s.next(); s.out = strconv.AppendBool(s.out, is) }

func (s *script) whole(n int) { s.next(); s.out = strconv.AppendInt(s.out, int64(n), 10) }

func (s *script) number(v float64) {
	s.next()
	// A number that is finite cannot fail, and the others are never in an answer.
	written, _ := json.Marshal(v)
	s.out = append(s.out, written...)
}

func (s *script) texts(list []string) { each(s, list, func(t *string) { s.text(*t) }) }

// each writes a list; null where it is nil.
func each[T any](s *script, list []T, write func(*T)) {
	if list == nil {
		s.null()
		return
	}
	s.open('[')
	for i := range list {
		write(&list[i])
	}
	s.close(']')
}

// maybe writes a value; null where there is none.
func maybe[T any](s *script, v *T, write func(T)) {
	if v == nil {
		s.null()
		return
	}
	write(*v)
}

// The members that follow are written with their names.

func (s *script) member(name, text string) { s.name(name); s.text(text) }

func (s *script) flag(name string, is bool) { s.name(name); s.yes(is) }

func (s *script) day(name string, day *string) { s.name(name); maybe(s, day, s.text) }

func (s *script) list(name string, list []string) { s.name(name); s.texts(list) }

func (s *script) amount(name string, v *float64) { s.name(name); maybe(s, v, s.number) }

func (s *script) ranged(r Range) {
	s.open('{')
	s.day("earliest", r.Earliest)
	s.day("latest", r.Latest)
	s.close('}')
}

func (s *script) span(name string, r *Range) { s.name(name); maybe(s, r, s.ranged) }

func (s *script) filter(f *Filter) {
	s.open('{')
	s.member("key", f.Key)
	s.member("standing", f.Standing)
	s.span("placed", f.Placed)
	s.span("removed", f.Removed)
	s.name("model")
	s.open('{')
	s.member("name", f.Model.Name)
	s.member("design", f.Model.Design)
	s.member("intent", f.Model.Intent)
	s.member("by", f.Model.By)
	s.close('}')
	s.member("plannedIntent", f.PlannedIntent)
	s.name("dwellDays")
	maybe(s, f.DwellDays, func(d Days) {
		s.open('{')
		s.name("min")
		maybe(s, d.Min, s.whole)
		s.name("max")
		maybe(s, d.Max, s.whole)
		s.close('}')
	})
	s.member("window", f.Window)
	s.name("windowBand")
	maybe(s, f.WindowBand, func(b Band) {
		s.open('{')
		s.name("firstDay")
		s.whole(b.FirstDay)
		s.name("lastDay")
		s.whole(b.LastDay)
		s.name("opens")
		s.ranged(b.Opens)
		s.name("closes")
		s.ranged(b.Closes)
		s.close('}')
	})
	s.member("indication", f.Indication)
	s.name("anticoagulation")
	s.open('{')
	s.member("level", f.Anticoagulation.Level)
	s.day("agent", f.Anticoagulation.Agent)
	s.day("since", f.Anticoagulation.Since)
	s.close('}')
	s.member("verdict", f.Verdict)
	s.member("headline", f.Headline)
	s.flag("overdue", f.Overdue)
	s.flag("reassessmentOverdue", f.ReassessmentOverdue)
	s.flag("emergency", f.Emergency)
	s.member("asked", f.Asked)
	s.list("askedEvidence", f.AskedEvidence)
	s.day("changesOn", f.ChangesOn)
	s.day("lookAgainOn", f.LookAgainOn)
	s.lists(f)
	s.member("focus", f.Focus)
	s.list("evidence", f.Evidence)
	s.name("plan")
	s.plan(f.Plan)
	s.close('}')
}

// lists writes what a filter has several of.
func (s *script) lists(f *Filter) {
	s.name("findings")
	each(s, f.Findings, func(x *Finding) {
		s.open('{')
		s.member("rule", x.Rule)
		s.member("text", x.Text)
		s.list("evidence", x.Evidence)
		s.member("source", x.Source)
		s.member("known", x.Known)
		s.span("when", x.When)
		s.close('}')
	})
	s.name("contradictions")
	each(s, f.Contradictions, func(c *Contradiction) {
		s.open('{')
		s.member("kind", c.Kind)
		s.member("text", c.Text)
		s.list("evidence", c.Evidence)
		s.flag("decides", c.Decides)
		s.close('}')
	})
	s.name("missing")
	each(s, f.Missing, func(m *Missing) {
		s.open('{')
		s.member("what", m.What)
		s.member("text", m.Text)
		s.close('}')
	})
	s.name("events")
	each(s, f.Events, func(e *Event) {
		s.open('{')
		s.name("when")
		s.ranged(e.When)
		s.member("what", e.What)
		s.member("text", e.Text)
		s.list("evidence", e.Evidence)
		s.close('}')
	})
}

func (s *script) person(p Person) {
	s.open('{')
	s.member("name", p.Name)
	s.member("birthDate", p.BirthDate)
	s.member("sex", p.Sex)
	s.flag("deceased", p.Deceased)
	s.close('}')
}

func (s *script) source(from plan.Source) {
	s.member("source", from.Source)
	s.member("known", string(from.Known))
}
