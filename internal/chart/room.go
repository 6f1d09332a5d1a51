package chart

import "dwellwatch/internal/rules"

// Room is memory that one who reads many records, one after another, hands on from each to the next. The laboratory values of a reading
// are a part of it, and hold until the next is made; all else of it may be kept. The zero Room is ready, and a nil one is a new one for
// each record. It must not be used by two at once.
type Room struct {
	nodes []node
	list  []*node
	codes []coding
	labs  []rules.Lab
}

// take gives a node for each entry, a list of as many, and empty lists of codes and values with room for what entries usually have.
func (m *Room) take(entries int) ([]node, []*node, []coding, []rules.Lab) {
	if m == nil || cap(m.nodes) < entries {
		return make([]node, entries), make([]*node, entries), make([]coding, 0, 2*entries), nil
	}
	clear(m.labs[:cap(m.labs)])
	return m.nodes[:entries], m.list[:entries], m.codes, m.labs[:0]
}

// keep takes back what take gave, emptied but for the values, so that it keeps no record alive.
func (m *Room) keep(nodes []node, list []*node, codes []coding, labs []rules.Lab) {
	if m == nil {
		return
	}
	clear(nodes)
	clear(list)
	clear(codes)
	m.nodes, m.list, m.codes = nodes[:0], list[:0], codes[:0]
	if cap(labs) > cap(m.labs) {
		m.labs = labs
	}
}
