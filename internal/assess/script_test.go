package assess

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"reflect"
	"testing"
)

// TestScriptIsTheJSONOfTheContract: whatever stands in the answer of a filter, the digest of its script is that of what encoding/json
// writes of it. Every member is filled with a value of its own, in turn with lists and pointers that are nil, empty, or hold one or
// three; a member that the script forgets, or writes in another place, shows.
func TestScriptIsTheJSONOfTheContract(t *testing.T) {
	t.Parallel()
	for length := -1; length <= 3; length++ {
		var f Filter
		var p Person
		fill := filler{length: length}
		fill.value(reflect.ValueOf(&f).Elem())
		fill.value(reflect.ValueOf(&p).Elem())
		body, err := json.Marshal([]any{f, p, "Patient/<é>", length, true})
		if err != nil {
			t.Fatal(err)
		}
		s := newScript()
		s.open('[')
		s.filter(&f)
		s.person(p)
		s.text("Patient/<é>")
		s.whole(length)
		s.yes(true)
		s.close(']')
		if want := fmt.Sprintf("%x", sha256.Sum256(body)); s.digest() != want {
			t.Errorf("lists of length %d: the script is another than\n%s", length, body)
		}
	}
}

// filler gives every member a value that no other has.
type filler struct{ length, told int }

func (f *filler) value(v reflect.Value) {
	f.told++
	switch v.Kind() {
	case reflect.String:
		v.SetString([]string{"plain %d", "quote \" %d", "<b> & %d", "Žluťoučký %d", "line\n\\ %d"}[f.told%5])
		v.SetString(fmt.Sprintf(v.String(), f.told))
	case reflect.Int:
		v.SetInt(int64(f.told))
	case reflect.Float64:
		v.SetFloat(float64(f.told) / 8)
	case reflect.Bool:
		v.SetBool(f.told%2 == 0)
	case reflect.Pointer:
		if f.length < 0 {
			return
		}
		v.Set(reflect.New(v.Type().Elem()))
		f.value(v.Elem())
	case reflect.Slice:
		if f.length < 0 {
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), f.length, f.length))
		for i := range f.length {
			f.value(v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f.value(v.Field(i))
		}
	default:
		panic("the contract has a kind that this test does not fill: " + v.Kind().String())
	}
}
