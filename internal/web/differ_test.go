package web_test

import (
	"os"
	"strings"
	"testing"

	"perennial/internal/protocol"
	"perennial/internal/web"
)

// Where the sources differ stands on the page of a patient and on that of the
// status, each side with its source and how it is known; nothing is merged. Drafts
// are named on every page.
func TestWhereTheSourcesDiffer(t *testing.T) {
	t.Parallel()
	list, problems := protocol.LoadConflicts(os.DirFS("../../config/conflicts"), rules().All)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	w := someWard(12)
	for id, p := range w.patients {
		p.Conflicts = list
		w.patients[id] = p
	}
	w.status.Conflicts, w.status.Care = list, []web.Care{{Classes: "evar", Protocol: "label-1-6-12@1", Draft: true, Of: []string{"evar"}}, {Classes: "filter", Protocol: "fda-2014-filter@1", Of: []string{"filter"}}}
	s, err := web.New(web.Options{Clinic: w, Now: now, Drafts: func() []string { return []string{"svs-aaa-2018@1"} }})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for id, p := range w.patients {
		body := get(t, s, "/patients/"+id).Body.String()
		for i := range p.Plan.Implants {
			if p.Plan.Implants[i].Protocol != "svs-aaa-2018@1" {
				continue
			}
			seen++
			for _, want := range []string{"Where the sources differ", "Is everybody scanned at six months?", "<strong>Here:</strong> Only where the first scan is abnormal", "Others: Yes, everybody.", "Erbel R, et al. 2014 ESC", ">MEM-H</span>"} {
				if !strings.Contains(body, want) {
					t.Fatalf("the page of %s lacks %q", id, want)
				}
			}
		}
	}
	if seen == 0 {
		t.Error("nobody is followed by svs-aaa-2018")
	}
	status := get(t, s, "/status").Body.String()
	if !strings.Contains(status, "EVAR, followed by <code>label-1-6-12@1</code>") || !strings.Contains(status, "<strong>Here:</strong> Yes, everybody.") || strings.Contains(status, "Filter, followed by") {
		t.Error("the status page does not tell where the sources differ")
	}
	for _, path := range []string{"/", "/questions", "/status"} {
		if !strings.Contains(get(t, s, path).Body.String(), "no clinician has signed off</strong> svs-aaa-2018@1.") {
			t.Errorf("%s does not name the drafts", path)
		}
	}
}
