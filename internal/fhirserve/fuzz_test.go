package fhirserve_test

import (
	"encoding/json"
	"net/url"
	"strings"
	"testing"
)

// No search breaks the endpoint: it is answered, or refused as one that makes no
// sense; its next link can be followed; and what it says is JSON.
func FuzzSearch(f *testing.F) {
	for _, s := range []string{"patient=q1", "_lastUpdated=ge2025-06-01T12:00:00.000Z&_sort=-_lastUpdated&_count=1", "identifier=a|b,c\\,d|", "status:not=x", "_cursor=eyJpIjoiYSJ9",
		"_count=0&patient=,", "target=CarePlan/x", "_lastUpdated=2025-02-30", "%zz", "a;b", "patient=Patient/", "_id=\\", "_summary=count&_format=json&_pretty=true"} {
		f.Add("Task", s)
	}
	f.Add("PlanDefinition", "url=urn:x|1&version=|1")
	f.Add("Provenance", "target=/")
	var r *rig
	f.Fuzz(func(t *testing.T, typ, search string) {
		if r == nil {
			r = newRig(t, patients(2), nil)
		}
		r.t = t
		if strings.ContainsAny(typ+search, " \r\n\t#\x00\x7f") || strings.Contains(typ, "?") || strings.ContainsFunc(typ+search, func(c rune) bool { return c > 126 || c < 33 }) {
			return // no address of HTTP
		}
		if _, err := url.Parse("http://127.0.0.1/fhir/" + typ + "?" + search); err != nil {
			return
		}
		resp := r.ask("GET", "/fhir/"+typ+"?"+search, "", "Prefer", "handling=strict")
		var p page
		if err := json.NewDecoder(resp.Body).Decode(&p); err != nil {
			t.Fatalf("%d: %v", resp.StatusCode, err)
		}
		switch resp.StatusCode {
		case 200:
			if len(p.Entry) > p.Total {
				t.Errorf("%d of %d", len(p.Entry), p.Total)
			}
			if next := p.next(); next != "" {
				r.get(next, 200)
			}
		case 400, 404, 406, 410:
		default:
			t.Errorf("status %d", resp.StatusCode)
		}
	})
}
