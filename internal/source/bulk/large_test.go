package bulk_test

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"

	"perennial/internal/fhirhttp"
	"perennial/internal/source/bulk"
)

// A file of 200 MB is never in memory as a whole; a line over 16 MB is passed over and told, and the rest is read.
func TestLargeFile(t *testing.T) { // not beside others: it looks at the memory of all
	if testing.Short() {
		t.Skip("it takes a while")
	}
	line := `{"resourceType":"Patient","id":"a","x":"` + strings.Repeat("x", 10_000) + "\"}\n"
	block := strings.Repeat(line, 100)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		switch {
		case strings.HasSuffix(q.URL.Path, "$export"):
			w.Header().Set("Content-Location", "/status")
			w.WriteHeader(http.StatusAccepted)
		case q.URL.Path == "/status":
			fmt.Fprint(w, `{"transactionTime":"2026-06-30T12:00:00Z","requiresAccessToken":false,"output":[{"type":"Patient","url":"http://`+q.Host+`/file","count":20001}]}`)
		default:
			for range 200 {
				fmt.Fprint(w, block)
			}
			huge := append([]byte(`{"resourceType":"Patient","id":"huge","x":"`), bytes.Repeat([]byte("x"), 17<<20)...)
			_, _ = w.Write(append(huge, "\"}\n"...))
		}
	}))
	t.Cleanup(s.Close)
	client, err := fhirhttp.New(fhirhttp.Options{Base: s.URL})
	if err != nil {
		t.Fatal(err)
	}
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	before, most, n, issues := m.HeapInuse, uint64(0), 0, 0
	for b, err := range bulk.New(client, bulk.Options{Path: "$export", Types: []string{"Patient"}}).Fetch(t.Context(), "") {
		if err != nil {
			t.Fatal(err)
		}
		n, issues = n+len(b.Resources), issues+len(b.Issues)
		runtime.ReadMemStats(&m)
		most = max(most, m.HeapInuse)
	}
	if n != 20_000 || issues != 1 {
		t.Errorf("%d resources, %d issues", n, issues)
	}
	if most > before+120<<20 {
		t.Errorf("%d MB more were in use", (most-before)>>20)
	}
	t.Logf("%d MB more were in use at most", (most-before)>>20)
}
