package fhir

import (
	"strconv"
	"strings"
)

// head holds the members that all resources have, and those of a Bundle, as they stand.
type head struct{ named, id, meta, kind, entry Value }

// headOf finds them. Of a name that is given twice the last counts.
func headOf(doc Value) head {
	var h head
	for name, value := range doc.Members() {
		switch name {
		case "resourceType":
			h.named = value
		case "id":
			h.id = value
		case "meta":
			h.meta = value
		case "type":
			h.kind = value
		case "entry":
			h.entry = value
		}
	}
	return h
}

// last gives the last member of an object with this name.
func (v Value) last(name string) Value {
	var out Value
	for n, m := range v.Members() {
		if n == name {
			out = m
		}
	}
	return out
}

// former compares a resource with shapes: it lists the elements that are of another JSON kind than FHIR gives them, and those of
// which two types are given at once. What stands there would be taken for missing, and the version would take the place of a good
// one. Only types whose elements are read are looked at.
type former struct {
	root   Value
	loose  bool // as DecodeLoose reads: the resource's own status and days are left out
	issues []Issue
}

// resource compares the root with the shape of its type; it has the elements that all resources have, too.
func (f *former) resource(kind string) {
	if !shaped(kind) {
		return
	}
	chosen := choices(kind)
	var given [2]int
	for name, v := range f.root.Members() {
		if chosen[0] != "" && (!f.loose || dayChoice(kind, name) == "") {
			f.choose(chosen, &given, name, f.root)
		}
		if f.loose && (name == "status" || DayKind(kind, name) != 0) {
			continue
		}
		typ := elementOf(kind, name)
		if typ == "" {
			typ = elementOf("Resource", name)
		}
		f.element(typ, v)
	}
}

// object compares an object with a shape.
func (f *former) object(kind string, object Value) {
	chosen := choices(kind)
	var given [2]int
	for name, v := range object.Members() {
		if chosen[0] != "" {
			f.choose(chosen, &given, name, object)
		}
		f.element(elementOf(kind, name), v)
	}
}

// choose counts the types given of each choice, and notes the second.
func (f *former) choose(chosen [2]string, given *[2]int, name string, of Value) {
	for n, one := range chosen {
		if one == "" || !chooses(name, one) {
			continue
		}
		if given[n]++; given[n] == 2 {
			f.note(strings.TrimPrefix(f.place(of)+"."+one, "."), "more than one "+one+"[x] is given; FHIR allows one")
		}
	}
}

// element compares a value with its type; "" is one that is not read.
func (f *former) element(typ string, v Value) {
	one, list := strings.CutSuffix(typ, "*")
	switch {
	case typ == "":
	case !list:
		f.single(one, v)
	case !v.IsArray():
		f.note(f.place(v), "a list was expected")
	default:
		for e := range v.inside() {
			// A list of strings may hold null where only an extension stands (http://hl7.org/fhir/R4/json.html#null).
			if one != "string" || e.Kind() != 'n' {
				f.single(one, e)
			}
		}
	}
}

func (f *former) single(typ string, v Value) {
	switch {
	case typ == "string":
		if v.Kind() != '"' {
			f.note(f.place(v), "a string was expected")
		}
	case !v.IsObject():
		f.note(f.place(v), "an object was expected")
	case typ == "object":
	case typ == "Contained":
		if kind, _ := v.last("resourceType").Text(); shaped(kind) {
			f.object(kind, v)
		}
	default:
		f.object(typ, v)
	}
}

func (f *former) note(place, text string) {
	if len(f.issues) < maxIssues {
		f.issues = append(f.issues, Issue{"error", "structure", place, text})
	}
}

// place writes where a value stands below the root. It is asked for only where there is something to say.
func (f *former) place(v Value) string {
	var b strings.Builder
	for at := f.root; at.at != v.at; {
		index := 0
		for e := range at.inside() {
			if v.at < e.at || v.at >= e.node().next {
				index++
				continue
			}
			switch {
			case at.IsArray():
				b.WriteString("[" + strconv.Itoa(index) + "]")
			case b.Len() > 0:
				b.WriteByte('.')
				fallthrough
			default:
				b.WriteString(e.name())
			}
			at = e
			break
		}
	}
	return b.String()
}
