package digest_test

import (
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"perennial/internal/day"
	"perennial/internal/digest"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sample is an invented letter with something in every part.
func sample() digest.Input {
	ada := digest.Person{Name: "Quillfeather, Ada", Record: "HB-0044719"}
	bo := digest.Person{Name: "Bo Tinderbox", Record: "HB-0051002"}
	cy := digest.Person{Name: "Cyprian van der Lantern", Record: "7731"}
	return digest.Input{
		Site: "Vascular unit, Example Harbour", On: day.Of(2026, 3, 3), Since: day.Of(2026, 3, 2), Link: "http://127.0.0.1:8420/",
		Changed: []digest.Change{
			{Who: ada, Change: notice.Change{Kind: notice.Visit, Step: "y2", Was: "open", Now: "overdue", Evidence: []string{"ImagingStudy/s-1"}}},
			{Who: bo, Change: notice.Change{Kind: notice.Rung, Was: "overdue", Now: "presumed-lost", Until: day.Of(2026, 3, 3)}},
			{Who: cy, Change: notice.Change{Kind: notice.WorkNew, Work: &surveil.Work{Kind: surveil.WorkReview}, Now: "urgent", Until: day.Of(2026, 3, 4)}},
		},
		Due: []digest.Item{{Who: cy, What: "EVAR m1: arrange imaging", By: day.Of(2026, 4, 1), Urgency: "asap"},
			{Who: cy, What: "TEVAR y3: arrange imaging", By: day.Of(2026, 6, 1), Urgency: "routine", Booked: day.Of(2026, 5, 4)}},
		Overdue:   []digest.Item{{Who: ada, What: "EVAR y2: chase overdue imaging", By: day.Of(2026, 9, 1), Urgency: "asap"}},
		Lost:      []digest.Item{{Who: bo, What: "presumed lost since 3 Mar 2026"}},
		Results:   []digest.Item{{Who: cy, What: "EVAR: review the result", By: day.Of(2026, 3, 4), Urgency: "urgent", Detail: "Endoleak Ia, seen on 2 Mar 2026: to be looked at."}},
		Questions: []digest.Item{{Who: ada, What: "What is this imaging?", By: day.Of(2026, 3, 12), Detail: "No rule knows what this imaging on 26 Feb 2026 is (AOBA BODEN)."}},
		Sums: []digest.Sum{
			{Name: "Resources received", Total: 12480, Parts: []digest.Part{{"used", 9000}, {"superseded", 300}, {"not relevant", 3100}, {"in error", 60}, {"quarantined", 20}}},
			{Name: "Patients with an implant", Total: 400, Parts: []digest.Part{{"under surveillance", 331}, {"paused", 4}, {"ended", 58}, {"unresolved", 7}}},
			{Name: "Work items ever made", Total: 960, Parts: []digest.Part{{"open", 210}, {"completed", 700}, {"cancelled", 50}}},
		},
		Sources: []digest.Source{{Name: "folder inbox", Last: day.Of(2026, 3, 3), At: "06:45"}, {Name: "fhir.example.org", Last: day.Of(2026, 2, 26), At: "22:10", Stale: true}},
	}
}

func write(t *testing.T, in digest.Input) digest.Letter {
	t.Helper()
	l, err := digest.Write(in, "nurse@example.org")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestLetter(t *testing.T) {
	t.Parallel()
	l := write(t, sample())
	for name, got := range map[string]string{"letter.txt": l.Text, "letter.html": l.HTML} {
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs; look at it, then run with -update\n%s", name, got)
		}
	}
	if again := write(t, sample()); !reflect.DeepEqual(again, l) {
		t.Error("the same input gave another letter")
	}
	if l.Subject != "ALARM Vascular unit, Example Harbour: implant surveillance, 3 Mar 2026: 3 changed, 1 overdue, 1 lost or presumed lost" {
		t.Errorf("subject %q", l.Subject)
	}
	other, _ := digest.Write(sample(), " Nurse@Example.org")
	if other.Key != l.Key || l.Key != "digest|2026-03-03|nurse@example.org" {
		t.Errorf("key %q and %q", l.Key, other.Key)
	}
}

// What changed comes first, and every part is there in its order.
func TestOrderOfTheParts(t *testing.T) {
	t.Parallel()
	l := write(t, sample())
	for name, body := range map[string]string{"text": l.Text, "html": words(t, l.HTML)} {
		at := 0
		for _, part := range []string{"No data from fhir.example.org", "Changed since the last letter", "Due: 2", "Overdue: 1", "Presumed lost or lost: 1", "Results to read or to chase: 1", "Questions: 1",
			"Does everything add up?", "12 480", "When data last came", "Not for emergencies", "reads no images and replaces no clinician", "proposes and never orders", "local policy win", "A quiet list is not proof"} {
			i := strings.Index(strings.Join(strings.Fields(body[at:]), " "), part)
			if i < 0 {
				t.Errorf("%s: %q is missing or out of order", name, part)
				continue
			}
			body = strings.Join(strings.Fields(body), " ")
			at = strings.Index(body, part)
		}
	}
}

// By default nobody's name, whole record number, finding or question is in the
// letter; with names they are.
func TestNamesOnlyIfSwitchedOn(t *testing.T) {
	t.Parallel()
	secrets := []string{"Quillfeather", "Tinderbox", "Lantern", "0044719", "HB-", "7731", "ndoleak", "AOBA", "ImagingStudy/"}
	in := sample()
	l := write(t, in)
	for _, s := range secrets {
		if strings.Contains(l.Text+l.HTML+l.Subject+l.Key, s) {
			t.Errorf("%q is told without names switched on", s)
		}
	}
	for _, s := range []string{"Q. A. …4719", "B. T. …1002", "C. V. D. …31"} {
		if !strings.Contains(l.Text, s) || !strings.Contains(words(t, l.HTML), s) {
			t.Errorf("%q is not told", s)
		}
	}
	in.Names = true
	l = write(t, in)
	for _, s := range secrets[:len(secrets)-1] {
		if !strings.Contains(l.Text, s) || !strings.Contains(words(t, l.HTML), s) {
			t.Errorf("%q is not told with names switched on", s)
		}
		if strings.Contains(l.Subject+l.Key, s) {
			t.Errorf("%q is in the subject or key", s)
		}
	}
}

// Hostile text stays text and stays on its line.
func TestHostileText(t *testing.T) {
	t.Parallel()
	evil := "<script>alert(1)</script>\r\nBcc: all@example.org\u202e\x00" + strings.Repeat("x", 5000)
	in := sample()
	in.Names, in.Site, in.Link = true, evil, "javascript:alert(1)"
	in.Alarms = []string{evil}
	who := digest.Person{Name: evil, Record: evil}
	in.Due = []digest.Item{{Who: who, What: evil, Detail: evil}}
	in.Sources = []digest.Source{{Name: evil, Last: 1, At: evil}}
	in.Sums = []digest.Sum{{Name: evil, Parts: []digest.Part{{evil, 0}}}}
	l := write(t, in)
	if strings.Contains(l.HTML, "<script") || strings.Contains(l.HTML, "\"javascript:") {
		t.Error("markup came through")
	}
	if strings.ContainsAny(l.Subject, "\r\n\x00\u202e") || strings.Contains(l.Text, "\nBcc:") || strings.ContainsAny(l.Text+l.HTML, "\x00\u202e\r") {
		t.Error("control characters came through")
	}
	if len(l.Text) > 20000 {
		t.Errorf("%d bytes of text", len(l.Text))
	}
}

// A list that is cut says so, and its count is whole.
func TestLongListsAreCutAloud(t *testing.T) {
	t.Parallel()
	in := sample()
	in.Overdue = nil
	for range 1500 {
		in.Overdue = append(in.Overdue, digest.Item{Who: digest.Person{Name: "Ada Quillfeather", Record: "12345678"}, What: "EVAR y2: chase"})
	}
	l := write(t, in)
	for _, body := range []string{l.Text, words(t, l.HTML)} {
		if !strings.Contains(body, "Overdue: 1 500") || !strings.Contains(body, "and 1 440 more") {
			t.Error("the cut list does not say how much it holds")
		}
	}
	in.Overdue = nil
	if l := write(t, in); !strings.Contains(l.Text, "Nothing is overdue.") {
		t.Error("an empty list does not say so")
	}
}

// A sum that does not add up is an alarm; so is a source that never came.
func TestAlarms(t *testing.T) {
	t.Parallel()
	in := sample()
	in.Sources = []digest.Source{{Name: "folder", Last: in.On}}
	if l := write(t, in); strings.Contains(l.Subject, "ALARM") || strings.Contains(l.Text, "!!") {
		t.Error("an alarm without a cause")
	}
	in.Sums[1].Parts[0].N--
	if l := write(t, in); !strings.Contains(l.Subject, "ALARM") || !strings.Contains(l.Text, "IT DOES NOT ADD UP") || !strings.Contains(l.HTML, "It does not add up") {
		t.Error("a broken sum is no alarm")
	}
	in = sample()
	in.Sources = []digest.Source{{Name: "folder"}}
	if l := write(t, in); !strings.Contains(l.Text, "No data from folder (last: never)") {
		t.Error("a source that never came is no alarm")
	}
}

func TestInitialsAndTail(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{"Ada Quillfeather": "A. Q.", "Quillfeather, Ada": "Q. A.", "": "?", "  ": "?", "123": "?", "ädel ørn": "Ä. Ø.", "Anne-Marie O'Lantern": "A. M. O.", "a b c d e": "A. B. C."} {
		if got := digest.Initials(name); got != want {
			t.Errorf("Initials(%q) = %q, want %q", name, got, want)
		}
	}
	for record, want := range map[string]string{"": "", "1": "…", "12": "…2", "7731": "…31", "1234567": "…567", "HB-0044719": "…4719"} {
		if got := digest.Tail(record); got != want {
			t.Errorf("Tail(%q) = %q, want %q", record, got, want)
		}
	}
}

// words gives the text of an HTML page as a reader sees it.
func words(t *testing.T, page string) string {
	t.Helper()
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data + " ")
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return strings.Join(strings.Fields(b.String()), " ")
}

// What is snoozed is in no list of the letter, and counted in both forms of it.
func TestSnoozedWorkIsCounted(t *testing.T) {
	t.Parallel()
	in := sample()
	if l := write(t, in); strings.Contains(l.Text+l.HTML, "snoozed") {
		t.Error("the letter speaks of snoozed work where there is none")
	}
	in.Snoozed = 3
	if l := write(t, in); !strings.Contains(l.Text, "\n3 more snoozed until a later day.\n") || !strings.Contains(l.HTML, ">3 more snoozed until a later day.<") {
		t.Errorf("the letter does not count what is snoozed:\n%s", l.Text)
	}
}
