package protocol_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/yamldoc"
)

const shippedFolder = "../../config/protocols"

func shipped(t testing.TB) protocol.Set {
	t.Helper()
	set, problems := protocol.Load(os.DirFS(shippedFolder))
	if len(problems) > 0 {
		t.Fatalf("the shipped protocols have problems:\n%s", yamldoc.Problems(problems).Error())
	}
	return set
}

func TestShippedFiles(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	want := strings.Fields("accaha-2022 accaha-2022-fenestrated accaha-2022-open aha-cad-2022 aha-cad-2022-open eacts-sts-2024 esc-2014 esc-2024 esc-2024-open " +
		"esc-2024-open-thoracic esc-2024-tevar esvs-aaa-2019-low esvs-aaa-2019-middle esvs-aaa-2019-open esvs-aaa-2024-high esvs-aaa-2024-low esvs-dta-2017 " +
		"fda-2014-filter fda-2022 label-1-6-12 label-1-6-12-trial practice-iliac-branch svs-aaa-2018 svs-aaa-2018-open svs-fu-2018 svs-fu-2018-trauma svs-tevar-2021")
	if d := cmp.Diff(want, set.IDs()); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	for id, p := range set {
		if p.Status != "draft" || p.Version != "1" || p.KeepClock {
			t.Errorf("%s: status %s, version %s, keep_clock %v", id, p.Status, p.Version, p.KeepClock)
		}
		doc, err := os.ReadFile(filepath.Join(shippedFolder, id+".yaml"))
		if err != nil || !strings.HasPrefix(string(doc), "# ") || !strings.Contains(string(doc), "DRAFT") {
			t.Errorf("%s.yaml does not begin with words about it (%v)", id, err)
		}
		usable(t, p)
	}
}

// The protocols that a site without settings uses, by class.
func TestDefaultProtocolsAreForTheirClasses(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	aortic := map[string]string{"evar": "svs-aaa-2018", "iliac-branch": "svs-aaa-2018", "tevar": "svs-tevar-2021", "arch-branch": "label-1-6-12",
		"fenestrated-branched": "label-1-6-12", "open-repair": "accaha-2022-open", "filter": "fda-2014-filter"}
	for _, class := range protocol.Classes() {
		id := aortic[class]
		if id == "" {
			id = "svs-fu-2018"
		}
		if !set[id].For(class) {
			t.Errorf("%s is not for %s", id, class)
		}
	}
	for _, class := range protocol.AorticClasses() {
		for _, id := range []string{"label-1-6-12", "label-1-6-12-trial"} {
			if !slices.Contains(set.ForClass(class), id) {
				t.Errorf("%s is not for %s", id, class)
			}
		}
	}
}

// row draws the visits of one series up to five years, then what follows:
// id, offset and the kinds that count by themselves; "?" marks a condition.
func row(s *protocol.Series) string {
	var out []string
	put := func(id string, at day.Offset, ways []protocol.Way) {
		var kinds []string
		for _, w := range ways {
			if !w.Acceptance {
				for _, k := range w.Kinds {
					kinds = append(kinds, k.String())
				}
			}
		}
		out = append(out, fmt.Sprintf("%s %s %s", id, at, strings.Join(kinds, "/")))
	}
	for _, step := range s.Steps {
		id := step.ID
		if step.OnlyIf != nil {
			id = "?" + id
		}
		put(id, step.At, step.Ways)
	}
	r := s.Repeat
	if r == nil {
		return strings.Join(out, ", ")
	}
	put(s.RepeatID(r.From), r.From, r.Ways)
	end := "for life"
	if !r.Until.Zero() {
		end = "until " + r.Until.String()
	}
	return strings.Join(out, ", ") + ", every " + r.Every.String() + " " + end
}

// 1, 6 and 12 months, then yearly to five years: common practice, no source.
func TestLabelToFiveYears(t *testing.T) {
	t.Parallel()
	want := []string{"P30D", "P6M", "P12M", "P24M", "P36M", "P48M", "P60M"}
	set := shipped(t)
	for _, id := range []string{"label-1-6-12", "label-1-6-12-trial"} {
		for _, class := range protocol.AorticClasses() {
			var got []string
			for _, s := range set[id].Series {
				if !s.For(class) {
					continue
				}
				for _, step := range s.Steps {
					got = append(got, step.At.String())
				}
				for at := s.Repeat.From; at.Months <= 60; at.Months += s.Repeat.Every.Months {
					got = append(got, at.String())
				}
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("%s for %s (-want +got)\n%s", id, class, d)
			}
		}
	}
}

