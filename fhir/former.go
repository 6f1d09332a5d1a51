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

// former compares a resource with what elementOf says: it lists the elements that are of another JSON kind than FHIR gives them, and those of
// which two types are given at once. What stands there would be taken for missing, and the version would take the place of a good
// one. Only types whose elements are read are looked at.
type former struct {
	root   Value
	loose  bool // as DecodeLoose reads: the resource's own status and days are left out
	issues []Issue
}

// resource compares the root with its type; it has the elements that all resources have, too.
func (f *former) resource(name string) {
	of := kindNamed(name)
	if of == noKind {
		return
	}
	chosen := choices(of)
	var given [2]int
	for member, v := range f.root.Members() {
		if chosen[0] != "" && (!f.loose || dayChoice(name, member) == "") {
			f.choose(&chosen, &given, member, f.root)
		}
		if f.loose && (member == "status" || DayKind(name, member) != 0) {
			continue
		}
		is := elementOf(of, member)
		if is == noKind {
			is = elementOf(kindResource, member)
		}
		f.element(is, v)
	}
}

// object compares an object with a type.
func (f *former) object(of kind, object Value) {
	chosen := choices(of)
	var given [2]int
	for member, v := range object.Members() {
		if chosen[0] != "" {
			f.choose(&chosen, &given, member, object)
		}
		f.element(elementOf(of, member), v)
	}
}

// choose counts the types given of each choice, and notes the second.
func (f *former) choose(chosen *[2]string, given *[2]int, name string, of Value) {
	for n, one := range chosen {
		if one == "" || !chooses(name, one) {
			continue
		}
		if given[n]++; given[n] == 2 {
			f.note(strings.TrimPrefix(f.place(of)+"."+one, "."), "more than one "+one+"[x] is given; FHIR allows one")
		}
	}
}

// element compares a value with what its element holds.
func (f *former) element(is kind, v Value) {
	one := is &^ list
	switch {
	case is == noKind:
	case is == one:
		f.single(one, v)
	case !v.IsArray():
		f.note(f.place(v), "a list was expected")
	default:
		for e := range v.inside() {
			// A list of strings may hold null where only an extension stands (http://hl7.org/fhir/R4/json.html#null).
			if one != kindString || e.Kind() != 'n' {
				f.single(one, e)
			}
		}
	}
}

func (f *former) single(is kind, v Value) {
	switch {
	case is == kindString:
		if v.Kind() != '"' {
			f.note(f.place(v), "a string was expected")
		}
	case !v.IsObject():
		f.note(f.place(v), "an object was expected")
	case is == kindObject:
	case is == kindContained:
		name, _ := v.last("resourceType").Text()
		if of := kindNamed(name); of != noKind {
			f.object(of, v)
		}
	default:
		f.object(is, v)
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
