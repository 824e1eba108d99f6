package web_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/kv/memkv"
	"perennial/internal/notice"
	"perennial/internal/surveil"
	"perennial/internal/testkit/cases"
	"perennial/internal/web"
)

var update = flag.Bool("update", false, "draw the pictures of docs/how-we-decide.md anew, and write what stands between its marks")

const (
	document = "../../docs/how-we-decide.md"
	pictures = "../../docs/pictures"
	patients = "../../testdata/patients"
)

// part is one picture of the document: a question as a heading, what a person
// wrote, and what the program writes between marks.
type part struct {
	question, file, folder string
	asOf                   string // where it is not the day of the case
	prose, between         string
	whole                  string
}

var (
	heading = regexp.MustCompile(`(?m)^## `)
	image   = regexp.MustCompile(`!\[([^\]]+)\]\(pictures/([a-z0-9-]+\.svg)\)`)
	mark    = regexp.MustCompile(`(?s)<!-- case ([a-z0-9-]+)(?: on (\d{4}-\d\d-\d\d))? -->\n(.*?)<!-- end -->`)
	written = regexp.MustCompile(`\b\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)(?: \d{4})?\b`)
	strong  = regexp.MustCompile(`\*\*([^*]+)\*\*`)
)

// parts reads the pictures of the document.
func parts(t *testing.T) (text string, list []part) {
	t.Helper()
	body, err := os.ReadFile(document)
	if err != nil {
		t.Fatal(err)
	}
	text = string(body)
	for _, section := range heading.Split(text, -1)[1:] {
		m := mark.FindStringSubmatch(section)
		if m == nil {
			continue // the cautions
		}
		pic := image.FindStringSubmatch(section)
		if pic == nil {
			t.Fatalf("no picture in %.60q", section)
		}
		p := part{file: pic[2], folder: m[1], asOf: m[2], between: m[3], whole: m[0]}
		p.question, _, _ = strings.Cut(section, "\n")
		p.prose = strings.Replace(section, m[0], "", 1)
		list = append(list, p)
	}
	return text, list
}

