package fhir

import (
	"math"
	"slices"
	"unsafe"
)

// document is JSON that was read through once: where each of its values stands. Nothing of it is built, and no value is read twice.
type document struct {
	src   []byte
	text  string // the same memory, so that what is taken out of it needs no copy of its own
	nodes []node // of all values, each before those that it holds
	// clean says that scan finds nothing at fault.
	clean bool
}

// node is one value of a document.
type node struct {
	from, to      uint32 // its bytes
	name, nameEnd uint32 // those of the member's name, without the quotes
	next          uint32 // the node after it and all that it holds
	kind          byte   // its first byte; '0' for any number
	escaped       bool   // the text is not what stands there: it has escapes, or is at fault
	nameEscaped   bool   // nor is the name
}

// index reads a document from end to end. It gives nil for what is not JSON or longer than 4 GiB; what else is at fault is told by
// scan only. A test holds the two together. What is nested too deep has a node, but those that it holds have none.
func index(src []byte) *document {
	var d document
	if !d.read(src) {
		return nil
	}
	return &d
}

// read is index into a document whose memory is taken anew.
func (d *document) read(src []byte) bool {
	if len(src) > math.MaxUint32 {
		return false
	}
	x := indexer{src: src, nodes: slices.Grow(d.nodes[:0], len(src)/16+4), clean: true}
	end := x.value(skipSpace(src, 0), node{})
	*d = document{src: src, nodes: x.nodes, clean: x.clean}
	if end < 0 || skipSpace(src, end) < len(src) {
		return false
	}
	// Whoever gives a document away does not write into it any more, as is said of Raw.
	d.text = unsafe.String(unsafe.SliceData(src), len(src))
	return true
}

// indexer is the work in hand. Its methods give the place after what they read, and -1 where that is not JSON.
type indexer struct {
	src   []byte
	nodes []node
	depth int
	clean bool
}

// value reads the value at at; n tells how its member is named.
func (x *indexer) value(at int, n node) int {
	if at == len(x.src) {
		return -1
	}
	n.from, n.kind = uint32(at), x.src[at]
	self, end := len(x.nodes), -1
	x.nodes = append(x.nodes, n)
	switch n.kind {
	case '"':
		end, x.nodes[self].escaped = x.string(at)
	case '{', '[':
		end = x.nested(at, self)
	case 't':
		end = x.word(at, "true")
	case 'f':
		end = x.word(at, "false")
	case 'n':
		end = x.word(at, "null")
	default:
		s := scanner{src: x.src, pos: at}
		if s.number() {
			end = s.pos
		}
		x.nodes[self].kind = '0'
	}
	x.nodes[self].to, x.nodes[self].next = uint32(end), uint32(len(x.nodes))
	return end
}

func (x *indexer) word(at int, word string) int {
	end := at + len(word)
	if end > len(x.src) || string(x.src[at:end]) != word {
		return -1
	}
	return end
}

// string reads a string, and tells whether its text is another than what stands there. Nearly all are plain, and need no second look.
func (x *indexer) string(at int) (end int, escaped bool) {
	if end = plainEnd(x.src, at+1); end < len(x.src) && x.src[end] == '"' {
		return end + 1, false
	}
	s := scanner{src: x.src, pos: at}
	_, escaped, ok := s.text()
	if !ok {
		return -1, escaped
	}
	faulty := len(s.issues) > 0
	x.clean = x.clean && !faulty
	return s.pos, escaped || faulty
}

func (x *indexer) nested(at, self int) (end int) {
	if x.depth == maxDepth {
		x.clean = false
		return valueEnd(x.src, at)
	}
	x.depth++
	if x.src[at] == '{' {
		end = x.object(at, self)
	} else {
		end = x.array(at)
	}
	x.depth--
	return end
}

func (x *indexer) object(at, self int) int {
	if at = skipSpace(x.src, at+1); at < len(x.src) && x.src[at] == '}' {
		return at + 1
	}
	given := names{of: self}
	for {
		if at >= len(x.src) || x.src[at] != '"' {
			return -1
		}
		end, escaped := x.string(at)
		if end < 0 {
			return -1
		}
		n := node{name: uint32(at + 1), nameEnd: uint32(end - 1), nameEscaped: escaped}
		x.clean = x.clean && !given.twice(x, n)
		if at = skipSpace(x.src, end); at >= len(x.src) || x.src[at] != ':' {
			return -1
		}
		if at = x.value(skipSpace(x.src, at+1), n); at < 0 {
			return -1
		}
		if at = skipSpace(x.src, at); at >= len(x.src) {
			return -1
		}
		switch x.src[at] {
		case ',':
			at = skipSpace(x.src, at+1)
		case '}':
			return at + 1
		default:
			return -1
		}
	}
}

func (x *indexer) array(at int) int {
	if at = skipSpace(x.src, at+1); at < len(x.src) && x.src[at] == ']' {
		return at + 1
	}
	for {
		if at = x.value(at, node{}); at < 0 {
			return -1
		}
		if at = skipSpace(x.src, at); at >= len(x.src) {
			return -1
		}
		switch x.src[at] {
		case ',':
			at = skipSpace(x.src, at+1)
		case ']':
			return at + 1
		default:
			return -1
		}
	}
}

// names tells of the members of an object whether one of the same name was there. Two names of one length, first and last letter are
// rare, so that nearly none is compared with another.
type names struct {
	of, count int
	seen      uint64              // a bit for each kind of name
	many      map[string]struct{} // the names of a large object
}

func (g *names) twice(x *indexer, n node) bool {
	const few = 32
	raw := x.src[n.name:n.nameEnd]
	g.count++
	if g.many != nil || n.nameEscaped || g.count > few {
		return g.twiceOfMany(x, n)
	}
	bit := uint64(1)
	if len(raw) > 0 {
		bit <<= (uint(raw[0])*5 + uint(raw[len(raw)-1]) + uint(len(raw))*11) % 64
	}
	there := g.seen&bit != 0
	g.seen |= bit
	if !there {
		return false
	}
	for at := g.of + 1; at < len(x.nodes); at = int(x.nodes[at].next) {
		if m := x.nodes[at]; string(x.src[m.name:m.nameEnd]) == string(raw) {
			return true
		}
	}
	return false
}

// twiceOfMany is twice by a set of all names, as they read without escapes.
func (g *names) twiceOfMany(x *indexer, n node) bool {
	if g.many == nil {
		g.many = make(map[string]struct{}, 2*g.count)
		for at := g.of + 1; at < len(x.nodes); at = int(x.nodes[at].next) {
			g.many[x.nameOf(x.nodes[at])] = struct{}{}
		}
	}
	name := x.nameOf(n)
	_, there := g.many[name]
	g.many[name] = struct{}{}
	return there
}

func (x *indexer) nameOf(n node) string {
	if !n.nameEscaped {
		return string(x.src[n.name:n.nameEnd])
	}
	return text(x.src[n.name-1 : n.nameEnd+1])
}
