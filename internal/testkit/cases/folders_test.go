package cases_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/testkit/cases"
)

const patients = "../../../testdata/patients"

// rows are the rows of the table of worked cases that must be here.
const rows = "01 02 04 05 07 08 10 11 13 14 16 17 19 20 22 23 25 26 28 29 31a 31b 32 34 35 37 38 40 43 44 46 47 49 50 52 53 55 56 58 59 61 62 64 65 67 68 " +
	"70 71 73a 73b 74 76 77 79 80 82 83 85 86"

// ours is how many cases there are, at least, that no table has and a nurse or a
// registry would ask for. It only grows.
const ours = 88

// each runs a test on every folder whose name begins with one of the prefixes.
func each(t *testing.T, test func(*testing.T, *cases.Case), prefixes ...string) {
	dirs, err := cases.Folders(patients)
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range dirs {
		c, err := cases.Load(dir)
		if err != nil {
			t.Error(err)
			continue
		}
		if slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(c.Name, p) }) {
			t.Run(c.Name, func(t *testing.T) { t.Parallel(); test(t, c) })
		}
	}
}

func TestEveryRowHasItsFolder(t *testing.T) {
	t.Parallel()
	dirs, err := cases.Folders(patients)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range strings.Fields(rows) {
		n := 0
		for _, dir := range dirs {
			if strings.HasPrefix(filepath.Base(dir), "row"+row+"-") {
				n++
			}
		}
		if n != 1 {
			t.Errorf("row %s has %d folders", row, n)
		}
	}
}

// Cases of our own are never fewer than they were.
func TestAsManyOfOurs(t *testing.T) {
	t.Parallel()
	dirs, err := filepath.Glob(patients + "/x-*")
	if err != nil || len(dirs) < ours {
		t.Errorf("%d cases of our own, want %d or more; %v", len(dirs), ours, err)
	}
}

// tells checks that a story is short, and that it says what a reader needs.
func tells(t *testing.T, c *cases.Case, words ...string) {
	t.Helper()
	lines := 0
	for _, line := range strings.Split(c.Story, "\n") {
		if line != "" && !strings.HasPrefix(line, "#") {
			lines++
		}
	}
	if lines < 5 || lines > 12 {
		t.Errorf("the story has %d lines; 5 to 12 are read", lines)
	}
	for _, w := range append(words, "Expected: ", "Why: ", "As-of date "+c.Options.AsOf) {
		if !strings.Contains(c.Story, w) {
			t.Errorf("the story lacks %q", w)
		}
	}
	if err := c.Update([]byte("{}")); !errors.Is(err, cases.ErrTyped) {
		t.Errorf("a program may write this plan: %v", err)
	}
}

func TestStories(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, c *cases.Case) {
		row := strings.TrimLeft(strings.TrimPrefix(strings.Split(c.Name, "-")[0], "row"), "0")
		tells(t, c, "# Row "+row+": ", "Basis in the table: ")
	}, "row")
}

// A story of our own says on what it rests, too.
func TestStoriesOfOurs(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, c *cases.Case) {
		tells(t, c, "worked out by hand", "Source: ", "Testa Quay-")
		_, source, _ := strings.Cut(c.Story, "\nSource: ")
		if !regexp.MustCompile(`guideline|manual|labelling|J Med|Circulation|SVS|our own choice|common practice, no source`).MatchString(source) {
			t.Errorf("the source names none: %q", source)
		}
	}, "x-")
}

// A plan that nothing contradicts checks nothing.
func TestPlansSayEnough(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, c *cases.Case) {
		diffs := cases.Compare(c.Plan, []byte(`{"patient":"p"}`))
		if len(diffs) < 3 || strings.Contains(strings.Join(diffs, "\n"), "says nothing") {
			t.Errorf("%s", strings.Join(diffs, "\n"))
		}
		asOf, err := day.ParseDate(c.Options.AsOf)
		if err != nil || !asOf.Exact() {
			t.Errorf("as-of date %q: %v", c.Options.AsOf, err)
		}
		for _, date := range regexp.MustCompile(`"(opens|closes|target|by|from)": "[^"]*"`).FindAllString(string(c.Plan), -1) {
			text := strings.Split(date, `"`)[3]
			if span, err := day.ParseDate(text); err != nil || !span.Exact() {
				t.Errorf("%s: no whole date, %v", date, err)
			}
		}
	}, "row", "x-")
}

// Every resource is R4 as far as it is read, is about an invented patient, and
// refers only to what is in the Bundle.
func TestBundles(t *testing.T) {
	t.Parallel()
	reference := regexp.MustCompile(`"reference": "([^"]*)"`)
	each(t, func(t *testing.T, c *cases.Case) {
		var here []string
		err := fhir.Read(c.Name, bytes.NewReader(c.Bundle), fhir.Handler{
			Each: func(r fhir.Raw) error {
				if _, err := fhir.Decode(r.Body); err != nil {
					t.Error(err)
				}
				typ, id := fhir.Peek(r.Body)
				here = append(here, typ+"/"+id)
				return nil
			},
			Issue: func(i fhir.Issue) { t.Errorf("line %d: %s", i.Line, i.What) },
		})
		if err != nil || len(here) < 2 {
			t.Fatalf("%d resources, %v", len(here), err)
		}
		for _, m := range reference.FindAllStringSubmatch(string(c.Bundle), -1) {
			if !slices.Contains(here, m[1]) && m[1] != "ResearchStudy/quay-graft-study" {
				t.Errorf("%s is not in the Bundle", m[1])
			}
		}
		if n, all := strings.Count(string(c.Bundle), `"family": "Quay-`), strings.Count(string(c.Bundle), `"family"`); n == 0 || n != all {
			t.Errorf("%d of %d names are of the invented family", n, all)
		}
	}, "row", "x-")
}

func TestRulings(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, c *cases.Case) {
		d := json.NewDecoder(bytes.NewReader(c.Options.Rulings))
		d.DisallowUnknownFields()
		for d.More() {
			var r chart.Ruling
			if err := d.Decode(&r); err != nil {
				t.Fatal(err)
			}
			if r.ID == "" || r.Patient == "" || r.Who == "" || r.When == "" || r.Why == "" || !slices.Contains(chart.RulingKinds(), r.Kind) {
				t.Errorf("incomplete: %+v", r)
			}
			if ref := r.About; ref != "" && !strings.Contains(string(c.Bundle), ref[strings.Index(ref, "/")+1:]) {
				t.Errorf("%s is not in the Bundle", ref)
			}
		}
	}, "row", "x-")
}
