package assess

import (
	"dwellwatch/internal/chart"
	"dwellwatch/internal/plan"
	"dwellwatch/internal/rules"
)

// Room is memory that one who assesses many patients, one after another, hands on from each to the next. No Result is a part of it; the
// records that Split gives are, until it is called again. The zero Room is ready, and a nil one is a new one for each patient. It must
// not be used by two at once.
type Room struct {
	reading chart.Room
	// situations are those of the patient's answers, of which taken are in use; spare is for one that nobody keeps.
	situations []*rules.Situation
	taken      int
	spare      rules.Situation
	look       outlook
	plan       plan.Room
	named      []named
	entries    []chart.Entry
}

// take gives a name for each resource, and an empty list for as many entries.
func (m *Room) take(resources int) ([]named, []chart.Entry) {
	if m == nil {
		return make([]named, resources), make([]chart.Entry, 0, resources)
	}
	if cap(m.named) < resources {
		m.named, m.entries = make([]named, resources), make([]chart.Entry, 0, resources)
	}
	clear(m.named[:cap(m.named)])
	clear(m.entries[:cap(m.entries)])
	return m.named[:resources], m.entries[:0]
}

func (m *Room) chart() *chart.Room {
	if m == nil {
		return nil
	}
	return &m.reading
}

// begin gives back all that was taken for a patient, and an outlook to write over.
func (m *Room) begin() *outlook {
	if m == nil {
		return new(outlook)
	}
	m.taken = 0
	return &m.look
}

// plans gives the room of the plans.
func (m *Room) plans() *plan.Room {
	if m == nil {
		return new(plan.Room)
	}
	return &m.plan
}

// situation gives a situation to write over, the patient's own until begin.
func (m *Room) situation() *rules.Situation {
	if m == nil {
		return new(rules.Situation)
	}
	if m.taken == len(m.situations) {
		m.situations = append(m.situations, new(rules.Situation))
	}
	m.taken++
	return m.situations[m.taken-1]
}

// passing gives a situation to write over that holds until it is asked for again.
func (m *Room) passing() *rules.Situation {
	if m == nil {
		return new(rules.Situation)
	}
	return &m.spare
}
