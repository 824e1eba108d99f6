package protocol_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/yamldoc"
)

func profiles(t testing.TB) protocol.Profiles {
	t.Helper()
	set, problems := protocol.LoadProfiles(os.DirFS("../../config/windows"))
	if len(problems) > 0 {
		t.Fatalf("the shipped profiles have problems:\n%s", yamldoc.Problems(problems).Error())
	}
	return set
}

// The windows and bins of each profile, typed. clinic-v1 is chosen here, but for
// the year (Garg 2015, J Vasc Surg 61:23: an image every 15 months) and the
// filter (day 29 to 54, FDA 2014, by a summary); trial-v1 and the bins are
// conventions, from memory.
func TestProfiles(t *testing.T) {
	t.Parallel()
	want := map[string][]string{
		"clinic-v1":        {"clinic", "P30D 15/30 DESIGN", "P42D 13/12 FOUND2", "P3M 30/30 DESIGN", "P6M 60/60 DESIGN", "P18M 60/60 DESIGN", "each P12M 90/90 FOUND", "each P60M 180/180 DESIGN"},
		"trial-v1":         {"study", "P30D 15/15 MEM-M", "P6M 30/30 MEM-M", "each P12M 60/60 MEM-M"},
		"registry-ltfu-v1": {"analysis", "P12M P9M..P21M MEM-H"},
		"analysis-days-v1": {"analysis", "P30D P15D..P59D MEM-M", "P3M P60D..P126D MEM-M", "P6M P127D..P242D MEM-M", "P12M P243D..P546D MEM-M",
			"P24M P547D..P911D MEM-M", "P36M P912D..P1275D MEM-M", "P48M P1276D..P1640D MEM-M", "P60M P1641D..P2006D MEM-M"},
	}
	got := map[string][]string{}
	for id, p := range profiles(t) {
		if p.Status != "draft" || p.Version != "1" {
			t.Errorf("%s: %s, version %s", id, p.Status, p.Version)
		}
		got[id] = []string{p.Field}
		for _, r := range p.Rows {
			line := r.At.String()
			if !r.Each.Zero() {
				line = "each " + r.Each.String()
			}
			if r.To.Zero() {
				line += fmt.Sprintf(" %d/%d ", r.Before, r.After)
			} else {
				line += fmt.Sprintf(" %s..%s ", r.From, r.To)
			}
			got[id] = append(got[id], line+r.Cite.Evidence)
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

// One scan, three answers: at ten months after an operation it is early for the
// clinic and for a study, and yet the follow-up of the first year for a registry.
func TestThreeFields(t *testing.T) {
	t.Parallel()
	set, index := profiles(t), day.Of(2024, 1, 31)
	year := day.Offset{Months: 12}
	for id, want := range map[string]string{"clinic-v1": "2024-11-02..2025-05-01", "trial-v1": "2024-12-02..2025-04-01", "registry-ltfu-v1": "2024-10-31..2025-10-31"} {
		from, to, ok := set[id].On(index, year, day.Offset{})
		if got := from.String() + ".." + to.String(); !ok || got != want {
			t.Errorf("%s: %s, not %s", id, got, want)
		}
	}
	if _, _, ok := set["trial-v1"].On(index, day.Offset{Months: 3}, day.Offset{}); ok {
		t.Error("a study has no window at three months")
	}
	if from, to, _ := set["clinic-v1"].On(index, day.Offset{Months: 60}, day.Offset{Months: 60}); from.String() != "2028-08-04" || to.String() != "2029-07-30" {
		t.Errorf("five-yearly: %s to %s", from, to)
	}
}

// A protocol has the windows of its profile, apart from those that say why not.
func TestWindowsAreThoseOfTheProfile(t *testing.T) {
	t.Parallel()
	except := map[string]string{
		"svs-fu-2018 carotid-stent m3": "75/30",  // an early first duplex counts: "within three months"
		"eacts-sts-2024  y1":           "182/90", // "between 6 and 12 months"
	}
	index := day.Of(2001, 3, 1)
	all := profiles(t)
	used := 0
	for id, p := range shipped(t) {
		profile := all[p.Windows]
		if profile == nil || all[p.Study] == nil && p.Study != "none" || all[p.Bins] == nil && p.Bins != "none" {
			t.Fatalf("%s: a profile of %s, %s, %s is not shipped", id, p.Windows, p.Study, p.Bins)
		}
		check := func(s *protocol.Series, step string, at, every day.Offset, window string) {
			target := index.Add(at)
			from, to, ok := profile.On(index, at, every)
			want := fmt.Sprintf("%d/%d", target-from, to-target)
			if w := except[fmt.Sprintf("%s %s %s", id, strings.Join(s.Classes, " "), step)]; w != "" {
				want = w
				used++
			}
			if !ok || window != want {
				t.Errorf("%s %v %s: window %s, the profile %s has %s (%v)", id, s.Classes, step, window, p.Windows, want, ok)
			}
		}
		for i := range p.Series {
			s := &p.Series[i]
			for _, step := range s.Steps {
				check(s, step.ID, step.At, day.Offset{}, fmt.Sprintf("%d/%d", step.Before, step.After))
			}
			if r := s.Repeat; r != nil {
				check(s, "repeat", r.From, r.Every, fmt.Sprintf("%d/%d", r.Before, r.After))
			}
		}
	}
	if used != len(except) {
		t.Errorf("%d exceptions were met, not %d", used, len(except))
	}
}

func TestBadProfiles(t *testing.T) {
	t.Parallel()
	good := "id: own\nversion: \"1\"\ntitle: Own\nstatus: draft\nfield: clinic\nsources: {x: An invented source}\nrows:\n  - {at: P30D, before: 15, after: 30, cite: {source: x, evidence: DESIGN}}\n"
	if p, problems := protocol.ParseProfile("f.yaml", []byte(good)); p == nil {
		t.Fatalf("refused: %v", problems)
	}
	for _, tc := range [][3]string{
		{"field: clinic", "field: clinik", `f.yaml:5:8: field: unknown word "clinik" (did you mean "clinic"?)`},
		{"at: P30D, before", "at: P30D, each: P12M, before", "a row is for one visit"},
		{"before: 15, after: 30", "from: P30D, to: P15D", "the bin ends (P15D) before it begins (P30D)"},
		{"before: 15, ", "", "is missing; a whole number of days is expected"},
		{"rows:", "rowz:", `did you mean "rows"?`},
		{"evidence: DESIGN", "evidence: DESING", `did you mean "DESIGN"?`},
	} {
		p, problems := protocol.ParseProfile("f.yaml", []byte(strings.Replace(good, tc[0], tc[1], 1)))
		if all := yamldoc.Problems(problems).Error(); p != nil || !strings.Contains(all, tc[2]) {
			t.Errorf("%q says %q, without %q", tc[1], all, tc[2])
		}
	}
}

func conflicts(t testing.TB) protocol.Conflicts {
	t.Helper()
	list, problems := protocol.LoadConflicts(os.DirFS("../../config/conflicts"), shipped(t))
	if len(problems) > 0 {
		t.Fatalf("the shipped conflicts have problems:\n%s", yamldoc.Problems(problems).Error())
	}
	return list
}

// Each question has its sides, each side its sources; a protocol stands on a
// side only of questions about one of its classes.
func TestConflicts(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	var ids []string
	for _, c := range conflicts(t) {
		ids = append(ids, c.ID)
		for _, side := range c.Sides {
			for _, id := range side.Protocols {
				if !slices.ContainsFunc(c.Classes, set[id].For) {
					t.Errorf("%s: %s is for none of %v", c.ID, id, c.Classes)
				}
			}
		}
	}
	want := strings.Fields("six-months twelve-months yearly-for-life five-years duplex growth thorax-five-years thorax-current open-first first-scan")
	if d := cmp.Diff(want, ids); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	six := conflicts(t).For("tevar")[0]
	if own := six.Own("svs-tevar-2021"); own == nil || !strings.HasPrefix(own.Says, "Only where the first scan is abnormal") || len(six.Others("svs-tevar-2021")) != 1 {
		t.Errorf("svs-tevar-2021 at six months: %+v", own)
	}
	if len(six.Others("a-protocol-of-the-site")) != 2 {
		t.Error("a protocol on no side is shown every side")
	}
	if got := conflicts(t).For("filter"); len(got) > 0 {
		t.Errorf("%d conflicts about filters", len(got))
	}
}

// The side on which a protocol is put agrees with its own visits.
func TestSidesAgreeWithVisits(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	six := conflicts(t)[0]
	for i, side := range six.Sides {
		for _, id := range side.Protocols {
			always, sometimes := false, false
			for _, s := range set[id].Series {
				for _, step := range s.Steps {
					if step.At == (day.Offset{Months: 6}) && s.ID == "main" && slices.ContainsFunc(six.Classes, s.For) {
						always, sometimes = always || step.OnlyIf == nil, sometimes || step.OnlyIf != nil
					}
				}
			}
			if always != (i == 0) || sometimes != (i == 1) {
				t.Errorf("%s stands on the side %q, and has a visit at six months always %v, sometimes %v", id, side.Says, always, sometimes)
			}
		}
	}
}

func TestBadConflicts(t *testing.T) {
	t.Parallel()
	good := "about: x\nsources: {x: An invented source}\nconflicts:\n  - id: a\n    about: Is it so?\n    classes: [evar]\n    sides:\n      - {says: Yes it is, protocols: [svs-aaa-2018], cites: [{source: x, evidence: DESIGN}]}\n      - {says: No it is not, cites: [{source: x, evidence: DESIGN}]}\n"
	set := shipped(t)
	if list, problems := protocol.ParseConflicts("f.yaml", []byte(good), set); len(list) != 1 {
		t.Fatalf("refused: %v", problems)
	}
	for _, tc := range [][3]string{
		{"svs-aaa-2018]", "svs-aaa-2081]", `did you mean "svs-aaa-2018"?`},
		{"No it is not, cites: [{source: x, evidence: DESIGN}]", "No it is not", "every side says where it comes from"},
		{"{says: No it is not,", "{says: No it is not, protocols: [svs-aaa-2018],", "svs-aaa-2018 stands on two sides"},
		{"      - {says: No it is not, cites: [{source: x, evidence: DESIGN}]}\n", "", "a conflict has two sides at least"},
	} {
		list, problems := protocol.ParseConflicts("f.yaml", []byte(strings.Replace(good, tc[0], tc[1], 1)), set)
		if all := yamldoc.Problems(problems).Error(); list != nil || !strings.Contains(all, tc[2]) {
			t.Errorf("%q says %q, without %q", tc[1], all, tc[2])
		}
	}
	if _, problems := protocol.LoadConflicts(fstest.MapFS{}, set); len(problems) != 1 {
		t.Errorf("an empty folder: %v", problems)
	}
}
