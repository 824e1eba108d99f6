package bulk_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/source/bulk"
	"perennial/internal/testkit/fakebulk"
)

// Everything at first, then what changed since the server's own moment; the server is told when it is done.
func TestExport(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{Lines: 2, Polls: 2, Retry: "7"}, bulk.Options{Path: "Group/implants/$export", Filter: []string{"Procedure?status=completed"}, Format: "application/fhir+ndjson"})
	if n, waits, errs := r.look(); n != 8 || waits != "" || len(errs) > 0 || !r.whole() || r.slept != 14*time.Second {
		t.Fatal(n, waits, errs, r.slept)
	}
	asked := r.server.Asked()
	first := "GET Group/implants/$export _outputFormat=application%2Ffhir%2Bndjson&_type=Patient%2CProcedure%2CImagingStudy&_typeFilter=Procedure%3Fstatus%3Dcompleted"
	if asked[0] != first || asked[len(asked)-1] != "DELETE exports/1" || len(asked) != 1+3+5+1 || r.server.Open() != 0 {
		t.Errorf("asked %q", asked)
	}
	if n, waits, errs := r.look(); n != 0 || waits != "the next export begins at 2026-07-01 13:00 UTC" || len(errs) > 0 || len(r.server.Asked()) > 0 {
		t.Errorf("before its time: %d %q %v", n, waits, errs)
	}
	r.server.Advance(25 * time.Hour)
	r.server.Put("Patient", "a", `"status":"other"`)
	r.server.Put("Device", "d", `"status":"not asked for"`)
	r.server.Advance(time.Minute)
	if n, waits, errs := r.look(); n != 1 || waits != "" || len(errs) > 0 || r.got["Device/d"] != "" {
		t.Errorf("what changed: %d %q %v", n, waits, errs)
	}
	if asked := r.server.Asked(); !strings.Contains(asked[0], "_since=2026-06-30T13%3A00%3A00Z") {
		t.Errorf("asked %q", asked)
	}
}

// A look waits a minute; then another goes on, not before the server wishes, and says how far the server is.
func TestLongExport(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{Polls: 3, Retry: "120"}, bulk.Options{})
	for i, progress := range []string{"25 %", "50 %", "75 %"} {
		want := fmt.Sprintf("the export that was begun at 2026-06-30 13:00 UTC is not done yet; the server says: %s", progress)
		if n, waits, errs := r.look(); n != 0 || waits != want || len(errs) > 0 {
			t.Errorf("look %d: %d %q %v", i, n, waits, errs)
		}
		before := len(r.server.Asked())
		if _, waits, _ := r.look(); waits != want || len(r.server.Asked()) > 0 || before == 0 {
			t.Errorf("look %d: the server is asked before its time", i)
		}
		r.server.Advance(2 * time.Minute)
	}
	if n, waits, errs := r.look(); n != 8 || waits != "" || len(errs) > 0 {
		t.Error(n, waits, errs)
	}
}

// A program that is killed after any batch goes on with the same export, and reads one file again at most.
func TestKilled(t *testing.T) {
	t.Parallel()
	for after := 1; after <= 7; after++ {
		r := start(t, fakebulk.Options{Lines: 2, Polls: 1, Retry: "5"}, bulk.Options{})
		r.lookFor(after)
		for range 3 {
			if _, _, errs := r.look(); len(errs) > 0 {
				t.Fatal(errs)
			}
		}
		begun, files := 0, 0
		for _, asked := range r.server.Asked() {
			if strings.HasPrefix(asked, "GET Patient/$export") {
				begun++
			}
			if strings.HasPrefix(asked, "GET files/") {
				files++
			}
		}
		if begun != 1 || files > 5+1 || !r.whole() || r.server.Open() != 0 {
			t.Errorf("killed after %d: %d exports, %d files, whole %v, open %d", after, begun, files, r.whole(), r.server.Open())
		}
	}
}

