package filter

// Clock is the one way in which the core compares a day with asOf. It remembers the first day still to come that a comparison asked
// about: before it no comparison gives another answer, so that the assessment knows how long it holds (design: "an assessment knows
// how long it holds"). It never reads the time of day.
type Clock struct{ asOf, next Day }

// NewClock gives a clock that stands at asOf.
func NewClock(asOf Day) *Clock { return &Clock{asOf: asOf, next: MaxDay} }

// AsOf gives the day of the assessment. It is for output only: a comparison goes through Reached.
func (c *Clock) AsOf() Day { return c.asOf }

// Reached reports whether asOf is d or later.
func (c *Clock) Reached(d Day) bool {
	if c.asOf >= d {
		return true
	}
	c.next = min(c.next, d)
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

// Next gives the first day on which a comparison that was asked gives another answer; MaxDay where none does.
func (c *Clock) Next() Day { return c.next }
