package daemon_test

import (
	"strings"
	"testing"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/daemon"
)

// labelled is a patient with an EVAR, whose record has security labels.
func labelled(id, name, labels string) string {
	return `{"resourceType":"Patient","id":"` + id + `","meta":{"security":[` + labels + `]},"identifier":[{"system":"urn:mrn","value":"REC-` + id + `-4711"}],"name":[{"family":"` + name + `","given":["Zenobia"]}]}
{"resourceType":"Procedure","id":"` + id + `-evar","status":"completed","subject":{"reference":"Patient/` + id + `"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2024-02-03"}
`
}

// Labels of HL7 v3.
const (
	htest  = `{"system":"http://terminology.hl7.org/CodeSystem/v3-ActReason","code":"HTEST"}`
	very   = `{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"V"}`
	normal = `{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"N"}`
	ours   = `{"system":"urn:quay:labels","code":"HTEST"}`
)

// Q30: patients made for tests are on no list, and every list says how many rows that leaves out; a patient with a
// restricted record is on the lists, and mail says that something is due, but not of whom.
func TestQ30SecurityLabels(t *testing.T) {
	t.Parallel()
	now := func() time.Time { return time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC) }
	c := clinicWith(t, now, labelled("plain", "Aberquay", normal)+labelled("vip", "Vipquay", very)+labelled("test", "Testquay", htest)+labelled("odd", "Oddquay", ours))
	pages := &daemon.Pages{Clinic: c, Site: "Quay Unit", Now: now}
	list, err := pages.Worklist(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]int{}
	for _, r := range list.Rows {
		rows[r.Patient]++
	}
	if rows["plain"] == 0 || rows["vip"] != rows["plain"] || rows["odd"] != rows["plain"] || rows["test"] != 0 || list.Tests != rows["plain"] {
		t.Errorf("rows %v, %d left out", rows, list.Tests)
	}
	left := 0
	due, err := c.Due(t.Context(), clinic.Filter{Tests: &left})
	if err != nil || len(due) == 0 || left != len(due)/3 {
		t.Errorf("%d visits, %d left out, %v", len(due), left, err)
	}
	if all, err := c.Due(t.Context(), clinic.Filter{}); err != nil || len(all) != len(due)+left {
		t.Errorf("%d visits in all, %v", len(all), err)
	}
	for _, names := range []bool{false, true} {
		l, err := daemon.Letter(t.Context(), pages, daemon.Digest{Names: names}, "nurse@example.org")
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{l.Text, l.HTML} {
			text = strings.Join(strings.Fields(text), " ")
			for _, never := range []string{"Vipquay", "Z. V.", "REC-vip", "Testquay", "Z. T.", "REC-test"} {
				if strings.Contains(text, never) {
					t.Errorf("names %v: the letter holds %q", names, never)
				}
			}
			for _, want := range []string{"restricted record (see the pages)", "about patients labelled as made for tests (HTEST)."} {
				if !strings.Contains(text, want) {
					t.Errorf("names %v: the letter does not hold %q:\n%s", names, want, text)
				}
			}
			if strings.Contains(text, "Aberquay") != names || strings.Contains(text, "Oddquay") != names {
				t.Errorf("names %v: the others are named otherwise", names)
			}
		}
		if strings.Count(l.Text, "restricted record") < 2 {
			t.Errorf("what is due for the restricted record is missing:\n%s", l.Text)
		}
	}
}

// Q30: the label goes, and the patient is on the lists again; a real record that a test record was merged into is on
// them all the time.
func TestQ30LabelTakenOff(t *testing.T) {
	t.Parallel()
	now := func() time.Time { return time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC) }
	c := clinicWith(t, now, labelled("test", "Testquay", htest)+labelled("real", "Aberquay", normal))
	pages := &daemon.Pages{Clinic: c, Site: "Quay Unit", Now: now}
	rows := func(id string) (n int) {
		list, err := pages.Worklist(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list.Rows {
			if r.Patient == id {
				n++
			}
		}
		return n
	}
	take := func(text string) {
		if _, err := c.Import(t.Context(), "test", clinic.Batches("test", strings.NewReader(text))); err != nil {
			t.Fatal(err)
		}
	}
	if rows("test") != 0 || rows("real") == 0 {
		t.Fatal("the label is not heeded")
	}
	take(`{"resourceType":"Patient","id":"old","meta":{"security":[` + htest + `]},"link":[{"other":{"reference":"Patient/real"},"type":"replaced-by"}]}`)
	if rows("real") == 0 {
		t.Error("a merged test record takes a real one off the lists")
	}
	take(strings.Split(labelled("test", "Testquay", normal), "\n")[0])
	if rows("test") == 0 {
		t.Error("without the label the patient stays off the lists")
	}
}
