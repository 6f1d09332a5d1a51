package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"dwellwatch/internal/filter"
)

// Sign names what an examination tells of the filter, of the cava or of the way to it.
type Sign string

const (
	Tilt          Sign = "tilt"              // degrees against the axis of the cava
	HookEmbedded  Sign = "hook-embedded"     // yes or no
	Grade         Sign = "penetration-grade" // a number on a scale that has a name
	ThrombusShare Sign = "filter-thrombus"   // percent of the filter's volume
	CavaOccluded  Sign = "caval-occluded"    // yes or no
	JugularPatent Sign = "jugular-patent"    // yes or no, per side
	FemoralPatent Sign = "femoral-patent"    // yes or no, per side
)

// Measure is one such sign as one entry tells it.
type Measure struct {
	Sign  Sign
	Value float64 // of a sign that is a number
	Form  Form    // how the number is told
	Top   float64 // of a number told as a range: its upper end
	Yes   bool    // of a sign that is yes or no
	// Unread says why the entry could not be read; "" where it was. The sign is on record then, and what it says is not known.
	Unread   string
	Scale    string // of a grade: the name of its scale, "" where the entry names none
	Side     string // left | right, "" where the entry names none
	Of       []filter.Ref
	Done     bool        // the entry says that it was made
	When     filter.Span // Unknown where the entry gives no day, which makes it unread
	Evidence []filter.Ref
}

// Form is how an entry tells a number.
type Form string

const (
	Exactly Form = ""
	Above   Form = ">"
	AtLeast Form = ">="
	Below   Form = "<"
	AtMost  Form = "<="
	Between Form = "to"
	Some    Form = "some" // there is some, and the entry does not say how much
)

// Bounds gives the least and the greatest number that an entry can mean. A limit that the number does not reach itself lies a hair
// beside it.
func (m Measure) Bounds() (low, high float64) {
	switch m.Form {
	case Above:
		return math.Nextafter(m.Value, math.Inf(1)), math.Inf(1)
	case AtLeast:
		return m.Value, math.Inf(1)
	case Below:
		return 0, math.Nextafter(m.Value, math.Inf(-1))
	case AtMost:
		return 0, m.Value
	case Between:
		return m.Value, m.Top
	case Some:
		return math.Nextafter(0, 1), math.Inf(1)
	}
	return m.Value, m.Value
}

// Told writes the number as the entry tells it, without its unit.
func (m Measure) Told() string {
	switch m.Form {
	case Above:
		return fmt.Sprintf("more than %v", m.Value)
	case AtLeast:
		return fmt.Sprintf("at least %v", m.Value)
	case Below:
		return fmt.Sprintf("less than %v", m.Value)
	case AtMost:
		return fmt.Sprintf("at most %v", m.Value)
	case Between:
		return fmt.Sprintf("%v to %v", m.Value, m.Top)
	case Some:
		return "some"
	}
	return fmt.Sprint(m.Value)
}

// Study is an examination on record of which the code says what it was.
type Study struct {
	Modality string // ct-abdomen | duplex | cavogram
	Place    string // where it was made, "" where the entry does not say
	When     filter.Span
	Done     bool // the entry says that it was made: it cannot lie ahead, however little of its day is told
	Evidence []filter.Ref
}

// Measures lists, newest first, what is known of a sign by asOf and can be of this filter: made since its placement and, where the
// entry names a device, of this one. Of one day the one that asks for more care comes first. An entry without a day, which is never
// read, comes before all others: nobody knows that it is older.
func (s *Situation) Measures(sign Sign) []Measure {
	var out []Measure
	for _, m := range s.Facts.Measures {
		if m.Sign != sign || m.When.Known() && !s.made(m.When, m.Done) {
			continue
		}
		// The state of a vein is the patient's, whichever filter is in.
		if sign != JugularPatent && sign != FemoralPatent {
			if s.Filter.Placed.Known() && m.When.Latest < s.Filter.Placed.Earliest || !s.ofThisFilter(Diagnosis{Devices: m.Of}) {
				continue
			}
		}
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b Measure) int {
		return cmp.Or(-cmp.Compare(a.When.Latest, b.When.Latest), -cmp.Compare(a.care(), b.care()), cmp.Compare(first(a.Evidence), first(b.Evidence)),
			cmp.Compare(a.Scale, b.Scale), cmp.Compare(a.Side, b.Side), cmp.Compare(a.Value, b.Value), cmp.Compare(a.Form, b.Form), cmp.Compare(a.Top, b.Top), cmp.Compare(a.Unread, b.Unread))
	})
	return out
}

// made reports whether an examination of days that are known was made by asOf. What an entry says was made does not lie ahead, though its
// month is not over; its days stay as they are told, so that no text changes with the day.
func (s *Situation) made(when filter.Span, done bool) bool {
	return when.Bounded() && (done && s.Clock.Reached(when.Earliest) || s.Clock.Reached(when.Latest))
}

// care orders what two entries of one day say by how much care it asks for.
func (m Measure) care() float64 {
	switch {
	case m.Sign == JugularPatent || m.Sign == FemoralPatent:
		if m.Yes {
			return 0
		}
		return 1
	case m.Yes:
		return 1
	}
	low, _ := m.Bounds()
	return low
}

// Studies lists, newest first, the examinations on record by asOf that were made since the placement.
func (s *Situation) Studies() []Study {
	var out []Study
	for _, v := range s.Facts.Studies {
		if !s.made(v.When, v.Done) || s.Filter.Placed.Known() && v.When.Latest < s.Filter.Placed.Earliest {
			continue
		}
		out = append(out, v)
	}
	slices.SortFunc(out, func(a, b Study) int {
		return cmp.Or(-cmp.Compare(a.When.Latest, b.When.Latest), cmp.Compare(a.Modality, b.Modality), cmp.Compare(first(a.Evidence), first(b.Evidence)))
	})
	return out
}
