package assess

import (
	"reflect"
	"strconv"
	"testing"
)

// TestDigestSeesEveryMember: a change of any one member anywhere in the answer of a filter, or of the patient's head, makes another
// digest, and changing it back makes the old one again.
func TestDigestSeesEveryMember(t *testing.T) {
	t.Parallel()
	var all struct {
		Filter Filter
		Person Person
	}
	d := newDigest()
	of := func() string {
		d.filter(&all.Filter)
		d.person(all.Person)
		return d.take()
	}
	n := 0
	fill(reflect.ValueOf(&all).Elem(), &n)
	seen, was := map[string]string{}, of()
	changeEach(reflect.ValueOf(&all).Elem(), "", func(path string) {
		got := of()
		if got == was || seen[got] != "" {
			t.Errorf("a change of %s is not seen, or looks like one of %s", path, seen[got])
		}
		seen[got] = path
	})
	if len(seen) < 250 || of() != was {
		t.Errorf("%d members were changed, and changed back", len(seen))
	}
}

// TestDigestKnowsWhereOneTextEnds: texts that are the same when put together make different digests.
func TestDigestKnowsWhereOneTextEnds(t *testing.T) {
	t.Parallel()
	d := newDigest()
	seen := map[string][]string{}
	for _, texts := range [][]string{nil, {}, {""}, {"", ""}, {"ab"}, {"a", "b"}, {"ab", ""}, {"", "ab"}} {
		d.lists(texts)
		got := d.take()
		if other, there := seen[got]; there {
			t.Errorf("%q and %q make one digest", texts, other)
		}
		seen[got] = texts
	}
}

// fill gives every member a value of its own, and every list two elements.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.String:
		v.SetString("text " + strconv.Itoa(*n))
	case reflect.Int:
		v.SetInt(int64(*n))
	case reflect.Float64:
		v.SetFloat(float64(*n))
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	}
}

// changeEach changes every member below v, one after the other, and puts each back after it was looked at.
func changeEach(v reflect.Value, path string, look func(path string)) {
	was := reflect.New(v.Type()).Elem()
	was.Set(v)
	switch v.Kind() {
	case reflect.String:
		v.SetString(v.String() + "x")
	case reflect.Int:
		v.SetInt(-v.Int())
	case reflect.Float64:
		v.SetFloat(-v.Float())
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Pointer:
		changeEach(v.Elem(), path, look)
		v.SetZero()
	case reflect.Slice:
		for i := range v.Len() {
			changeEach(v.Index(i), path+"["+strconv.Itoa(i)+"]", look)
		}
		v.Set(v.Slice(0, 1))
	case reflect.Struct:
		for i := range v.NumField() {
			changeEach(v.Field(i), path+"."+v.Type().Field(i).Name, look)
		}
		return
	}
	look(path)
	v.Set(was)
}
