package probe_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/probe"
	"perennial/internal/testkit/fhirpeer"
)

// hospital is a FHIR server of a test: bodies by type, and what it does otherwise.
type hospital struct {
	offers     string // types, separated by blanks; "": no CapabilityStatement
	version    string // of FHIR; "": 4.0.1
	task       string // more of what it says about Task
	resources  map[string][]string
	ignores    bool           // parameters
	alone      bool           // it takes no batches
	wholeOnly  bool           // it refuses a search by the system of an identifier alone
	refuses    map[string]int // type → status
	wrote, ask int
}

func (h *hospital) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	if q.Method != http.MethodGet {
		h.wrote++
	}
	typ := strings.TrimPrefix(q.URL.Path, "/")
	if typ == "metadata" {
		h.metadata(w)
		return
	}
	h.ask++
	if status := h.refuses[typ]; status != 0 {
		w.WriteHeader(status)
		io.WriteString(w, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"forbidden","diagnostics":"Testa Quay"}]}`)
		return
	}
	if h.wholeOnly && strings.HasSuffix(q.URL.Query().Get("identifier"), "|") {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	list := h.resources[typ]
	if !h.ignores && (q.URL.Query().Has("_lastUpdated") || q.URL.Query().Has("identifier")) {
		list = nil
	}
	var entries []string
	for _, r := range list {
		entries = append(entries, `{"resource":`+r+`}`)
	}
	fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","entry":[%s]}`, strings.Join(entries, ","))
}

func (h *hospital) metadata(w http.ResponseWriter) {
	if h.offers == "" {
		w.WriteHeader(http.StatusNotFound)
		return
	}
	var types []string
	for typ := range strings.FieldsSeq(h.offers) {
		more := ""
		if typ == "Task" {
			more = h.task
		}
		types = append(types, fmt.Sprintf(`{"type":%q,"interaction":[{"code":"search-type"},{"code":"read"}%s}`, typ, more+map[bool]string{true: "]"}[more == ""]))
	}
	version := h.version
	if version == "" {
		version = "4.0.1"
	}
	batch := `,"interaction":[{"code":"batch"}]`
	if h.alone {
		batch = ""
	}
	fmt.Fprintf(w, `{"resourceType":"CapabilityStatement","fhirVersion":%q,"rest":[{"mode":"server","resource":[%s]%s}]}`, version, strings.Join(types, ","), batch)
}

func options(t *testing.T, h http.Handler) probe.Options {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return optionsAt(t, s.URL)
}

func optionsAt(t *testing.T, base string) probe.Options {
	t.Helper()
	c, err := fhirhttp.New(fhirhttp.Options{Base: base, Tries: 1})
	if err != nil {
		t.Fatal(err)
	}
	book, problems := codes.Load(config.Files)
	if len(problems) > 0 {
		t.Fatal(problems[0])
	}
	return probe.Options{Client: c, Book: book, Types: []string{"Patient", "Procedure", "ImagingStudy", "Device", "Appointment"}}
}

// good is a server without a fault.
func good() *hospital {
	return &hospital{offers: "Patient Procedure ImagingStudy Device Appointment Task", task: `,{"code":"create"},{"code":"update"}],"conditionalCreate":true,"versioning":"versioned-update"`,
		resources: map[string][]string{
			"Patient":      {`{"resourceType":"Patient","id":"p1","identifier":[{"value":"QV-1"}],"birthDate":"1950-01-01","telecom":[{"system":"phone","value":"555 0100"}],"name":[{"family":"Quay","given":["Testa"]}]}`},
			"Procedure":    {`{"resourceType":"Procedure","id":"e1","status":"completed","subject":{"reference":"Patient/p1"},"performedDateTime":"2024-01-01","code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]}}`},
			"ImagingStudy": {`{"resourceType":"ImagingStudy","id":"s1","status":"available","subject":{"reference":"Patient/p1"},"started":"2024-02-01","modality":[{"code":"CT"}],"procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"74174"}]}]}`},
			"Device":       {`{"resourceType":"Device","id":"d1","lotNumber":"L1","type":{"text":"stent graft"},"patient":{"reference":"Patient/p1"}}`},
		}}
}

