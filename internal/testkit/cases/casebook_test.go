package cases_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"perennial/internal/day"
	"perennial/internal/testkit/cases"
)

var update = flag.Bool("update", false, "write docs/casebook.md anew")

const casebook = "../../../docs/casebook.md"

// themes are the words in the options of a case and the headings of the
// casebook, in its order.
func themes() [][2]string {
	return [][2]string{{"first-scan", "The first scan"}, {"windows", "Due dates and windows"}, {"what-counts", "What counts as a scan"},
		{"findings", "Reports and findings"}, {"operations", "Later operations"}, {"endings", "How surveillance ends"}, {"contact", "Appointments and contact"},
		{"devices", "Devices and several implants"}, {"identity", "Who and which side"}, {"rulings", "Decisions of people"}, {"protocols", "Protocols"}}
}

// The casebook is what the folders say. With -update it is written.
func TestCasebook(t *testing.T) {
	t.Parallel()
	want := book(t)
	if *update {
		if err := os.WriteFile(casebook, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(casebook)
	if err != nil || string(got) != want {
		t.Errorf("docs/casebook.md is not what the cases say now: look at them, then run the test with -update (%v)", err)
	}
}

// Nothing in the casebook is written for a machine.
func TestCasebookIsForPeople(t *testing.T) {
	t.Parallel()
	text := book(t)
	words := regexp.MustCompile(`id="[^"]*"|\]\([^)]*\)`).ReplaceAllString(text, "")
	for _, what := range []string{`\{`, `"\w+":`, `\d{4}-\d\d-\d\d`, `\b(Procedure|ImagingStudy|DiagnosticReport|Patient|Condition|Device)/`, `\| (m|y|aorta|check|d)\d`, `(study|index|arrange|chase|answer)-[a-z]+`, `%!`, `\b(true|null|nil)\b`, `\bfalse($|[^ ]| [^l])`} {
		if found := regexp.MustCompile(what).FindString(words); found != "" {
			t.Errorf("the casebook holds %q", found)
		}
	}
	dirs, err := cases.Folders(patients)
	if err != nil || strings.Count(text, "\n### ") != len(dirs) {
		t.Errorf("%d cases in the casebook, %d folders, %v", strings.Count(text, "\n### "), len(dirs), err)
	}
	links := regexp.MustCompile(`\]\(#([^)]+)\)`).FindAllStringSubmatch(text, -1)
	if len(links) < len(dirs) {
		t.Errorf("only %d links", len(links))
	}
	for _, m := range links {
		if strings.Count(text, `<a id="`+m[1]+`">`) != 1 {
			t.Errorf("%s is not one place", m[1])
		}
	}
}

// book writes the whole casebook.
func book(t *testing.T) string {
	t.Helper()
	all := byTheme(t)
	var b strings.Builder
	b.WriteString(opening(all))
	for _, theme := range themes() {
		fmt.Fprintf(&b, "- [%s](#%s)\n", theme[1], theme[0])
		for _, p := range all[theme[0]] {
			fmt.Fprintf(&b, "  - [%s](#%s)\n", p.title, p.c.Name)
		}
	}
	for _, theme := range themes() {
		fmt.Fprintf(&b, "\n<a id=\"%s\"></a>\n\n## %s\n", theme[0], theme[1])
		for _, p := range all[theme[0]] {
			p.write(&b)
		}
	}
	return b.String()
}

func opening(all map[string][]*page) string {
	n := 0
	for _, list := range all {
		n += len(list)
	}
	return fmt.Sprintf(`# Casebook: %d patients and what is expected

For nurses and everybody else who wants to know what the program does, and why. Every patient is invented. Each case tells what happened, the day on
which it is looked at, what is expected on that day, and why. A test runs the program on every case and compares: what stands here is what it does.
This page is written from the folders in `+"`testdata/patients`"+` by a test, which fails if the page and the folders say different things.

How to read it: **due** is the day that the schedule names, the **window** the days in which a visit is on time; both ends belong to it. An empty cell means
that the case is not about that. "Not expected" is what must not be there. Other words are in the [glossary](glossary.md); ten of the cases are drawn in
[how we decide](how-we-decide.md).

Where the dates come from: those of a case called "Row" were typed by hand from a table of worked cases, which is not part of this repository; those of most others were worked out by hand from
our rules. No program wrote them, so the program cannot prove itself right. Every protocol is a draft that no clinician has signed off.

## Contents

`, n)
}

// page is one case as the casebook has it.
type page struct {
	c     *cases.Case
	lib   *library
	title string
	plan  expected
	facts facts
}

// byTheme loads every case, by the word of its theme. A case without one of
// the themes is a failure.
func byTheme(t *testing.T) map[string][]*page {
	t.Helper()
	dirs, err := cases.Folders(patients)
	if err != nil {
		t.Fatal(err)
	}
	all, lib := map[string][]*page{}, open(t)
	for _, dir := range dirs {
		c, err := cases.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(themes(), func(w [2]string) bool { return w[0] == c.Options.Theme }) {
			t.Errorf("%s: there is no theme %q", filepath.Base(dir), c.Options.Theme)
		}
		p := &page{c: c, lib: lib, facts: lib.factsOf(t, c)}
		if err := json.Unmarshal(c.Plan, &p.plan); err != nil {
			t.Fatal(c.Name, err)
		}
		first, _, _ := strings.Cut(c.Story, "\n")
		p.title = strings.TrimPrefix(first, "# ")
		all[c.Options.Theme] = append(all[c.Options.Theme], p)
	}
	return all
}

// write writes the case: title, story, and what is expected.
func (p *page) write(b *strings.Builder) {
	fmt.Fprintf(b, "\n<a id=\"%s\"></a>\n\n### %s\n\n", p.c.Name, p.title)
	for _, line := range story(p.c.Story) {
		b.WriteString(line + "\n\n")
	}
	fmt.Fprintf(b, "As of **%s**", date(p.c.Options.AsOf))
	if s := p.standing(); s != "" {
		b.WriteString(": " + s)
	}
	b.WriteString(".\n")
	for i := range p.plan.Implants {
		p.implant(b, &p.plan.Implants[i])
	}
	if lines := p.lines(); len(lines) > 0 {
		b.WriteString("\n- " + strings.Join(lines, "\n- ") + "\n")
	}
}

var (
	isoDate = regexp.MustCompile(`\b\d{4}-\d\d-\d\d\b`)
	basis   = regexp.MustCompile(`^Basis(?: in the table)?: [A-Z+]+ \((.*)\)\.$`)
	// said once, in the opening
	saidOnce = regexp.MustCompile(`^(The expected dates and standings are typed from the table|The dates were worked out by hand)`)
	asOfOnly = regexp.MustCompile(`^As-of date \d{4}-\d\d-\d\d(, which is day \d+)?\.$`)
	asOfEnd  = regexp.MustCompile(` As-of date \d{4}-\d\d-\d\d\.`)
)

// story is the story in paragraphs, with dates as people write them.
func story(text string) []string {
	var list []string
	for _, line := range strings.Split(text, "\n")[1:] {
		line = strings.TrimSpace(asOfEnd.ReplaceAllString(line, ""))
		switch {
		case line == "" || saidOnce.MatchString(line) || asOfOnly.MatchString(line):
			continue
		case strings.HasPrefix(line, "## "):
			list = append(list, "**"+strings.TrimPrefix(line, "## ")+".**")
			continue
		}
		line = isoDate.ReplaceAllStringFunc(line, date)
		head, rest, _ := strings.Cut(line, ": ")
		switch {
		case basis.MatchString(line):
			line = "*Basis: " + basis.FindStringSubmatch(line)[1] + ".*"
		case head == "Source":
			line = "*" + line + "*"
		case head == "Expected", head == "Why":
			line = "**" + head + ":** " + rest
		case len(list) > 0 && !strings.HasSuffix(list[len(list)-1], "*"):
			list[len(list)-1] += " " + line
			continue
		}
		list = append(list, line)
	}
	return list
}

// date writes a date for people, as exactly as it is known; what is no date
// stays.
func date(text string) string {
	s, err := day.ParseDate(text)
	switch {
	case err != nil || len(text) == len("2024"):
		return text
	case !s.Exact():
		_, month, _ := strings.Cut(s.First.Text(), " ")
		return month
	}
	return s.Text()
}
