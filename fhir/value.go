package fhir

import (
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Value is one JSON value of a document, and costs nothing to hand on. The zero Value is one that is not there. Texts that it gives
// share the document's memory.
type Value struct {
	in *document
	at uint32
}

// Document gives a resource as a value: what Decode has read, or what is read now where Raw came otherwise or was changed since. It is
// not there where Raw is not JSON.
func (r Resource) Document() Value {
	if r.doc.in != nil && len(r.Raw) > 0 {
		if raw := r.doc.bytes(); len(raw) == len(r.Raw) && &raw[0] == &r.Raw[0] {
			return r.doc
		}
	}
	return valueOf(r.Raw)
}

// valueOf gives the value of a whole document.
func valueOf(raw []byte) Value { return Value{in: index(raw)} }

func (v Value) node() *node { return &v.in.nodes[v.at] }

// Kind gives the first byte of a value: '{', '[', '"', 't', 'f', 'n', '0' for any number, and 0 for one that is not there.
func (v Value) Kind() byte {
	if v.in == nil {
		return 0
	}
	return v.in.nodes[v.at].kind
}

// Exists reports a value that is there; null is.
func (v Value) Exists() bool { return v.in != nil }

// IsArray reports a list.
func (v Value) IsArray() bool { return v.Kind() == '[' }

// IsObject reports an object.
func (v Value) IsObject() bool { return v.Kind() == '{' }

// Raw gives a value as it stands, "" for one that is not there.
func (v Value) Raw() string {
	if v.in == nil {
		return ""
	}
	n := v.node()
	return v.in.text[n.from:n.to]
}

// bytes is Raw, sharing the memory of what was read.
func (v Value) bytes() []byte {
	if v.in == nil {
		return nil
	}
	n := v.node()
	return v.in.src[n.from:n.to:n.to]
}

// Text gives a string; ok is false for any other value.
func (v Value) Text() (text string, ok bool) {
	if v.Kind() != '"' {
		return "", false
	}
	n := v.node()
	if n.escaped {
		return textOf(v.in.src[n.from:n.to])
	}
	return v.in.text[n.from+1 : n.to-1], true
}

// String gives a string's text, a number or boolean as it is written, an object or list as it stands, and "" for null.
func (v Value) String() string {
	switch v.Kind() {
	case '"':
		text, _ := v.Text()
		return text
	case 'n':
		return ""
	case '0':
		raw := v.Raw()
		if strings.Trim(raw[1:], "0123456789") == "" {
			return raw
		}
		return strconv.FormatFloat(v.Float(), 'f', -1, 64)
	}
	return v.Raw()
}

// Float gives a number, also one that is written as a string; 1 for true, 0 for anything else.
func (v Value) Float() float64 {
	text := ""
	switch v.Kind() {
	case 't':
		return 1
	case '0':
		text = v.Raw()
	case '"':
		text, _ = v.Text()
	}
	// What is no number gives 0, and one that is too large infinity.
	n, _ := strconv.ParseFloat(text, 64)
	return n
}

// Bool gives a boolean, also one that is written as a string or number.
func (v Value) Bool() bool {
	switch v.Kind() {
	case 't':
		return true
	case '0':
		return v.Float() != 0
	case '"':
		text, _ := v.Text()
		is, err := strconv.ParseBool(strings.ToLower(text))
		return err == nil && is
	}
	return false
}

// name gives the name of a value that is a member.
func (v Value) name() string {
	n := v.node()
	if n.nameEscaped {
		return text(v.in.src[n.name-1 : n.nameEnd+1])
	}
	return v.in.text[n.name:n.nameEnd]
}

// Get goes to an element by a path of names, and of numbers in lists: "meta.lastUpdated", "name.0.text".
func (v Value) Get(path string) Value {
	for at := strings.IndexByte(path, '.'); at >= 0; at = strings.IndexByte(path, '.') {
		if v = v.step(path[:at]); v.in == nil {
			return v
		}
		path = path[at+1:]
	}
	return v.step(path)
}

func (v Value) step(name string) Value {
	switch v.Kind() {
	case '{':
		return v.Member(name)
	case '[':
		left, err := strconv.ParseUint(name, 10, 32)
		if err != nil {
			break
		}
		for e := range v.inside() {
			if left == 0 {
				return e
			}
			left--
		}
	}
	return Value{}
}

// Member gives the first member of an object with this name.
func (v Value) Member(name string) Value {
	if v.Kind() != '{' {
		return Value{}
	}
	nodes, end := v.in.nodes, v.node().next
	for at := v.at + 1; at < end; at = nodes[at].next {
		m := &nodes[at]
		if m.nameEscaped {
			if (Value{v.in, at}).name() == name {
				return Value{v.in, at}
			}
		} else if int(m.nameEnd-m.name) == len(name) && v.in.text[m.name:m.nameEnd] == name {
			return Value{v.in, at}
		}
	}
	return Value{}
}

// inside gives the values that an object or list holds, in order.
func (v Value) inside() iter.Seq[Value] {
	return func(yield func(Value) bool) {
		if v.in == nil {
			return
		}
		for at, end := v.at+1, v.node().next; at < end; at = v.in.nodes[at].next {
			if !yield(Value{v.in, at}) {
				return
			}
		}
	}
}

// Members gives the members of an object, in order; none of anything else.
func (v Value) Members() iter.Seq2[string, Value] {
	return func(yield func(string, Value) bool) {
		if v.Kind() != '{' {
			return
		}
		for m := range v.inside() {
			if !yield(m.name(), m) {
				return
			}
		}
	}
}

// Each gives the elements of a list, in order; anything else but null counts as a list of one.
func (v Value) Each() iter.Seq[Value] {
	return func(yield func(Value) bool) {
		switch v.Kind() {
		case '[':
			v.inside()(yield)
		case 0, 'n':
		default:
			yield(v)
		}
	}
}

// List gives what Each gives as a list.
func (v Value) List() []Value { return slices.Collect(v.Each()) }

// Len counts what Each gives.
func (v Value) Len() int {
	n := 0
	for range v.Each() {
		n++
	}
	return n
}

// All gives every member inside a value, however deep, in order, with its name.
func (v Value) All() iter.Seq2[string, Value] {
	return func(yield func(string, Value) bool) {
		if v.in == nil {
			return
		}
		for at, end := v.at+1, v.node().next; at < end; at++ {
			if m := (Value{v.in, at}); m.node().name > 0 && !yield(m.name(), m) {
				return
			}
		}
	}
}

// Every gives the element at a path in each element of a list that has it, in order; none of anything but a list.
func (v Value) Every(path string) iter.Seq[Value] {
	return func(yield func(Value) bool) {
		if v.Kind() != '[' {
			return
		}
		for e := range v.inside() {
			if found := e.Get(path); found.Exists() && !yield(found) {
				return
			}
		}
	}
}

// Int gives a number without its fraction, as Float reads it.
func (v Value) Int() int64 {
	f := v.Float()
	if math.Abs(f) < 1<<53 {
		return int64(f)
	}
	// What no float holds exactly is read digit by digit; what is none, or larger, gives 0.
	n, _ := strconv.ParseInt(v.String(), 10, 64)
	return n
}