// What a fault leads to: what is told, and what it costs. While it lasts no look is a success; when it is over three
// looks bring everything, and no export is left on the server.
func TestFaults(t *testing.T) {
	t.Parallel()
	told := map[string]string{
		"kickoff-429": "status 429; error throttled", "kickoff-500": "status 500; error exception", "kickoff-silent": "does not say where the export can be asked after",
		"location-port": "", "location-elsewhere": "it leads to another server (elsewhere.invalid)", "never-done": "not done after 24 hours",
		"status-404": "does not know the export any more", "status-410": "does not know the export any more", "status-429": "status 429; error throttled",
		"status-503": "status 503; error transient", "status-500": "status 500; error exception", "status-transient": "status 500; error transient", "status-502": "status 502",
		"manifest-html": "it is not JSON", "manifest-moment": "its manifest cannot be read", "manifest-pages": "several pages", "manifest-address": "a file without an address",
		"file-404": "a file (Patient) is gone", "file-503": "status 503; error transient", "file-202": "status 202 in place of the file", "file-206": "status 206 in place of the file", "file-break": "it ends early or is damaged", "file-gzip-cut": "it ends early or is damaged",
		"file-cut": "it is cut", "file-short": "it has 2 resources, and 3 by the manifest", "file-html": "it is no NDJSON", "file-elsewhere": "it lies on another server (elsewhere.invalid)",
		"count-wrong": "it has 3 resources, and 4 by the manifest", "errors": "the server reports in it: error incomplete (1)", "errors-inside": "by the manifest",
	}
	for name := range fakebulk.Faults() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := start(t, fakebulk.Options{}, bulk.Options{})
			r.server.Break(name)
			var errs []error
			for range 4 {
				_, waits, more := r.look()
				if len(more) == 0 && waits == "" && told[name] != "" {
					t.Errorf("it is called a success; %s", r.cursor)
				}
				errs = append(errs, more...)
				r.server.Advance(9 * time.Hour)
			}
			switch want, ok := told[name]; {
			case !ok:
				t.Error("no test says what it leads to")
			case want == "" && len(errs) > 0, want != "" && (len(errs) == 0 || !strings.Contains(errs[0].Error(), want)):
				t.Errorf("told %v, want %q", errs, want)
			}
			r.server.Break("")
			r.server.Put("Patient", "a", `"status":"after"`)
			r.server.Advance(time.Hour)
			_, errs = r.until(3)
			if len(errs) > 0 || !r.whole() {
				t.Errorf("after it: %v, whole: %v; %s", errs, r.whole(), r.cursor)
			}
			if open := r.server.Open(); open > 0 && name != "kickoff-silent" && name != "location-elsewhere" {
				t.Errorf("%d exports are left on the server", open)
			}
		})
	}
}

// until looks so often, with a day in between, and gives what the last look told.
func (r *rig) until(looks int) (waits string, errs []error) {
	for range looks {
		r.server.Advance(25 * time.Hour)
		_, waits, errs = r.look()
	}
	return waits, errs
}

// A broken connection costs that file, not the export; the third in a row does.
func TestBrokenConnection(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{}, bulk.Options{})
	r.server.Break("file-break")
	for i := range 3 {
		if _, _, errs := r.look(); len(errs) != 1 || fault.KindOf(errs[0]) != fault.Unavailable || r.server.Open() != map[bool]int{true: 1}[i < 2] {
			t.Errorf("look %d: %v, %d exports", i, errs, r.server.Open())
		}
	}
}

// After three exports in a row that failed the server is left in peace for an hour, then for two.
func TestBackingOff(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{}, bulk.Options{})
	r.server.Break("status-500")
	begun := 0
	for range 24 * 4 {
		r.look()
		for _, asked := range r.server.Asked() {
			if strings.Contains(asked, "$export") {
				begun++
			}
		}
		r.server.Advance(15 * time.Minute)
	}
	if begun != 7 { // at 0:00, 0:15, 0:30, then 1, 2, 4 and 8 hours after the one before; the next is 16 hours later
		t.Errorf("%d exports in a day, 7 expected", begun)
	}
	if _, waits, _ := r.look(); waits != "the last 7 exports failed; the next begins at 2026-07-01 20:30 UTC" {
		t.Error(waits)
	}
}