// told is the report as it is printed, which holds nothing about a patient.
func told(t *testing.T, r *probe.Report) string {
	t.Helper()
	text, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, word := range []string{"Testa", "Quay", "QV-1", "1950-01-01", "p1"} {
		if strings.Contains(string(text), word) {
			t.Errorf("the report tells %s: %s", word, text)
		}
	}
	return string(text)
}

func TestGoodServer(t *testing.T) {
	t.Parallel()
	h := good()
	r, err := probe.Source(t.Context(), options(t, h))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Findings) != 0 || r.Severe() || len(r.Settings) != 0 || len(r.Codes) != 0 || h.wrote != 0 || r.FHIRVersion != "4.0.1" {
		t.Errorf("%s, %d writes", told(t, r), h.wrote)
	}
	want := []probe.Type{{"Patient", "yes", "yes", "yes", 1}, {"Procedure", "yes", "yes", "yes", 1}, {"ImagingStudy", "yes", "yes", "yes", 1}, {"Device", "yes", "yes", "yes", 1}, {"Appointment", "yes", "yes", "unsure", 0}}
	if !slices.Equal(r.Types, want) {
		t.Errorf("%+v", r.Types)
	}
	if r, err := probe.Tasks(t.Context(), options(t, h)); err != nil || len(r.Findings) != 0 || h.wrote != 0 {
		t.Errorf("%+v %v", r, err)
	}
}

// Each fault of a server is said, with what it means, and whether it is severe.
func TestFindings(t *testing.T) {
	t.Parallel()
	study := func(more string) string {
		return `{"resourceType":"ImagingStudy","id":"s","status":"available","subject":{"reference":"Patient/p1"}` + more + `}`
	}
	for name, c := range map[string]struct {
		spoil  func(*hospital)
		says   string
		severe bool
	}{
		"another version":     {func(h *hospital) { h.version = "5.0.0" }, `the server says FHIR \"5.0.0\"`, true},
		"no statement":        {func(h *hospital) { h.offers = "" }, "the CapabilityStatement cannot be read", false},
		"needed not offered":  {func(h *hospital) { h.offers, h.refuses = "Patient Procedure", map[string]int{"ImagingStudy": 404} }, "the search fails", true},
		"not offered":         {func(h *hospital) { h.offers = "Patient Procedure ImagingStudy" }, "does not offer Device", false},
		"refused":             {func(h *hospital) { h.refuses = map[string]int{"Procedure": 403} }, "status 403; error forbidden", true},
		"refused, not needed": {func(h *hospital) { h.refuses = map[string]int{"Device": 403} }, "status 403", false},
		"empty":               {func(h *hospital) { h.resources["Patient"] = nil }, "the search finds nothing", true},
		"ignores":             {func(h *hospital) { h.ignores = true }, "poll-every-minutes", false},
		"no procedureCode": {func(h *hospital) {
			h.resources["ImagingStudy"] = append(h.resources["ImagingStudy"], study(`,"started":"2024-02-01","modality":[{"code":"CT"}]`), study(`,"started":"2024-02-01","modality":[{"code":"CT"}]`))
		}, `"what":"no procedureCode","means":"What the images show is then taken from the order, the modality and the body site; often it settles no visit until a person says so.","count":2,"of":3`, false},
		"no start": {func(h *hospital) { h.resources["ImagingStudy"] = []string{study("")} }, "no start", false},
		"no dates": {func(h *hospital) {
			h.resources["Procedure"][0] = strings.Replace(h.resources["Procedure"][0], "performedDateTime", "x", 1)
		}, `"what":"no date"`, false},
		"unreadable": {func(h *hospital) {
			h.resources["Procedure"][0] = strings.Replace(h.resources["Procedure"][0], "completed", "Testa", 1)
		}, "cannot be read", false},
		"local code": {func(h *hospital) {
			h.resources["Procedure"][0] = strings.Replace(h.resources["Procedure"][0], "http://www.ama-assn.org/go/cpt", "urn:local", 1)
		}, `"unmapped":[{"count":1,"on":"operation","system":"urn:local","code":"34705"}],"settings":["codes:"`, false},
		"words for a code": {func(h *hospital) {
			h.resources["Procedure"][0] = strings.Replace(h.resources["Procedure"][0], `"code":"34705"`, `"code":"stent of Testa Quay"`, 1)
		}, `"code":"(not shown)"`, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := good()
			c.spoil(h)
			r, err := probe.Source(t.Context(), options(t, h))
			if err != nil {
				t.Fatal(err)
			}
			if text := told(t, r); !strings.Contains(text, c.says) || r.Severe() != c.severe {
				t.Errorf("severe %v: %s", r.Severe(), text)
			}
			for _, f := range r.Findings {
				if f.Means == "" {
					t.Errorf("what does it mean that %s?", f.What)
				}
			}
		})
	}
}

