package chart

// Room is memory that one who reads many records, one after another, hands on from each to the next. No reading is a part of it. The
// zero Room is ready, and a nil one is a new one for each record. It must not be used by two at once.
type Room struct {
	nodes []node
	list  []*node
	codes []coding
}

// take gives a node for each entry, a list of as many, and an empty list of codes with room for what entries usually have.
func (m *Room) take(entries int) ([]node, []*node, []coding) {
	if m == nil || cap(m.nodes) < entries {
		return make([]node, entries), make([]*node, entries), make([]coding, 0, 2*entries)
	}
	return m.nodes[:entries], m.list[:entries], m.codes
}

// keep takes back what take gave, emptied, so that it keeps no record alive.
func (m *Room) keep(nodes []node, list []*node, codes []coding) {
	if m == nil {
		return
	}
	clear(nodes)
	clear(list)
	clear(codes)
	m.nodes, m.list, m.codes = nodes[:0], list[:0], codes[:0]
}