// shown is the patient of a case as the pages have it, on the day of the case or
// on another: the case goes through a store as any other patient does.
func shown(t *testing.T, folder, asOf string) web.Patient {
	t.Helper()
	c, err := cases.Load(filepath.Join(patients, folder))
	if err != nil {
		t.Fatal(err)
	}
	if asOf == "" {
		asOf = c.Options.AsOf
	}
	on, err := time.Parse(time.DateOnly, asOf)
	if err != nil {
		t.Fatal(err)
	}
	w, err := assess.Prepare(assess.Options{Shipped: config.Files, Protocols: c.Options.Protocol, Zone: c.Options.Zone})
	if err != nil {
		t.Fatal(err)
	}
	db, now := memkv.New(), func() time.Time { return on.Add(12 * time.Hour) }
	if err := clinic.Init(t.Context(), db, now()); err != nil {
		t.Fatal(err)
	}
	cl, err := clinic.New(t.Context(), clinic.Options{DB: db, Book: w.Book, Rules: w.Rules, Zone: w.Zone, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := cl.Import(t.Context(), "case", clinic.Batches("bundle.json", bytes.NewReader(c.Bundle))); err != nil {
		t.Fatal(err)
	}
	id := plain(t, c.Plan)
	for d := json.NewDecoder(bytes.NewReader(c.Options.Rulings)); d.More(); {
		var r chart.Ruling
		if err := d.Decode(&r); err != nil {
			t.Fatal(err)
		}
		if _, err := cl.Rule(t.Context(), r); err != nil {
			t.Fatal(err)
		}
	}
	v, err := cl.Patient(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	plan := surveil.Evaluate(v.Chart, w.Rules, day.Of(on.Year(), int(on.Month()), on.Day())) // as "perennial assess" does
	return web.Patient{Plan: &plan, Chart: v.Chart, BookedGone: v.Line.BookedGone}
}

// plain is the patient's id in an expected plan.
func plain(t *testing.T, plan []byte) string {
	t.Helper()
	var p struct{ Patient string }
	if err := json.Unmarshal(plan, &p); err != nil || p.Patient == "" {
		t.Fatal("no patient in the plan", err)
	}
	return p.Patient
}

// facts is what the program says of a case, for a reader: standing, visits,
// work and questions, with the source of each rule.
func facts(p *web.Patient, folder string) string {
	var b strings.Builder
	plan := p.Plan
	fmt.Fprintf(&b, "Case `testdata/patients/%s`, as of %s: %s.\n\n", folder, plan.AsOf.Text(), whole(plan))
	b.WriteString("| visit | window | standing | why |\n|---|---|---|---|\n")
	var cites []string
	for i := range plan.Implants {
		m := &plan.Implants[i]
		for j := range m.Visits {
			v := &m.Visits[j]
			standing := string(v.Standing)
			for _, more := range []string{v.Timing, v.Excuse} {
				if more != "" {
					standing += ", " + strings.ReplaceAll(more, "-", " ")
				}
			}
			if v.Result != "" {
				standing += "; result " + v.Result
			}
			name := web.ClassName(m.Class) + " " + v.Step
			if v.Clock > 1 {
				name += fmt.Sprintf(", clock %d", v.Clock)
			}
			fmt.Fprintf(&b, "| %s | %s to %s | %s | %s |\n", name, v.Opens.Text(), v.Closes.Text(), standing, v.Why[len(v.Why)-1].Text())
			if cite := strings.TrimSpace(v.Cite + " " + v.Evidence); !slices.Contains(cites, cite) {
				cites = append(cites, cite)
			}
		}
	}
	list := func(title string, lines []string) {
		for i, l := range lines {
			if i == 0 {
				b.WriteString("\n")
			}
			fmt.Fprintf(&b, "- %s: %s\n", title, l)
		}
	}
	var work, questions []string
	for i := range plan.Work {
		w := &plan.Work[i]
		if w.Kind == surveil.WorkQuestion {
			continue
		}
		text := w.Urgency
		if w.By > 0 {
			text += ", by " + w.By.Text()
		}
		work = append(work, strings.TrimSuffix(notice.WorkText(w), ".")+" ("+text+").")
	}
	for i := range plan.Questions {
		questions = append(questions, plan.Questions[i].Why.Text())
	}
	list("Work", work)
	list("Question", questions)
	fmt.Fprintf(&b, "\nSources: %s\n", strings.Join(cites, "; "))
	return b.String()
}

// whole says where the patient stands.
func whole(p *surveil.Plan) string {
	switch p.Surveillance {
	case surveil.StateActive:
		text := "under surveillance, " + strings.ReplaceAll(string(p.FollowUp), "-", " ")
		if p.RungSince > 0 {
			text += " since " + p.RungSince.Text()
		}
		if p.ImagingGap {
			text += ", with a gap in imaging"
		}
		return text
	case surveil.StateEnded:
		return "surveillance ended on " + p.EndedOn.Text() + ", because " + notice.ReasonText(string(p.Ended))
	}
	return string(p.Surveillance)
}

func TestDraft(t *testing.T) {
	for _, f := range []string{"row52-withdrew-from-study", "row59-did-not-come", "row28-late-scan-month-16", "row25-scan-before-discharge", "row13-plain-ct-at-baseline", "row41-new-leak-of-unknown-type", "row46-new-proximal-cuff", "row32-back-after-four-years", "row86-stopped-for-palliative-care", "row53-declined-a-scan", "row49-died-between-visits", "row68-two-implants", "row62-amended-report"} {
		p := shown(t, f, "")
		var b bytes.Buffer
		if err := web.Picture(&b, &p, f); err != nil {
			t.Fatal(err)
		}
		os.WriteFile("/tmp/pics/"+f+".svg", b.Bytes(), 0o644)
		fmt.Println(facts(&p, f))
	}
}
