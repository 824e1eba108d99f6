package surveil_test

import (
	"fmt"
	"reflect"
	"testing"

	"perennial/internal/surveil"
)

// Two plans are the same only if every field is, apart from the day on which they
// were made, the wake day and day counts: what Same passes over would stay in the
// store as it was.
func TestSameSeesEveryField(t *testing.T) {
	t.Parallel()
	var plan surveil.Plan
	fill(reflect.ValueOf(&plan).Elem())
	apart := map[string]bool{"Plan.AsOf": true, "Plan.Wake": true, "Reason.Days": true}
	seen := map[string]bool{}
	change(reflect.ValueOf(&plan).Elem(), "", func(name string, alter func() (undo func())) {
		before := plan.Trace()
		undo := alter()
		same := string(before) == string(plan.Trace())
		undo()
		if seen[name] = true; same != apart[name] {
			t.Errorf("%s: passed over %v, expected %v", name, same, apart[name])
		}
	})
	if len(seen) < 80 {
		t.Errorf("only %d fields were tried", len(seen))
	}
}

// fill gives every field a value, and every list one entry.
func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0))
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem())
	case reflect.String:
		v.SetString("a")
	case reflect.Bool:
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		v.SetInt(3)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(3)
	default:
		panic(fmt.Sprint("a field of a kind that is not known here: ", v.Kind()))
	}
}

// change offers to alter every plain value in turn.
func change(v reflect.Value, name string, try func(name string, alter func() func())) {
	set := func(to reflect.Value) {
		try(name, func() func() {
			was := reflect.New(v.Type()).Elem()
			was.Set(v)
			v.Set(to)
			return func() { v.Set(was) }
		})
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			change(v.Field(i), v.Type().Name()+"."+v.Type().Field(i).Name, try)
		}
	case reflect.Slice:
		change(v.Index(0), name, try)
	case reflect.Pointer:
		change(v.Elem(), name, try)
	case reflect.String:
		set(reflect.ValueOf("b").Convert(v.Type()))
	case reflect.Bool:
		set(reflect.ValueOf(!v.Bool()).Convert(v.Type()))
	default:
		set(reflect.ValueOf(4).Convert(v.Type()))
	}
}
