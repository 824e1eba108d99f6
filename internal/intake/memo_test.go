package intake

import (
	"math/rand/v2"
	"strings"
	"testing"
	"unsafe"

	"perennial/config"
	"perennial/internal/codes"
)

// What is kept of the book's answers is what the book says, however the combinations of codes follow one another.
func TestMemoSaysWhatTheBookSays(t *testing.T) {
	t.Parallel()
	book, problems := codes.Load(config.Files)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	rng := rand.New(rand.NewPCG(4, 2))
	list := []codes.Coding{{System: "http://www.ama-assn.org/go/cpt", Code: "74174"}, {System: "http://www.ama-assn.org/go/cpt", Code: "74175"}, {System: "http://www.ama-assn.org/go/cpt", Code: "93978"},
		{System: "urn:x", Code: "74174"}, {Code: "74174"}, {Code: "CTA"}, {System: "http://loinc.org", Code: "36141-0"}, {}}
	modalities := []codes.Coding{{System: "http://dicom.nema.org/resources/ontology/DCM", Code: "CT"}, {System: "http://dicom.nema.org/resources/ontology/DCM", Code: "US"}, {Code: "SR"}, {Code: "MR"}}
	var m memo
	known := 0
	room := make([]byte, 0, 400) // texts lie in a buffer that is used again and again
	for range 20_000 {
		buffer := room
		own := func(s string) string {
			from := len(buffer)
			buffer = append(buffer, s...)
			return unsafe.String(unsafe.SliceData(buffer[from:]), len(s))
		}
		var flat []codes.Coding
		var ask codes.Study
		for range rng.IntN(3) {
			from := len(flat)
			for range rng.IntN(3) {
				c := list[rng.IntN(len(list))]
				flat = append(flat, codes.Coding{System: own(c.System), Code: own(c.Code)})
			}
			ask.Procedure = append(ask.Procedure, codes.Concept{Codings: flat[from:len(flat):len(flat)]})
		}
		from := len(flat)
		for range rng.IntN(3) {
			flat = append(flat, modalities[rng.IntN(len(modalities))])
		}
		ask.Modalities = flat[from:]
		what, rule, ok := m.study(book, ask, flat)
		if w, r, o := book.Study(ask); w != what || r != rule || o != ok {
			t.Fatalf("%+v: %+v %+v %v, want %+v %+v %v", ask, what, rule, ok, w, r, o)
		}
		if ok {
			known++
		}
	}
	if known < 1000 {
		t.Errorf("only %d were known", known)
	}
	if formOf(codes.Study{Text: "x"}) != 0 || formOf(codes.Study{Procedure: make([]codes.Concept, 7)}) != 0 || formOf(codes.Study{Procedure: []codes.Concept{{Text: "x"}}}) != 0 {
		t.Error("something is kept that is asked for by more than codes")
	}
}

// The short way of reading an instant and the way for all forms agree.
func TestMillisBothWays(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(3, 3))
	short := 0
	for range 200_000 {
		text := []byte("2024-02-29T23:59:58.1234+01:00")
		for range rng.IntN(4) {
			text[rng.IntN(len(text))] = "0123456789-+:.TZ "[rng.IntN(17)]
		}
		s := string(text)
		switch rng.IntN(5) {
		case 0:
			s = strings.Replace(s, ".1234", "", 1)
		case 1:
			s = s[:rng.IntN(len(s)+1)]
		case 2:
			s = strings.Replace(s, "+01:00", "Z", 1)
		}
		got, want := Millis(s), int64(0)
		if s != "" {
			want = anyMillis(s)
		}
		if got != want {
			t.Fatalf("%q: %d, want %d", s, got, want)
		}
		if got != 0 {
			short++
		}
	}
	if short < 50_000 {
		t.Errorf("only %d could be read", short)
	}
}
