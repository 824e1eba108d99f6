package export_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/export"
	"perennial/internal/surveil"
)

// tree is a resource, read back.
type tree = map[string]any

func read(t *testing.T, r *export.Resource) tree {
	t.Helper()
	var m tree
	if err := json.Unmarshal(r.Body, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// texts visits every text of a resource, with the name of its member.
func texts(v any, name string, visit func(name, text string)) {
	switch v := v.(type) {
	case string:
		visit(name, v)
	case []any:
		for _, one := range v {
			texts(one, name, visit)
		}
	case tree:
		for name, one := range v {
			texts(one, name, visit)
		}
	}
}

// Whatever asks for something is a draft and a proposal.
func TestNeverAnOrder(t *testing.T) {
	t.Parallel()
	n := map[string]int{}
	for _, r := range everything(t, false) {
		m := read(t, &r)
		n[r.Type]++
		switch r.Type {
		case "ServiceRequest", "CarePlan", "ActivityDefinition":
			asks := r.Type == "ServiceRequest" || m["activity"] != nil
			if m["intent"] != "proposal" || asks && m["status"] != "draft" || m["doNotPerform"] != nil {
				t.Errorf("%s", r.Body)
			}
		}
		if !strings.Contains(string(r.Body), "no order") && !slices.Contains([]string{"Provenance", "Flag"}, r.Type) {
			t.Errorf("it does not say that it is no order: %s", r.Body)
		}
		texts(m, "", func(name, text string) {
			if name == "intent" && text != "proposal" {
				t.Errorf("%s: intent %s", r.Type, text)
			}
		})
	}
	if n["ServiceRequest"] < 400 || n["CarePlan"] < 400 || n["Flag"] < 20 || n["PlanDefinition"] < 6 || n["ActivityDefinition"] < 50 || n["Provenance"] != n["ServiceRequest"]+n["CarePlan"]+n["Flag"] {
		t.Errorf("%v", n)
	}
}

// Nothing is written twice, and all that is named is there: by type and id, by
// fullUrl in a Bundle, and definitions by url and version.
func TestAllThatIsNamedIsThere(t *testing.T) {
	t.Parallel()
	for _, bundled := range []bool{false, true} {
		var out bytes.Buffer
		b := export.NewBundle(&out)
		for _, r := range everything(t, bundled) {
			if err := b.Add(&r); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		var bundle struct {
			Entry []struct {
				FullURL  string
				Resource tree
			}
		}
		if err := json.Unmarshal(out.Bytes(), &bundle); err != nil {
			t.Fatal(err)
		}
		there := map[string]bool{}
		put := func(name string) {
			if there[name] {
				t.Errorf("%s is there twice", name)
			}
			there[name] = true
		}
		for _, e := range bundle.Entry {
			put(e.FullURL)
			put(fmt.Sprintf("%s/%s", e.Resource["resourceType"], e.Resource["id"]))
			if url := e.Resource["url"]; url != nil {
				put(fmt.Sprintf("%s|%s", url, e.Resource["version"]))
			}
		}
		links := 0
		for _, e := range bundle.Entry {
			texts(e.Resource, "", func(name, text string) {
				own := strings.HasPrefix(text, "ServiceRequest/") || strings.HasPrefix(text, "CarePlan/") || strings.HasPrefix(text, "Flag/")
				if name == "reference" && (own || strings.HasPrefix(text, "urn:uuid:")) || slices.Contains([]string{"instantiatesCanonical", "definitionCanonical", "policy"}, name) {
					if links++; !there[text] || own == bundled && own {
						t.Errorf("%s is not there", text)
					}
				}
			})
		}
		if links < 3000 {
			t.Errorf("only %d links", links)
		}
	}
}

// Ids and identifiers tell nothing about patients, and stay what they are from one
// export to the next; another site has others.
func TestNamesTellNothing(t *testing.T) {
	t.Parallel()
	w := all()
	o := export.Options{Site: site, At: made(), Protocols: w.protocols}
	later := export.Options{Site: site, At: made().AddDate(0, 0, 3), Protocols: w.protocols}
	other := export.Options{Site: "site-2", At: made(), Protocols: w.protocols}
	for i := range w.plans {
		p := &w.plans[i]
		next := *p
		next.AsOf += 3
		here, there := ids(t, &o, p), ids(t, &other, p)
		if again := ids(t, &later, &next); !slices.Equal(here, again) {
			t.Errorf("ids changed: %v %v", here, again)
		}
		for _, id := range here {
			if len(id) != 32 || strings.Trim(id, "0123456789abcdef") != "" || slices.Contains(there, id) {
				t.Errorf("%s tells something", id)
			}
		}
	}
}

// ids are the ids of a plan's resources and the identifiers with which they are
// found again.
func ids(t *testing.T, o *export.Options, p *surveil.Plan) (list []string) {
	t.Helper()
	out, err := export.Plan(o, p)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range out {
		list = append(list, r.ID)
		own, _ := read(t, &r)["identifier"].([]any)
		for _, one := range own {
			list = append(list, one.(tree)["value"].(string))
		}
	}
	return list
}

// Every visit that is owed or comes next is asked for, in its window; what is done
// stands with the imaging that did it; what was missed is told; who is lost has a
// Flag.
func TestEveryVisit(t *testing.T) {
	t.Parallel()
	w := all()
	o := export.Options{Site: site, At: made(), Protocols: w.protocols}
	n := map[surveil.Standing]int{}
	for i := range w.plans {
		p := &w.plans[i]
		list, err := export.Plan(&o, p)
		if err != nil {
			t.Fatal(err)
		}
		text, asked := "", 0
		for _, r := range list {
			text += string(r.Body) + "\n"
			if r.Type == "ServiceRequest" {
				asked++
			}
		}
		for j := range p.Implants {
			im := &p.Implants[j]
			for k := range im.Visits {
				v := &im.Visits[k]
				n[v.Standing]++
				want := map[surveil.Standing]string{
					surveil.Done:   fmt.Sprintf(`Visit %s, done %s on %s`, v.Step, strings.ReplaceAll(v.Timing, "-", " "), v.StudyDate.Text()),
					surveil.Missed: fmt.Sprintf(`"text":"Visit %s, due %s: missed. `, v.Step, v.Target.Text()), surveil.Excused: ": excused. ", surveil.Undecided: ": undecided. ",
				}[v.Standing]
				if want == "" && im.Ended == "" && p.Ended == "" {
					asked--
					want = fmt.Sprintf(`"occurrencePeriod":{"start":%q,"end":%q}`, v.Opens.First, v.Closes.Last)
				}
				if !strings.Contains(text, want) {
					t.Errorf("%s %s is not told: %s", v.Key(), v.Standing, want)
				}
			}
		}
		lost := p.FollowUp == surveil.RungLost || p.FollowUp == surveil.RungPresumedLost
		if asked != 0 || strings.Contains(text, `"resourceType":"Flag"`) != lost {
			t.Errorf("%s: %d visits too many, lost %v\n%s", p.Patient, asked, lost, text)
		}
	}
	for _, s := range []surveil.Standing{surveil.Done, surveil.Missed, surveil.Excused, surveil.Undecided, surveil.Overdue, surveil.Open, surveil.Upcoming, surveil.Booked} {
		if n[s] == 0 {
			t.Errorf("no visit is %s: this test shows nothing about it", s)
		}
	}
}

// Codes of others mean to our code book what is wanted.
func TestCodesMeanTheSame(t *testing.T) {
	t.Parallel()
	work, err := shipped()
	if err != nil {
		t.Fatal(err)
	}
	loinc, snomed := 0, 0
	for _, r := range everything(t, false) {
		m := read(t, &r)
		if r.Type != "ServiceRequest" && r.Type != "ActivityDefinition" {
			continue
		}
		sites, _ := m["bodySite"].([]any)
		needs := chart.Territory(0)
		for _, one := range sites {
			coding := one.(tree)["coding"].([]any)
			region, ok := chart.ParseTerritory(coding[0].(tree)["code"].(string))
			if needs |= region; !ok || len(coding) < 2 {
				continue
			}
			code := coding[1].(tree)["code"].(string)
			site, _, ok := work.Book.BodySite("http://snomed.info/sct", code)
			covers := chart.Territory(site.Covers)
			if snomed++; !ok || !covers.Has(region) || covers&^region&(chart.Abdomen|chart.Pelvis|chart.Chest|chart.Neck) != 0 {
				t.Errorf("SNOMED %s says %v, not %v", code, covers, region)
			}
		}
		list := m["code"].(tree)["coding"].([]any)
		if len(list) < 2 {
			continue
		}
		loinc++
		what, _, ok := work.Book.Imaging([]codes.Coding{{System: "http://loinc.org", Code: list[1].(tree)["code"].(string)}}, "")
		if kind := chart.Kind(what.Kind); !ok || kind.String() != list[0].(tree)["code"] || !chart.Territory(what.Covers).Has(needs) {
			t.Errorf("%v says %v of %v, not %v", list, kind, chart.Territory(what.Covers), needs)
		}
	}
	if loinc < 50 || snomed < 500 {
		t.Errorf("%d and %d codes", loinc, snomed)
	}
}

// What is exported and comes back with the next import changes no plan: a proposal
// is neither a booking nor imaging nor a Task.
func TestComesBackWithoutEffect(t *testing.T) {
	t.Parallel()
	var before, after world
	text, rulings := cohort()
	if err := before.take("cohort.ndjson", text, rulings); err != nil {
		t.Fatal(err)
	}
	o := export.Options{Site: site, At: made(), Protocols: before.protocols}
	for i := range before.plans {
		list, err := export.Plan(&o, &before.plans[i])
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			text = append(append(text, r.Body...), '\n')
		}
	}
	if err := after.take("cohort.ndjson", text, rulings); err != nil {
		t.Fatal(err)
	}
	if len(before.plans) < 300 || len(before.plans) != len(after.plans) {
		t.Fatalf("%d and %d plans", len(before.plans), len(after.plans))
	}
	for i := range before.plans {
		a, _ := json.Marshal(&before.plans[i])
		b, _ := json.Marshal(&after.plans[i])
		if !bytes.Equal(a, b) {
			t.Errorf("%s changed\n%s\n%s", before.plans[i].Patient, a, b)
		}
	}
}

// Two exports are the same to the byte.
func TestSameBytes(t *testing.T) {
	t.Parallel()
	a := everything(t, true)
	b, err := exportAll(true)
	if err != nil || len(a) != len(b) {
		t.Fatal(err)
	}
	for i := range a {
		if !bytes.Equal(a[i].Body, b[i].Body) || a[i].ID != b[i].ID {
			t.Errorf("%s\n%s", a[i].Body, b[i].Body)
		}
	}
}

// A plan, made, looked at and written.
func BenchmarkPlan(b *testing.B) {
	w := all()
	if w.err != nil {
		b.Fatal(w.err)
	}
	o := export.Options{Site: site, At: made(), Protocols: w.protocols}
	for i := 0; b.Loop(); i++ {
		if _, err := export.Plan(&o, &w.plans[i%len(w.plans)]); err != nil {
			b.Fatal(err)
		}
	}
}
