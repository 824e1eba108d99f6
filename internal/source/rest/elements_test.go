package rest_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"perennial/internal/fhirhttp"
	"perennial/internal/source/rest"
	"perennial/internal/testkit/fakefhir"
)

// Q26: of studies a server that can do so is asked for the members that are read alone; that costs a poll nothing.
func TestQ26PartsOfStudies(t *testing.T) {
	t.Parallel()
	server := fakefhir.Start(t, fakefhir.Options{Types: []string{"Patient", "ImagingStudy"}})
	for i := range 12 {
		server.Put("ImagingStudy", fmt.Sprintf("s%d", i), fmt.Sprintf(`"status":"available","subject":{"reference":"Patient/a"},"started":"2026-01-%02d","note":[{"text":"long"}]`, i+1))
	}
	server.Advance(time.Hour)
	client, err := fhirhttp.New(fhirhttp.Options{Base: server.Base})
	if err != nil {
		t.Fatal(err)
	}
	cursor := ""
	look := func(o rest.Options) (bodies []string, asked []string) {
		t.Helper()
		server.Asked()
		o.Name, o.Types, o.Now = "main", []string{"Patient", "ImagingStudy"}, server.Now
		for b, err := range rest.New(client, o).Fetch(t.Context(), cursor) {
			if err != nil {
				t.Fatal(err)
			}
			for _, raw := range b.Resources {
				bodies = append(bodies, string(raw.Body))
			}
			cursor = b.Cursor
		}
		return bodies, server.Asked()
	}
	bodies, _ := look(rest.Options{})
	if len(bodies) != 12 || strings.Contains(strings.Join(bodies, ""), "long") || strings.Count(strings.Join(bodies, ""), `"started"`) != 12 {
		t.Errorf("%d studies: %s", len(bodies), bodies)
	}
	server.Advance(time.Hour)
	if _, asked := look(rest.Options{}); len(asked) != 2 || !strings.Contains(asked[1], "_elements=identifier%2Cstatus") {
		t.Errorf("a poll with nothing new asked %q", asked)
	}
	cursor = ""
	if bodies, _ := look(rest.Options{WholeResources: true}); len(bodies) != 12 || strings.Count(strings.Join(bodies, ""), "long") != 12 {
		t.Errorf("whole studies: %s", bodies)
	}
}

// A server that leaves out of a part what was asked for, that changes it, or that gives no parts, is asked for whole
// resources.
func TestPartsThatDiffer(t *testing.T) {
	t.Parallel()
	const whole = `{"resourceType":"ImagingStudy","id":"s","meta":{"versionId":"1","lastUpdated":"2026-01-02T03:04:05Z"},"status":"available","subject":{"reference":"Patient/a"},"started":"2026-01-01","_description":{"extension":[{"url":"urn:x","valueBoolean":true}]},"note":[{"text":"long"}]}`
	part := strings.Replace(strings.Replace(whole, `,"note":[{"text":"long"}]`, "", 1), `05Z"`, `05Z","tag":[{"code":"SUBSETTED"}]`, 1)
	for name, c := range map[string]struct {
		part  string
		wants bool
	}{
		"agrees":               {part, true},
		"leaves a member out":  {strings.Replace(part, `"started":"2026-01-01",`, "", 1), false},
		"changes a member":     {strings.Replace(part, "2026-01-01", "2026-01", 1), false},
		"leaves a reason out":  {strings.Replace(part, `,"_description":{"extension":[{"url":"urn:x","valueBoolean":true}]}`, "", 1), false},
		"gives the whole":      {whole, false},
		"does not mark a part": {strings.Replace(part, "SUBSETTED", "x", 1), false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
				body := whole
				if q.URL.Query().Has("_elements") {
					body = c.part
				}
				if !strings.HasSuffix(q.URL.Path, "/s") {
					body = `{"resourceType":"Bundle","type":"searchset","total":1,"entry":[{"resource":` + body + `,"search":{"mode":"match"}}]}`
				}
				w.Header().Set("Content-Type", "application/fhir+json")
				fmt.Fprint(w, body)
			}))
			t.Cleanup(server.Close)
			client, err := fhirhttp.New(fhirhttp.Options{Base: server.URL})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for b, err := range rest.New(client, rest.Options{Name: "main", Types: []string{"ImagingStudy"}}).Fetch(t.Context(), "") {
				if err != nil {
					t.Fatal(err)
				}
				for _, raw := range b.Resources {
					got = append(got, string(raw.Body))
				}
			}
			if want := map[bool]string{true: c.part, false: whole}[c.wants]; len(got) != 1 || got[0] != want {
				t.Errorf("read %s", got)
			}
		})
	}
}
