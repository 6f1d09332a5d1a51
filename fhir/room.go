package fhir

// Room is memory that one who decodes many documents, one after another, hands on from each to the next: what is decoded in it may be
// used until the next is. Texts may be kept for ever: they are of the body. The zero Room is ready, and a nil one is a new one for
// each document. It must not be used by two at once.
type Room struct {
	doc     document
	entries []Entry
}

// DecodeWhole is the function of that name.
func (m *Room) DecodeWhole(body []byte) (Resource, Bundle, error) {
	r, err := decode(m, body, false)
	if err != nil || r.Type != "Bundle" {
		return r, Bundle{}, err
	}
	b, err := readEntries(m, r, false)
	return r, b, err
}

// valueOf gives the value of a whole document.
func (m *Room) valueOf(raw []byte) Value {
	if m == nil {
		return valueOf(raw)
	}
	if !m.doc.read(raw) {
		return Value{}
	}
	return Value{in: &m.doc}
}

// entriesFor gives an empty list that holds as many entries as are to come.
func (m *Room) entriesFor(many int) []Entry {
	if m == nil {
		return make([]Entry, 0, many)
	}
	if cap(m.entries) < many {
		m.entries = make([]Entry, 0, many)
	}
	clear(m.entries[:cap(m.entries)]) // nothing of an earlier document is kept alive
	return m.entries[:0]
}