func TestLateLadderGapAndTerritory(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	none := func(string) bool { return false }
	dissection := func(c string) bool { return c == "dissection" }
	for id, p := range set {
		if p.Late == (id == "label-1-6-12-trial") {
			t.Errorf("%s: late %v", id, p.Late)
		}
		gap := day.Offset{Months: 15}
		if slices.Contains(strings.Fields("accaha-2022-open esc-2024-open esc-2024-open-thoracic esc-2024-tevar esvs-aaa-2019-low esvs-aaa-2024-low esvs-aaa-2019-open svs-aaa-2018-open"), id) {
			gap.Months = 66
		}
		if id == "fda-2014-filter" {
			gap.Months = 1188 // no imaging is asked for
		}
		if p.Gap != gap {
			t.Errorf("%s: gap %s", id, p.Gap)
		}
		for _, s := range p.Series {
			if s.Ladder == (s.ID == "aorta" || s.ID == "vessels") {
				t.Errorf("%s: series %s, ladder %v", id, s.ID, s.Ladder)
			}
		}
		for class, want := range map[string][2]string{
			"evar": {"abdomen+pelvis", "abdomen+pelvis"}, "iliac-branch": {"abdomen+pelvis", "abdomen+pelvis"}, "fenestrated-branched": {"abdomen+pelvis", "abdomen+pelvis"},
			"tevar": {"chest", "chest+abdomen+pelvis"}, "arch-branch": {"neck+chest", "neck+chest"}, "open-repair": {"chest+abdomen+pelvis", "chest+abdomen+pelvis"},
			"carotid-stent": {"carotid", "carotid"}, "vein-bypass": {"legs", "legs"}, "renal-stent": {"renal", "renal"},
		} {
			if !p.For(class) {
				continue
			}
			if id == "aha-cad-2022" {
				want[0] = want[1] // it is for dissections
			}
			if got := [2]string{p.Need(class, none).String(), p.Need(class, dissection).String()}; got != want {
				t.Errorf("%s: %s needs %v, not %v", id, class, got, want)
			}
		}
	}
	if n := set["svs-aaa-2018"].Series[1].Repeat.Needs; n != chart.Chest|chart.Abdomen|chart.Pelvis {
		t.Errorf("the five-yearly scan of svs-aaa-2018 needs %s", n)
	}
}

// A file alone adds a rule.
func TestMigrationByAFileAlone(t *testing.T) {
	t.Parallel()
	p := parse(t, "migration-10mm.yaml", read(t, "migration-10mm.yaml"))
	if len(p.Triggers) != 1 {
		t.Fatalf("%d triggers", len(p.Triggers))
	}
	if got, want := said(p.Triggers[0]), "migration-10: migration at least 100 -> review 7 urgent"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// The first scan is abnormal with any endoleak, or with a fault of the device;
// a sound first scan makes no six-month visit.
func TestAbnormalFirstScan(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	n := 0
	for _, id := range set.IDs() {
		for _, s := range set[id].Series {
			for _, step := range s.Steps {
				if step.OnlyIf == nil {
					continue
				}
				n++
				var got []string
				for _, c := range step.OnlyIf.Any {
					got = append(got, strings.TrimSpace(fmt.Sprintln(c.Finding, c.Types, c.AtLeast)))
				}
				want := []string{"endoleak [] 0", "migration [present] 0", "migration [] 50", "fracture [] 0", "separation [] 0", "kink [] 0", "infection [] 0", "rupture [] 0", "branch-patency [] 0"}
				if d := cmp.Diff(want, got); d != "" || step.ID != "m6" {
					t.Errorf("%s %s (-want +got)\n%s", id, step.ID, d)
				}
			}
		}
	}
	if n != 11 {
		t.Errorf("%d conditional visits, not 11", n)
	}
}

// The example of the manual is a protocol.
func TestTheManualsExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/protocol-format.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), "```yaml\n")
	example, _, closed := strings.Cut(rest, "```\n")
	if !found || !closed {
		t.Fatal("docs/protocol-format.md has no example")
	}
	_, rest, found = strings.Cut(rest, "```yaml\n")
	more, _, closed := strings.Cut(rest, "```\n")
	if !found || !closed {
		t.Fatal("docs/protocol-format.md has no example of a series of added visits")
	}
	p := parse(t, "docs/protocol-format.md", []byte(example+more))
	want := "m1 P30D ct-angiogram, y1 P12M duplex/ct-angiogram, y2 P24M duplex/ct-angiogram, every P12M for life"
	if got := row(&p.Series[0]); got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if got := said(p.Triggers[0]); got != "slipped: migration at least 100 -> review 7 urgent" {
		t.Errorf("got %s", got)
	}
	added := &protocol.AddedSeries{Every: 6, Until: 24, Before: 60, After: 60, Ways: p.Series[0].Repeat.Ways, Instead: true}
	if d := cmp.Diff(added, p.Triggers[1].Then.Series); d != "" {
		t.Errorf("the series (-want +got)\n%s", d)
	}
	for _, c := range []struct { // the dates that the manual names
		from day.Day
		at   day.Offset
		date string
	}{
		{day.Of(2024, 1, 31), day.Offset{Days: 30}, "2024-03-01"}, {day.Of(2024, 1, 31), day.Offset{Months: 12}, "2025-01-31"}, {day.Of(2024, 1, 31), day.Offset{Months: 24}, "2026-01-31"},
		{day.Of(2025, 1, 31), day.Offset{Months: 6}, "2025-07-31"}, {day.Of(2025, 1, 31), day.Offset{Months: 18}, "2026-07-31"}, {day.Of(2025, 1, 31), day.Offset{Months: 24}, "2027-01-31"},
	} {
		if got := c.from.Add(c.at).String(); got != c.date {
			t.Errorf("%s: %s, not %s", c.at, got, c.date)
		}
	}
}