// Everything is exported again weekly; that there is less is told once, and nothing is taken out. A deletion that the
// server tells of is handed over as something for a person, without a body.
func TestReconcileAndDeletions(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{}, bulk.Options{})
	if _, _, errs := r.look(); len(errs) > 0 {
		t.Fatal(errs)
	}
	r.server.Delete("Procedure", "pb")
	r.server.Delete("Patient", "c")
	r.server.Delete("Location", "not-asked-for")
	if _, errs := r.until(1); len(errs) > 0 || len(r.issues) != 2 {
		t.Fatalf("%v, %v", errs, r.issues)
	}
	for i, ref := range []string{"Patient/c", "Procedure/pb"} {
		is := r.issues[i]
		if is.Ref != ref || is.Known.Ref() != ref || is.Known.PatientRef != strings.Repeat(ref, 1-i) || is.Known.Updated == "" || !strings.Contains(is.What, "stays in force") {
			t.Errorf("%+v", is)
		}
	}
	n := 0
	var told []string
	for range 8 {
		r.server.Advance(25 * time.Hour)
		r.server.Asked()
		_, _, errs := r.look()
		if asked := r.server.Asked(); !strings.Contains(asked[0], "_since") {
			n++
		}
		for _, err := range errs {
			told = append(told, err.Error())
		}
	}
	if n != 1 || len(told) != 1 || !strings.Contains(told[0], "1 of Patient (of 3), 1 of Procedure (of 2); what they said stays") {
		t.Errorf("%d exports of everything; told %q", n, told)
	}
}

// Another type, or another server, begins anew, and the old export is ended.
func TestChangedSettings(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{}, bulk.Options{})
	if _, _, errs := r.look(); len(errs) > 0 {
		t.Fatal(errs)
	}
	r.server.Put("Device", "d", `"status":"active"`)
	r.server.Break("never-done")
	r.until(1)
	r.server.Break("")
	r.o.Types = append(r.o.Types, "Device")
	if n, waits, errs := r.look(); n != 9 || waits != "" || len(errs) > 0 || r.server.Open() != 0 {
		t.Error(n, waits, errs, r.server.Open())
	}
}

// The token goes to the server, for files only where they need it, and nowhere else.
func TestWhereTheTokenGoes(t *testing.T) {
	t.Parallel()
	const token = "NotForPrinting7"
	for _, c := range []struct {
		files string
		hosts bool
		want  string // what is told
		token bool   // goes along for files
	}{
		{"", false, "", false}, {"token", false, "", true}, {"elsewhere", true, "", false}, {"elsewhere", false, "it lies on another server (localhost:", false},
	} {
		r := start(t, fakebulk.Options{Token: token, Files: c.files}, bulk.Options{})
		r.http.Token = func() (string, error) { return token, nil }
		if c.hosts {
			r.http.Files = []string{r.server.Elsewhere}
		}
		n, _, errs := r.look()
		if c.want == "" && (n != 8 || len(errs) > 0) || c.want != "" && (len(errs) != 1 || !strings.Contains(errs[0].Error(), c.want)) {
			t.Errorf("%+v: %d %v", c, n, errs)
		}
		for _, asked := range r.server.Asked() {
			file := strings.HasPrefix(asked, "GET files/")
			if got := strings.HasSuffix(asked, " token"); got != (!file || c.token) {
				t.Errorf("%+v: %q", c, asked)
			}
		}
		if strings.Contains(r.cursor+fmt.Sprint(errs), token) {
			t.Error("the token is told")
		}
	}
}

func TestBadCursor(t *testing.T) {
	t.Parallel()
	r := start(t, fakebulk.Options{}, bulk.Options{})
	r.cursor = "x"
	if _, _, errs := r.look(); len(errs) != 1 || fault.KindOf(errs[0]) != fault.Damaged || len(r.server.Asked()) > 0 {
		t.Error(errs)
	}
}
