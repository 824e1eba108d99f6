package fhir_test

import (
	"testing"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// An object keeps what it does not understand as it was written, and says what it means however that is written.
func TestObject(t *testing.T) {
	t.Parallel()
	o, err := fhir.ParseObject([]byte(`{"status":"draft","n":1.50,"list":[{"a":1},2],"odd":{"<b>":"&"}}`))
	if err != nil || o.Text("status") != "draft" || o.Text("n") != "" || o.Text("none") != "" || len(o.List("list")) != 2 || string(o.List("list")[0]) != `{"a":1}` || o.List("status") != nil {
		t.Errorf("%v %v", o, err)
	}
	o.Set("status", "active")
	if text, err := fhir.Encode(o); err != nil || string(text) != `{"list":[{"a":1},2],"n":1.50,"odd":{"<b>":"&"},"status":"active"}` {
		t.Errorf("%s %v", text, err)
	}
	same, _ := fhir.ParseObject([]byte(` { "odd" : {"<b>":"\u0026"}, "status":"active","list":[ {"a":1} , 2 ], "n":1.50 }`))
	other, _ := fhir.ParseObject([]byte(`{"status":"active","n":1.5,"list":[{"a":1},2],"odd":{"<b>":"&"}}`))
	if !o.Same(same) || o.Same(other) || o.Same(fhir.Object{}) {
		t.Errorf("same %v, with another precision %v", o.Same(same), o.Same(other))
	}
	for _, bad := range []string{"", "null", "[]", `"x"`, "{"} {
		if _, err := fhir.ParseObject([]byte(bad)); fault.KindOf(err) != fault.Unavailable {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if !fhir.SameIdentifier([]byte(`{"value":"v","system":"s","use":"old"}`), []byte(`{"system":"s","value":"v"}`)) || fhir.SameIdentifier([]byte(`{"value":"v"}`), []byte(`{"system":"s","value":"v"}`)) {
		t.Error("identifiers")
	}
}