func TestTasks(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		spoil  func(*hospital)
		says   string
		severe bool
	}{
		"read only":    {func(h *hospital) { h.task = "" }, "out:", true},
		"no Task":      {func(h *hospital) { h.offers = "Patient" }, "does not offer to create and update", true},
		"refused":      {func(h *hospital) { h.refuses = map[string]int{"Task": 403} }, "status 403", true},
		"no condition": {func(h *hospital) { h.task = strings.Replace(h.task, "true", "false", 1) }, "no conditional create", false},
		"no versions":  {func(h *hospital) { h.task = strings.Replace(h.task, "versioned-update", "no-version", 1) }, "no versions", false},
		"ignores":      {func(h *hospital) { h.ignores, h.resources["Task"] = true, []string{`{"resourceType":"Task"}`} }, "ignores the identifier", false},
		"no statement": {func(h *hospital) { h.offers = "" }, "cannot be read", false},
		"no batch":     {func(h *hospital) { h.alone = true }, "no batch", false},
		"whole only":   {func(h *hospital) { h.wholeOnly = true }, "by the system of an identifier alone fails", false},
		"what to set":  {func(h *hospital) { h.offers = "Patient" }, `"    create: none # or ask for it"`, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := good()
			c.spoil(h)
			r, err := probe.Tasks(t.Context(), options(t, h))
			if err != nil {
				t.Fatal(err)
			}
			if text := told(t, r); !strings.Contains(text, c.says) || r.Severe() != c.severe || h.wrote > 0 {
				t.Errorf("severe %v: %s", r.Severe(), text)
			}
		})
	}
}

// A server that cannot be asked is an error.
func TestNoServer(t *testing.T) {
	t.Parallel()
	for status, kind := range map[int]fault.Kind{401: fault.Denied, 503: fault.Unavailable} {
		o := options(t, http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(status) }))
		if r, err := probe.Source(t.Context(), o); fault.KindOf(err) != kind {
			t.Errorf("%+v %v", r, err)
		}
		if r, err := probe.Tasks(t.Context(), o); fault.KindOf(err) != kind {
			t.Errorf("%+v %v", r, err)
		}
	}
}

// The sample is as large as was asked for, over several pages.
func TestSampleSize(t *testing.T) {
	t.Parallel()
	h := good()
	one := h.resources["Patient"][0]
	h.resources["Patient"] = slices.Repeat([]string{one}, 50)
	o := options(t, h)
	o.Sample = 7
	r, err := probe.Source(t.Context(), o)
	if err != nil || r.Types[0].Sampled != 7 {
		t.Errorf("%+v %v", r, err)
	}
}

// A server that others wrote.
func TestAgainstOthers(t *testing.T) {
	t.Parallel()
	base := fhirpeer.Start(t)
	for _, list := range good().resources {
		fhirpeer.Put(t, base, list[0])
	}
	r, err := probe.Source(t.Context(), optionsAt(t, base))
	if err != nil || r.Severe() {
		t.Fatalf("%+v %v", r, err)
	}
	if r.Types[2] != (probe.Type{Type: "ImagingStudy", Offered: "yes", Search: "yes", Since: "yes", Sampled: 1}) || !strings.Contains(told(t, r), "does not offer Device") {
		t.Errorf("%+v", r)
	}
	if r, err = probe.Tasks(t.Context(), optionsAt(t, base)); err != nil || r.Severe() || len(r.Findings) > 0 {
		t.Errorf("%+v %v", r, err)
	}
}
