package fhirtask_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhir"
)

func recalled() []*fhirtask.Recalled {
	at := time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)
	r := fhirtask.Recalled{Key: "recall|lot 7654321D|p1|Device/d1", Patient: "p1", Identifiers: []string{"urn:invented:mrn|0001"}, Device: "Device/d1", Implant: "Procedure/x",
		Asked: "lot 7654321D", Text: "Device recall, lot 7654321D.", At: at}
	died, inside, unknown := r, r, r
	died.Died, died.Key = true, r.Key+"/2"
	inside.Device, inside.Implant, inside.Key = "Procedure/x#d", "", r.Key+"/3"
	unknown.Patient, unknown.Identifiers, unknown.Key = "=urn:invented:mrn|0009", nil, r.Key+"/4"
	return []*fhirtask.Recalled{&r, &died, &inside, &unknown}
}

// A recall's Task is a proposal for the patient about the device, with the same
// identifier whenever it is written.
func TestRenderRecall(t *testing.T) {
	t.Parallel()
	var all bytes.Buffer
	for _, r := range recalled() {
		body, err := fhirtask.RenderRecall(site, r)
		if err != nil {
			t.Fatal(err)
		}
		later := *r
		later.At = r.At.AddDate(0, 0, 9)
		again, err := fhirtask.RenderRecall(site, &later)
		token := []byte(fhir.Token(site, r.Key))
		if err != nil || !bytes.Contains(body, token) || !bytes.Contains(again, token) {
			t.Errorf("%v: the identifier is not the same: %s", err, again)
		}
		all.Write(append(body, '\n'))
	}
	lines := strings.Split(all.String(), "\n")
	for i, want := range [][]string{
		{`"status":"requested"`, `"intent":"proposal"`, `"for":{"reference":"Patient/p1"`, `"focus":{"reference":"Device/d1"}`, `"reasonReference":{"reference":"Procedure/x"}`, `"text":"lot 7654321D"`, `"code":"waiting"`},
		{`"code":"for-record"`, `"status":"requested"`},
		{`"focus":{"identifier":{"system":"urn:perennial:fact","value":"Procedure/x#d"}}`},
		{`"for":{"identifier":{"system":"urn:invented:mrn","value":"0009"}}`},
	} {
		for _, w := range want {
			if !strings.Contains(lines[i], w) {
				t.Errorf("lacks %s\n%s", w, lines[i])
			}
		}
	}
	nobody := *recalled()[0]
	nobody.Patient, nobody.Identifiers = "", nil
	if _, err := fhirtask.RenderRecall(site, &nobody); fault.KindOf(err) != fault.Invalid {
		t.Errorf("of nobody: %v", err)
	}
	if out, err := validate(t, npm(t), all.Bytes()); err != nil || !strings.Contains(out, fmt.Sprintf("%d resources, 0 errors", len(recalled()))) {
		t.Errorf("%v\n%s", err, out)
	}
}
