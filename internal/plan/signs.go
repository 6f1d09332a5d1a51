package plan

import (
	"slices"
	"strings"

	"dwellwatch/internal/filter"
	"dwellwatch/internal/policy"
	"dwellwatch/internal/rules"
)

// hearing is what the record tells of one sign of this filter as it lies now.
type hearing struct {
	m  rules.Measure // the newest that could be read and is of this filter; of one day the one that asks for more care
	ok bool          // there is one
	// same are all that could be read and are of the day of m, m among them.
	same []rules.Measure
	// doubts are as young as m, and cannot be used: nobody knows what they say, or of which filter.
	doubts []rules.Measure
	// why says, where there is neither m nor a doubt, why what is on record is not used.
	why string
}

// hear gives what is told of a sign. The cava is one, whichever filter is in and however often it was moved.
func (c *proposal) hear(sign rules.Sign) hearing {
	var h hearing
	for _, m := range c.Measures(sign) {
		older := h.ok && m.When.Latest < h.m.When.Latest
		switch {
		case sign != rules.CavaOccluded && m.When.Known() && slices.ContainsFunc(c.Filter.Events, func(e filter.Event) bool { return e.Kind == filter.Repositioning && e.When.Earliest > m.When.Latest }):
			h.why = or(h.why, "Measured on "+m.When.String()+", before the filter was repositioned.")
		case older:
		case m.Unread != "", sign != rules.CavaOccluded && c.ofNoNamed(m):
			h.doubts = append(h.doubts, m)
		case !h.ok:
			h.m, h.ok, h.same = m, true, []rules.Measure{m}
		case m.When == h.m.When:
			h.same = append(h.same, m)
		}
	}
	return h
}

// ofNoNamed reports whether an entry may be of this filter or of another one that is in.
func (c *proposal) ofNoNamed(m rules.Measure) bool { return !c.alone && len(m.Of) == 0 }

// unheard is the finding where nothing of a sign can be used.
func (h hearing) unheard(silent string) finding {
	f := finding{state: NotKnown, day: filter.Unknown()}
	if len(h.doubts) == 0 {
		f.text = or(h.why, silent)
	}
	return f
}

// doubted adds to a finding what could not be used beside it: then nothing makes it absent, and images must settle it.
func (h hearing) doubted(f finding) finding {
	if len(h.doubts) == 0 {
		return f
	}
	var words []string
	for _, m := range h.doubts {
		words = append(words, doubtOf(m))
		f.evidence = append(slices.Clone(f.evidence), m.Evidence...)
		if !h.ok && m.When.Known() && (!f.day.Known() || m.When.Latest > f.day.Latest) {
			f.day = m.When
		}
	}
	f.text = strings.TrimSpace(f.text + " " + strings.Join(unique(words), " "))
	f.doubt = true
	if f.state == Absent {
		f.state = NotKnown
	}
	return f
}

// doubtOf says why an entry cannot be used.
func doubtOf(m rules.Measure) string {
	switch {
	case m.Unread != "" && m.When.Known():
		return "Recorded on " + m.When.String() + ", and it could not be read (" + m.Unread + ")."
	case m.Unread != "":
		return "Recorded, and it could not be read (" + m.Unread + ")."
	}
	return "Measured on " + m.When.String() + ", but the entry does not say of which filter."
}

// disputed adds to a finding that entries of one day say opposite things of it: say gives what one says, in words, and what it
// makes of the sign. The one that asks for more care counts, and all are named.
func (h hearing) disputed(f finding, say func(rules.Measure) (words, means string)) finding {
	f.dispute, f.disputedBy = dispute(h.same, say)
	if f.dispute != "" {
		f.text += " " + f.dispute
		f.evidence = append(slices.Clone(f.evidence), f.disputedBy...)
	}
	return f
}

// dispute tells of entries of one day that say opposite things; "" where none do.
func dispute(same []rules.Measure, say func(rules.Measure) (words, means string)) (string, []filter.Ref) {
	var words, means []string
	var evidence []filter.Ref
	for _, m := range same {
		w, x := say(m)
		words, means, evidence = append(words, w), append(means, x), append(evidence, m.Evidence...)
	}
	if len(unique(means)) < 2 {
		return "", nil
	}
	return "Entries of " + same[0].When.String() + " disagree: " + strings.Join(unique(words), ", ") + ". The one that asks for more care counts.", evidence
}

// disagreements lists where entries of one day say opposite things of a sign or of a vein.
func (c *proposal) disagreements() []Statement {
	out := []Statement{}
	for _, f := range []finding{c.tilt, c.embedded, c.penetrated, c.thrombus, c.occluded} {
		if f.dispute != "" {
			out = append(out, say(f.dispute, f.disputedBy, Source{ours + "contradictions are named", policy.Choice}))
		}
	}
	return append(out, c.veins...)
}

// unique gives each text once, in the order of the first.
func unique(texts []string) []string {
	var out []string
	for _, t := range texts {
		if !slices.Contains(out, t) {
			out = append(out, t)
		}
	}
	return out
}

// doubtful lists the signs of which something is recorded that cannot be used, and the entries.
func (c *proposal) doubtful(of func(rules.Measure) bool) (signs []string, evidence []filter.Ref) {
	for _, x := range [...]struct {
		name string
		sign rules.Sign
	}{{"tilt", rules.Tilt}, {"hook-embedded", rules.HookEmbedded}, {"penetration", rules.Grade}, {"thrombus", rules.ThrombusShare}, {"caval-occluded", rules.CavaOccluded}} {
		for _, m := range c.hear(x.sign).doubts {
			if of(m) {
				signs, evidence = append(signs, x.name), append(evidence, m.Evidence...)
			}
		}
	}
	return unique(signs), evidence
}

func unreadable(m rules.Measure) bool { return m.Unread != "" }

func readable(m rules.Measure) bool { return m.Unread == "" }
