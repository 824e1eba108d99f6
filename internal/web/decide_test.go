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
	id := patientOf(t, c.Plan)
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

// patientOf is the patient's id in an expected plan.
func patientOf(t *testing.T, plan []byte) string {
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
	fmt.Fprintf(&b, "Case `testdata/patients/%s`, as of %s: %s. ", folder, plan.AsOf.Text(), whole(plan))
	if plan.LastImaging > 0 {
		fmt.Fprintf(&b, "Last imaging for the gap and the follow-up: %s.", plan.LastImaging.Text())
	}
	b.WriteString("\n\n<details><summary>What the program says, line by line</summary>\n\n| visit | window | standing | why |\n|---|---|---|---|\n")
	for i := range plan.Implants {
		m := &plan.Implants[i]
		for j := range m.Visits {
			v := &m.Visits[j]
			fmt.Fprintf(&b, "| %s | %s to %s | %s | %s |\n", visitName(m, v), v.Opens.Text(), v.Closes.Text(), standing(v), v.Why[len(v.Why)-1].Text())
		}
	}
	b.WriteString("\n")
	for _, line := range workLines(plan) {
		b.WriteString("- Work: " + line + "\n")
	}
	for i := range plan.Questions {
		b.WriteString("- Question: " + plan.Questions[i].Why.Text() + "\n")
	}
	b.WriteString("\n</details>\n\n")
	for _, line := range sources(plan) {
		b.WriteString("Source of " + line + "\n\n")
	}
	return strings.TrimSpace(b.String()) + "\n"
}

func visitName(m *surveil.Implant, v *surveil.Visit) string {
	name := notice.ClassName(m.Class) + " " + v.Step
	if v.Clock > 1 {
		name += fmt.Sprintf(", clock %d", v.Clock)
	}
	return name
}

func standing(v *surveil.Visit) string {
	text := string(v.Standing)
	for _, more := range []string{v.Timing, v.Excuse} {
		if more != "" {
			text += ", " + strings.ReplaceAll(more, "-", " ")
		}
	}
	if v.Result != "" {
		text += "; result " + v.Result
	}
	return text
}

// workLines are the work items but for the questions; several of one kind with
// one urgency stand on one line.
func workLines(plan *surveil.Plan) []string {
	var list []string
	last := ""
	for i := range plan.Work {
		w := &plan.Work[i]
		if w.Kind == surveil.WorkQuestion {
			continue
		}
		text := notice.WorkText(w)
		if why := strings.TrimPrefix(text, notice.Title(w.Kind)+". "); w.Kind+w.Urgency == last {
			list[len(list)-1] += " " + why
			continue
		}
		last = w.Kind + w.Urgency
		title := notice.Title(w.Kind) + " (" + w.Urgency + ", by " + w.By.Text() + "). "
		list = append(list, title+strings.TrimPrefix(text, notice.Title(w.Kind)+". "))
	}
	return list
}

// sources are what the visits rest on, each once, with the visits.
func sources(plan *surveil.Plan) []string {
	var cites []string
	names := map[string][]string{}
	for i := range plan.Implants {
		m := &plan.Implants[i]
		for j := range m.Visits {
			v := &m.Visits[j]
			cite := strings.TrimSuffix(v.Cite, ".") + " (" + v.Evidence + ")."
			if names[cite] == nil {
				cites = append(cites, cite)
			}
			if name := notice.ClassName(m.Class) + " " + v.Step; !slices.Contains(names[cite], name) {
				names[cite] = append(names[cite], name)
			}
		}
	}
	for i, c := range cites {
		cites[i] = strings.Join(names[c], ", ") + ": " + c
	}
	return cites
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

// The pictures and the tables of the document are what the program draws and
// says of the cases. With -update they are written.
func TestPicturesAreOfThePlans(t *testing.T) {
	t.Parallel()
	text, list := parts(t)
	if len(list) != 10 {
		t.Fatalf("%d pictures, want ten", len(list))
	}
	var names []string
	for _, p := range list {
		patient := shown(t, p.folder, p.asOf)
		var drawn bytes.Buffer
		if err := web.Picture(&drawn, &patient, p.question); err != nil {
			t.Fatal(err)
		}
		same(t, filepath.Join(pictures, p.file), drawn.String())
		head, _, _ := strings.Cut(p.whole, "\n")
		text = strings.Replace(text, p.whole, head+"\n"+facts(&patient, p.folder)+"<!-- end -->", 1)
		names = append(names, p.file)
	}
	same(t, document, text)
	there, err := filepath.Glob(filepath.Join(pictures, "*"))
	if err != nil || len(there) != len(names) {
		t.Errorf("%d files in %s, %d in the document, %v", len(there), pictures, len(names), err)
	}
}

// same compares a file with what it should hold, or writes it.
func same(t *testing.T, path, want string) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if err != nil || string(got) != want {
		t.Errorf("%s is not what the program makes now: look at it, then run the test with -update (%v)", path, err)
	}
}

