package intake

import (
	"math/rand/v2"
	"reflect"
	"strconv"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// Every field of every fact comes back as it was: a field that is added to the
// chart and forgotten in the packing fails here.
func TestStatementsComeBackAsTheyWere(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	typ := reflect.TypeFor[chart.Statement]()
	for i := range typ.NumField() {
		for range 200 {
			var s chart.Statement
			s.Ref = "Procedure/" + randomText(rng)
			fill(rng, reflect.ValueOf(&s).Elem().Field(i))
			s.Patient = "p"
			var g Grouper
			g.Add(&s, Place{File: "f", Line: 3})
			g.seal()
			var rd reader
			var got chart.Statement
			g.each(&rd, 0, func(st *stored) { got = st.s })
			if !reflect.DeepEqual(got, s) {
				t.Fatalf("%s: came back as\n%+v, was\n%+v", typ.Field(i).Name, show(got), show(s))
			}
		}
	}
}

// show follows the pointers of a statement.
func show(s chart.Statement) []any {
	out := []any{s}
	v := reflect.ValueOf(s)
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.Pointer && !f.IsNil() {
			out = append(out, f.Elem().Interface())
		}
	}
	return out
}

// fill sets a value, and all in it, at random; every field of a fact is set to
// something else than zero now and then.
func fill(rng *rand.Rand, v reflect.Value) {
	switch {
	case v.Type() == reflect.TypeFor[day.Span]():
		first := day.Day(rng.IntN(800000))
		span := day.Span{First: first, Last: first + day.Day(rng.IntN(3))}
		if rng.IntN(4) == 0 {
			span = day.Span{}
		}
		v.Set(reflect.ValueOf(span))
	case v.Type() == reflect.TypeFor[chart.Death]():
		d := chart.Death{Known: rng.IntN(2) == 0}
		if d.Known {
			fill(rng, reflect.ValueOf(&d.On).Elem())
			fill(rng, reflect.ValueOf(&d.Source).Elem())
		}
		v.Set(reflect.ValueOf(d))
	case v.Kind() == reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(rng, v.Elem())
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			if v.Type() != reflect.TypeFor[chart.Finding]() || v.Type().Field(i).Name != "Confirmed" { // only the engine fills it in
				fill(rng, v.Field(i))
			}
		}
	case v.Kind() == reflect.Slice:
		if n := rng.IntN(3); n > 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n))
			for i := range n {
				fill(rng, v.Index(i))
			}
		}
	default:
		fillPlain(rng, v)
	}
}

func fillPlain(rng *rand.Rand, v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(randomText(rng))
	case reflect.Bool:
		v.SetBool(rng.IntN(2) == 0)
	case reflect.Int, reflect.Int32, reflect.Int64:
		n := int64(rng.Uint64()) >> rng.IntN(63)
		if v.OverflowInt(n) {
			n = -1
		}
		v.SetInt(n)
	case reflect.Uint8, reflect.Uint16:
		v.SetUint(rng.Uint64() & 0xff)
	default:
		panic("no random " + v.Kind().String())
	}
}

// randomText gives the forms that are packed differently, and odd ones.
func randomText(rng *rand.Rand) string {
	const letters = "abcdef0123456789-/|.:# ABCDEFué"
	switch rng.IntN(7) {
	case 0:
		return ""
	case 1:
		return "ImagingStudy/0018ca84-247c-e255-bdd2-c3f4b2013f51"
	case 2:
		return "ImagingStudy/0018ca84-247c-e255-bdd2-c3f4b2013F51" // a capital: no small UUID
	case 3:
		return "1.2.840.999." + string([]byte{byte('0' + rng.IntN(10))})
	case 4:
		return "urn:x|" + letters[:rng.IntN(8)]
	}
	runes := []rune(letters)
	out := make([]rune, rng.IntN(120))
	for i := range out {
		out[i] = runes[rng.IntN(len(runes))]
	}
	return string(out)
}

// Studies keep their own sort and marks when there are more sorts than are
// numbered, and when the same ones come again.
func TestManyShapesOfStudies(t *testing.T) {
	t.Parallel()
	const n = mostShapes + 500
	study := func(i int) *chart.Study {
		return &chart.Study{Kind: chart.Kind(i % 11), Covers: chart.Territory(i % 300), State: chart.StudyState(i % 3), How: "rule " + strconv.Itoa(i/2), NonImage: i%2 == 0, CodedSeparate: i%5 == 0, Modality: "ct"[:i%3]}
	}
	var g Grouper
	for i := range 2 * n {
		g.Add(&chart.Statement{Ref: "ImagingStudy/" + strconv.Itoa(i), Patient: "p", Study: study(i % n)}, Place{})
	}
	if got := len(g.words.shapes.list); got != mostShapes {
		t.Fatalf("%d sorts are numbered, want %d", got, mostShapes)
	}
	g.seal()
	var rd reader
	i := 2 * n
	g.each(&rd, 0, func(st *stored) {
		if i--; !reflect.DeepEqual(st.s.Study, study(i%n)) {
			t.Fatalf("study %d came back as\n%+v, was\n%+v", i, st.s.Study, study(i%n))
		}
	})
	if i != 0 {
		t.Fatalf("%d studies did not come back", i)
	}
}

// A statement that is larger than a block has one of its own.
func TestLargeStatement(t *testing.T) {
	t.Parallel()
	var g Grouper
	big := chart.Statement{Ref: "Patient/a", Patient: "a", Person: &chart.Person{ID: "a", Name: string(make([]byte, 3*blockSize))}}
	small := chart.Statement{Ref: "Encounter/e", Patient: "a", Contact: &chart.Contact{What: "encounter"}}
	for range 3 {
		g.Add(&big, Place{})
		g.Add(&small, Place{})
	}
	var group Group
	g.Groups().At(0, &group)
	if len(group.Statements) != 6 || len(group.Statements[1].Person.Name) != 3*blockSize {
		t.Errorf("%d statements came back", len(group.Statements))
	}
}
