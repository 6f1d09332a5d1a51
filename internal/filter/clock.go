package filter

import "slices"

// Clock is the one way in which the core compares a day with asOf. It remembers every day still to come that a
// comparison asked about, so that the assessment knows on which days its answer can change (design: "an assessment
// knows how long it holds"). It never reads the time of day.
type Clock struct {
	asOf       Day
	boundaries map[Day]struct{}
}

// NewClock gives a clock that stands at asOf.
func NewClock(asOf Day) *Clock { return &Clock{asOf: asOf, boundaries: map[Day]struct{}{}} }

// AsOf gives the day of the assessment. It is for output only: a comparison goes through Reached.
func (c *Clock) AsOf() Day { return c.asOf }

// Reached reports whether asOf is d or later. A later day is remembered as a boundary.
func (c *Clock) Reached(d Day) bool {
	if d <= MinDay {
		return true
	}
	if c.asOf >= d {
		return true
	}
	if d < MaxDay {
		c.boundaries[d] = struct{}{}
	}
	return false
}

// AtLeast reports whether n days or more have passed since d.
func (c *Clock) AtLeast(d Day, n int) bool { return c.Reached(d.Add(n)) }

// Within reports whether d is at most n days ago (a day to come is within).
func (c *Clock) Within(d Day, n int) bool {
	if d <= MinDay {
		return false
	}
	return !c.Reached(d.Add(n + 1))
}

// Boundaries lists the remembered days in order.
func (c *Clock) Boundaries() []Day {
	out := make([]Day, 0, len(c.boundaries))
	for d := range c.boundaries {
		out = append(out, d)
	}
	slices.Sort(out)
	return out
}