// What a person wrote beside a picture agrees with the plan: every date stands
// in the plan or in the case, every standing in bold and every rule is one of
// the plan, and every heading asks something.
func TestWordsAgreeWithThePlans(t *testing.T) {
	t.Parallel()
	_, list := parts(t)
	for _, p := range list {
		patient := shown(t, p.folder, p.asOf)
		said := facts(&patient, p.folder)
		bundle, err := os.ReadFile(filepath.Join(patients, p.folder, "bundle.json"))
		if err != nil {
			t.Fatal(err)
		}
		dates := written.FindAllString(p.prose, -1)
		if len(dates) == 0 || !strings.HasSuffix(p.question, "?") {
			t.Errorf("%s: no date, or no question", p.question)
		}
		for _, date := range dates {
			if at, err := time.Parse("2 Jan 2006", date); err != nil || !strings.Contains(said, date) && !strings.Contains(string(bundle), at.Format(time.DateOnly)) {
				t.Errorf("%s: the date %s stands neither in the plan nor in the case", p.question, date)
			}
		}
		bold := strong.FindAllStringSubmatch(p.prose, -1)
		for _, m := range bold {
			if !strings.Contains(said, "| "+m[1]) && !strings.Contains(said, "under surveillance, "+m[1]) {
				t.Errorf("%s: nothing in the plan is %s", p.question, m[1])
			}
		}
		checkRules(t, &p, patient.Plan)
		if len(bold) == 0 {
			t.Errorf("%s: no standing in bold", p.question)
		}
	}
}

// checkRules finds the rules that a part names among the reasons of the plan.
func checkRules(t *testing.T, p *part, plan *surveil.Plan) {
	t.Helper()
	used := map[string]bool{}
	add := func(list []surveil.Reason) {
		for i := range list {
			used[list[i].Rule] = true
		}
	}
	for i := range plan.Implants {
		add(plan.Implants[i].Why)
		for j := range plan.Implants[i].Visits {
			add(plan.Implants[i].Visits[j].Why)
		}
	}
	for i := range plan.Work {
		add(plan.Work[i].Why)
	}
	for i := range plan.Questions {
		add([]surveil.Reason{plan.Questions[i].Why})
	}
	_, rules, ok := strings.Cut(p.prose, "\nRules: ")
	rules, _, _ = strings.Cut(rules, "\n")
	if !ok || rules == "" {
		t.Errorf("%s: no rules are named", p.question)
	}
	for rule := range strings.SplitSeq(rules, ", ") {
		if !used[strings.Trim(rule, "`")] {
			t.Errorf("%s: the plan has no reason %s", p.question, rule)
		}
	}
}

// A picture stands alone: it asks for no other file, has a title and a
// description, and a word beside the shape of every standing.
func TestPicturesStandAlone(t *testing.T) {
	t.Parallel()
	_, list := parts(t)
	for _, p := range list {
		body, err := os.ReadFile(filepath.Join(pictures, p.file))
		if err != nil {
			t.Fatal(err)
		}
		text := string(body)
		for _, not := range []string{"var(", "href", "url(", "@import", "<script", "ZgotmplZ", "urn:", "Quay"} {
			if strings.Contains(text, not) {
				t.Errorf("%s holds %q", p.file, not)
			}
		}
		for _, want := range []string{`xmlns="http://www.w3.org/2000/svg"`, "<title id=\"t\">" + p.question + "</title>", "<desc id=\"d\">Today, ", ">visit ", `<rect class="sheet"`} {
			if !strings.Contains(text, want) {
				t.Errorf("%s lacks %q", p.file, want)
			}
		}
		for _, m := range regexp.MustCompile(`class="bar bar-([a-z]+)"`).FindAllStringSubmatch(text, -1) {
			if !strings.Contains(text, ">visit "+m[1]+"<") {
				t.Errorf("%s: no word for %s in the legend", p.file, m[1])
			}
		}
	}
}

// A reason that stands as a sentence begins like one.
func TestReasonsBeginLikeSentences(t *testing.T) {
	t.Parallel()
	n := 0
	for _, folder := range []string{"row34-type-three-leak-on-duplex", "row41-new-leak-of-unknown-type", "row40-shrunk-then-grown"} {
		p := shown(t, folder, "")
		for i := range p.Plan.Work {
			for j := range p.Plan.Work[i].Why {
				why := &p.Plan.Work[i].Why[j]
				if why.Rule == "protocol-step" {
					continue // it begins with the name of a protocol
				}
				n++
				if text := why.Text(); text[0] < 'A' || text[0] > 'Z' {
					t.Errorf("%s: %q", folder, text)
				}
			}
		}
	}
	if n < 8 {
		t.Errorf("only %d reasons were read", n)
	}
}
