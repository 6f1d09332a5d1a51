package chart

import (
	"dwellwatch/internal/filter"
)

// begun is when a Condition began and when it was recorded.
type begun struct {
	onset, recorded filter.Span
	// impossible says that the onset lies after all that is known of the record's making, and was taken as unknown.
	impossible bool
}

// yetToCome reports an onset after the day of the record, which a reader of an earlier day than the onset cannot believe.
func (b begun) yetToCome() bool {
	return b.onset.Known() && b.recorded.Known() && b.onset.Earliest > b.recorded.Latest
}

// Disputed is an onset that lies after its recordedDate, with nothing else to say when the entry was made. From the day of the onset on it
// is the recordedDate that is wrong.
type Disputed struct {
	From            filter.Day
	Onset, Recorded Unread // what is named before that day and from it on
}

// slip is by how many days an onset may lie after its record: two zones of time may write one moment.
const slip = 1

// onset gives when a Condition began and when it was recorded, by its own word or else by the day on which it was written. What is
// recorded had begun by then. Where an onset lies after the recordedDate and yet not after the day on which the entry was written, the
// recordedDate is wrong; where it lies after both, it is impossible, and is named and taken as unknown. Where nothing says when the entry
// was written, the rules settle by their day which of the two is wrong.
func (r *reader) onset(n *node) begun {
	path := "onsetDateTime"
	var b begun
	if n.get("onsetPeriod").Exists() {
		path = "onsetPeriod.start"
		b.onset, _, _ = r.period(n, "onsetPeriod")
	} else {
		b.onset, _ = r.day(n, path)
	}
	b.recorded, _ = r.day(n, "recordedDate")
	by := func(s filter.Span) bool { return b.onset.Earliest <= s.Latest.Add(slip) }
	written := r.written(n)
	const early = "before the onset; the onset is believed"
	const late = "after the day on which the entry was recorded; the day is taken as unknown"
	switch {
	case !b.onset.Known():
		if !b.recorded.Known() {
			b.recorded = written
		}
	case b.recorded.Known() && by(b.recorded):
	case written.Known() && by(written):
		if b.recorded.Known() {
			r.unread(n, "recordedDate", early)
			b.recorded = b.onset // no day before it, and none that would make old news fresh
		} else {
			b.recorded = written
		}
	case !written.Known() && !b.recorded.Known():
	case !written.Known():
		r.out.Disputed = append(r.out.Disputed, Disputed{b.onset.Earliest, Unread{n.ref(), n.Type + "." + path, late}, Unread{n.ref(), n.Type + ".recordedDate", early}})
	default:
		if !b.recorded.Known() {
			b.recorded = written
		}
		r.unread(n, path, late)
		b.onset, b.impossible = filter.Unknown(), true
	}
	return b
}
