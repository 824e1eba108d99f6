package main

import (
	"strings"
	"testing"

	"perennial/internal/testkit/fakebulk"
)

// The daemon on a server of exports: it begins one, is stopped while the server is at it, goes on with the same one, and
// says what it waits for; the check of the source asks for one and ends it.
func TestServeOnExports(t *testing.T) {
	t.Parallel()
	server := fakebulk.Start(t, fakebulk.Options{Polls: 1, Retry: "61"})
	server.Put("Patient", "a", `"identifier":[{"system":"urn:mrn","value":"QV-00a"}],"name":[{"family":"Quay","given":["Testa"]}]`)
	_, fields, _ := strings.Cut(graft("ea", "a", "2026-05-20"), `"status"`)
	server.Put("Procedure", "ea", `"status"`+strings.TrimSuffix(fields, "}"))
	s := newSite(t, "sources:\n  bulk:\n    url: "+server.Base+"\n    group: implants\n")
	if out := s.do("source", "check", "bulk"); !strings.Contains(out, "All that was tried works") || server.Open() != 0 {
		t.Errorf("the check says:\n%s", out)
	}
	server.Asked()
	_, stop := s.serve()
	until(t, "an export under way", func() (string, bool) { return s.log(), strings.Contains(s.log(), "waiting for the source bulk") })
	stop()
	if out := s.do("status"); !strings.Contains(out, "is not done yet; the server says: 50 %") || !strings.Contains(out, "last success never") {
		t.Errorf("status says:\n%s", out)
	}
	s.more = append(s.more, "PERENNIAL_TEST_DAYS=1")
	_, stop = s.serve()
	until(t, "the export", func() (string, bool) { return s.log(), strings.Contains(s.log(), `"read the source bulk" new=2`) })
	if log := stop(); strings.Contains(log, "level=ERROR") || strings.Contains(log, "Testa") {
		t.Errorf("the log says:\n%s", log)
	}
	begun := 0
	for _, asked := range server.Asked() {
		if strings.HasPrefix(asked, "GET Group/implants/$export") {
			begun++
		}
	}
	if out := s.do("status", "--check"); begun != 1 || server.Open() != 0 || strings.Contains(out, "last success never") {
		t.Errorf("%d exports were begun, %d are open; status says:\n%s", begun, server.Open(), out)
	}
}
