package plan

import (
	"reflect"
	"strconv"
	"testing"
)

// TestSameSeesEveryMember: of two plans that are filled alike, a change of any one member anywhere makes another plan, and changing it
// back makes it the same again.
func TestSameSeesEveryMember(t *testing.T) {
	t.Parallel()
	a, b := filled(), filled()
	if !Same(a, b) || !Same(nil, nil) || Same(a, nil) || Same(nil, a) || Same(a, &Plan{}) {
		t.Fatal("equal plans are not the same, or one and none are")
	}
	changes := 0
	change(reflect.ValueOf(b).Elem(), func(path string) {
		changes++
		if Same(a, b) || Same(b, a) {
			t.Errorf("a change of Plan%s is not seen", path)
		}
	}, "")
	if changes < 120 || !Same(a, b) {
		t.Errorf("%d members were changed, and changed back", changes)
	}
}

func filled() *Plan {
	var p Plan
	n := 0
	var fill func(v reflect.Value)
	fill = func(v reflect.Value) {
		n++
		switch v.Kind() {
		case reflect.String:
			v.SetString("text " + strconv.Itoa(n))
		case reflect.Int:
			v.SetInt(int64(n))
		case reflect.Float64:
			v.SetFloat(float64(n))
		case reflect.Pointer:
			v.Set(reflect.New(v.Type().Elem()))
			fill(v.Elem())
		case reflect.Slice:
			v.Set(reflect.MakeSlice(v.Type(), 2, 2))
			fill(v.Index(0))
			fill(v.Index(1))
		case reflect.Struct:
			for i := range v.NumField() {
				fill(v.Field(i))
			}
		}
	}
	fill(reflect.ValueOf(&p).Elem())
	return &p
}

// change changes every member below v, one after the other, and puts each back after it was looked at.
func change(v reflect.Value, look func(path string), path string) {
	was := reflect.New(v.Type()).Elem()
	was.Set(v)
	switch v.Kind() {
	case reflect.String:
		v.SetString(v.String() + "x")
	case reflect.Int:
		v.SetInt(v.Int() + 1)
	case reflect.Float64:
		v.SetFloat(v.Float() + 1)
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Pointer:
		change(v.Elem(), look, path)
		v.SetZero()
	case reflect.Slice:
		for i := range v.Len() {
			change(v.Index(i), look, path+"["+strconv.Itoa(i)+"]")
		}
		v.Set(v.Slice(0, 1))
	case reflect.Struct:
		for i := range v.NumField() {
			change(v.Field(i), look, path+"."+v.Type().Field(i).Name)
		}
		return
	}
	look(path)
	v.Set(was)
}
