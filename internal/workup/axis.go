package workup

import (
	"fmt"
	"time"

	"dwellwatch/internal/filter"
)

// piece is one unbroken stretch of the axis, to a scale of its own.
type piece struct {
	from, to    filter.Day
	top, bottom float64
}

// pieceEnd is the room between a piece's edge and its first or last day.
const pieceEnd = 2.0

// axis is the time line's scale: pieces with the years between them left out.
type axis []piece

// newAxis breaks the axis where years lie between two days at which anything begins or ends. Days must be sorted. A break
// must leave out at least two years, and a quarter of the whole; breaks that would leave nothing to scale are not made.
func newAxis(days []filter.Day) axis {
	whole := int(days[len(days)-1] - days[0])
	ax := axis{{from: days[0], to: days[0]}}
	for i, d := range days[1:] {
		if gap := int(d - days[i]); gap >= 730 && 4*gap >= whole {
			ax = append(ax, piece{from: d})
		}
		ax[len(ax)-1].to = d
	}
	for _, p := range ax {
		if p.from < p.to {
			return ax
		}
	}
	return axis{{from: days[0], to: days[len(days)-1]}}
}

// pieceOf gives the piece in which a day lies; a day that was left out belongs to the piece before it.
func (ax axis) pieceOf(d filter.Day) int {
	at := 0
	for i, p := range ax {
		if d >= p.from {
			at = i
		}
	}
	return at
}

// at gives the height of a day.
func (ax axis) at(d filter.Day) float64 {
	p := ax[ax.pieceOf(d)]
	switch {
	case p.from == p.to:
		return (p.top + p.bottom) / 2
	case d >= p.to:
		return p.bottom - pieceEnd
	}
	return p.top + pieceEnd + float64(max(d, p.from)-p.from)*p.perDay()
}

// perDay is the length of a day.
func (p piece) perDay() float64 {
	if p.from == p.to {
		return 0
	}
	return (p.bottom - p.top - 2*pieceEnd) / float64(p.to-p.from)
}

// clip gives the part of a stretch of days that lies in a piece, as heights. A stretch that goes on reaches the edge.
func (p piece) clip(from, to filter.Day, ax axis) (top, bottom float64, ok bool) {
	if to < p.from || from > p.to {
		return 0, 0, false
	}
	top, bottom = p.top, p.bottom
	if from >= p.from {
		top = ax.at(from)
	}
	if to <= p.to {
		bottom = ax.at(to)
	}
	return top, bottom, true
}

// tick is a named day on the axis.
type tick struct {
	day  filter.Day
	text string
}

// ticks names days of a piece at even steps of the calendar, no closer than apart.
func (p piece) ticks(apart float64) []tick {
	if p.from == p.to {
		return []tick{{p.from, p.from.String()}}
	}
	for _, months := range []int{1, 3, 6, 12, 24, 60, 120, 240, 600, 1200} {
		if float64(months)*28*p.perDay() < apart {
			continue
		}
		y, m, _ := p.from.Date()
		if months >= 12 {
			y, m = y-y%(months/12), time.January
		} else {
			m -= (m - 1) % time.Month(months)
		}
		var list []tick
		for d := filter.NewDay(y, m, 1); d <= p.to; d = d.AddMonths(months) {
			if d < p.from {
				continue
			}
			year, month, _ := d.Date()
			text := fmt.Sprintf("%d-%02d", year, int(month))
			if months >= 12 {
				text = fmt.Sprint(year)
			}
			list = append(list, tick{d, text})
		}
		if len(list) > 1 {
			return list
		}
		break
	}
	// A stretch too short for its months is named by its own ends.
	list := []tick{{p.from, p.from.String()}}
	if p.bottom-p.top-2*pieceEnd >= apart {
		list = append(list, tick{p.to, p.to.String()})
	}
	return list
}

// scale gives a round number of days whose length can be shown beside the piece, 0 for a piece of one day.
func (p piece) scale() int {
	if p.from == p.to {
		return 0
	}
	best := 1
	for _, n := range []int{2, 5, 10, 30, 50, 100, 200, 365, 730, 1825, 3650, 36500} {
		if float64(n)*p.perDay() <= 10 && n <= int(p.to-p.from) {
			best = n
		}
	}
	return best
}

// cutWords says how much of the time between two pieces was left out.
func cutWords(before, after piece) string {
	years, months := 0, 0
	for !(before.to.AddMonths(12*(years+1)) > after.from) {
		years++
	}
	for !(before.to.AddMonths(12*years+months+1) > after.from) {
		months++
	}
	text := plural(int(after.from - before.to))
	if years > 0 {
		text = count(years, "year")
		if months > 0 {
			text += " " + count(months, "month")
		}
	}
	return fmt.Sprintf("Axis cut: %s left out, %s to %s. No day shown here begins or ends in between.", text, before.to, after.from)
}

func count(n int, unit string) string {
	if n == 1 {
		return "1 " + unit
	}
	return fmt.Sprintf("%d %ss", n, unit)
}
