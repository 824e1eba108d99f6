package protocol_test

import (
	"fmt"
	"strings"
	"testing"
)

// How a visit is done, in the words of row.
const (
	cta    = "ct-angiogram"
	either = "duplex/ct-angiogram"
	mr     = "ct-angiogram/mr-angiogram"
	plain  = "ct-plain/ct-angiogram"
	anyCT  = "ct-angiogram/ct-contrast/ct-plain/mr-angiogram"
)

// yearly is the end of a row whose repeats begin in a year.
func yearly(from int, ways string) string {
	return fmt.Sprintf("y%d P%dM %s, every P12M for life", from, 12*from, ways)
}

// interval is one row of the table: the visits of one series as the source has
// them.
type interval struct{ id, class, series, want, source string }

// intervals are the tables of the sources, typed. "From memory" means that the
// table was not open when it was typed, "by a summary" that a summary was.
func intervals() []interval {
	label := "m1 P30D " + cta + ", m6 P6M " + cta + ", y1 P12M " + cta + ", "
	sixIf := "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + cta + ", " + yearly(2, cta)
	m6y1 := "m1 P30D duplex, m6 P6M duplex, y1 P12M duplex, " + yearly(2, "duplex")
	five := func(ways string) string { return "aorta5 P60M " + ways + ", every P60M for life" }
	list := []interval{
		{"svs-aaa-2018", "evar", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + either + ", " + yearly(2, either), "Chaikof 2018, J Vasc Surg 67:2-77, endograft surveillance, from memory"},
		{"svs-aaa-2018", "evar", "aorta", five(plain), "Chaikof 2018, late outcomes, from memory"},
		{"svs-fu-2018", "evar", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + cta + ", " + yearly(2, either), "Zierler 2018, J Vasc Surg 68:256-284, by a summary; six months: design"},
		{"accaha-2022", "evar", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", " + yearly(1, either), "Isselbacher 2022, Circulation 146:e334, by a summary"},
		{"accaha-2022", "evar", "aorta", five(mr), "Isselbacher 2022, by a summary"},
		{"esc-2024", "evar", "main", "m1 P30D " + mr + ", ?m6 P6M " + mr + ", y1 P12M " + mr + ", " + yearly(2, either), "Mazzolai 2024, Eur Heart J 45:3538, by a summary"},
		{"esc-2024", "evar", "aorta", five(mr), "Mazzolai 2024, by a summary"},
		{"esc-2014", "evar", "main", label + yearly(2, either), "Erbel 2014, Eur Heart J 35:2873, from memory"},
		{"esc-2014", "evar", "aorta", five(plain), "Erbel 2014, from memory"},
		{"esc-2014", "tevar", "main", label + yearly(2, cta), "Erbel 2014, from memory"},
		{"fda-2022", "evar", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", " + yearly(1, either), "FDA letter 2022; the imaging of each visit: design"},
		{"esvs-aaa-2019-low", "evar", "main", "m1 P30D " + cta + ", y5 P60M " + cta + ", every P60M for life", "Wanhainen 2019, Eur J Vasc Endovasc Surg 57:8, from memory"},
		{"esvs-aaa-2019-middle", "evar", "main", "m1 P30D " + cta + ", " + yearly(1, either), "Wanhainen 2019, from memory"},
		{"esvs-aaa-2024-low", "evar", "main", "m1 P30D " + cta + ", y5 P60M " + cta + ", every P60M for life", "Wanhainen 2024, Eur J Vasc Endovasc Surg 67:192, from memory"},
		{"esvs-aaa-2024-high", "evar", "main", "m1 P30D " + cta + ", " + yearly(1, cta), "Wanhainen 2024, from memory"},
		{"label-1-6-12", "evar", "main", label + yearly(2, cta), "schedule of the pivotal studies, Endovascular Today, November 2017; lifelong: FDA letter 2022"},

		{"svs-tevar-2021", "tevar", "main", sixIf, "Upchurch 2021, J Vasc Surg 73:55S-83S, from memory"},
		{"svs-fu-2018", "tevar", "main", sixIf, "Zierler 2018, by a summary"},
		{"svs-fu-2018-trauma", "tevar", "main", sixIf, "Zierler 2018, injury as other thoracic grafts, by a summary"},
		{"accaha-2022", "tevar", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + cta + ", " + yearly(2, cta), "Isselbacher 2022, by a summary"},
		{"esc-2024-tevar", "tevar", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + cta + ", y2 P24M " + cta + ", y3 P36M " + cta + ", y4 P48M " + cta + ", y5 P60M " + cta + ", y10 P120M " + cta + ", every P60M for life",
			"Mazzolai 2024: yearly to year 5 from memory, then five-yearly by a summary"},
		{"esvs-dta-2017", "tevar", "main", sixIf, "Riambau 2017, Eur J Vasc Endovasc Surg 53:4, from memory"},
		{"eacts-sts-2024", "tevar", "main", "m1 P30D " + cta + ", y1 P12M " + cta + ", " + yearly(2, cta), "Czerny 2024, Eur J Cardiothorac Surg 65:ezad426, from memory, low confidence"},
		{"aha-cad-2022", "tevar", "main", label + yearly(2, cta), "Fleischmann 2022, Circ Cardiovasc Imaging 15:e000075, by a summary"},
		{"label-1-6-12", "tevar", "main", label + yearly(2, cta), "device labelling, from memory"},

		{"label-1-6-12", "arch-branch", "main", label + yearly(2, cta), "convention of device studies, from memory; six months always: design"},
		{"label-1-6-12", "fenestrated-branched", "main", label + yearly(2, cta), "convention of device studies, from memory"},
		{"label-1-6-12", "iliac-branch", "main", label + yearly(2, cta), "convention of device studies, from memory"},
		{"label-1-6-12", "open-repair", "main", label + yearly(2, cta), "no source: design"},
		{"accaha-2022-fenestrated", "fenestrated-branched", "main", label + yearly(2, cta), "Isselbacher 2022, by a summary; six months: device labelling, from memory"},
		{"accaha-2022-fenestrated", "fenestrated-branched", "vessels", "vessels-m1 P30D duplex, vessels-m6 P6M duplex, vessels1 P12M duplex, every P12M for life", "Isselbacher 2022, by a summary"},
		{"practice-iliac-branch", "iliac-branch", "main", label + yearly(2, either), "common practice, no source"},
		{"svs-aaa-2018", "iliac-branch", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + either + ", " + yearly(2, either), "as for the graft that it belongs to"},
		{"svs-aaa-2018", "iliac-branch", "aorta", five(plain), "as for the graft that it belongs to"},
		{"svs-fu-2018", "iliac-branch", "main", "m1 P30D " + cta + ", ?m6 P6M " + cta + ", y1 P12M " + cta + ", " + yearly(2, either), "as for the graft that it belongs to"},

		{"svs-aaa-2018-open", "open-repair", "main", five(plain), "Chaikof 2018, from memory"},
		{"esvs-aaa-2019-open", "open-repair", "main", five(anyCT), "Wanhainen 2019 and 2024, from memory"},
		{"accaha-2022-open", "open-repair", "main", "y1 P12M " + anyCT + ", " + five(anyCT), "Isselbacher 2022, from memory"},
		{"esc-2024-open", "open-repair", "main", "y1 P12M " + anyCT + ", " + five(anyCT), "Mazzolai 2024, from memory"},
		{"esc-2024-open-thoracic", "open-repair", "main", "m1 P30D " + anyCT + ", y1 P12M " + anyCT + ", y2 P24M " + anyCT + ", " + five(anyCT), "Mazzolai 2024, from memory"},
		{"aha-cad-2022-open", "open-repair", "main", "m6 P6M " + mr + ", y1 P12M " + mr + ", " + yearly(2, mr), "Fleischmann 2022, by a summary"},

		{"svs-fu-2018", "carotid-stent", "main", "m3 P3M duplex, m6 P6M duplex, y1 P12M duplex, m18 P18M duplex, y2 P24M duplex, y3 P36M duplex, every P12M for life", "Zierler 2018, pocket guide; yearly for life: design"},
		{"svs-fu-2018", "vein-bypass", "main", "m1 P30D duplex, m3 P3M duplex, m6 P6M duplex, y1 P12M duplex, " + yearly(2, "duplex"), "Zierler 2018, from memory"},
		{"svs-fu-2018", "prosthetic-bypass", "main", m6y1, "Zierler 2018, from memory"},
		{"svs-fu-2018", "aorto-iliac-stent", "main", m6y1, "Zierler 2018, from memory"},
		{"svs-fu-2018", "renal-stent", "main", m6y1, "Zierler 2018, from memory"},
		{"svs-fu-2018", "mesenteric-stent", "main", m6y1, "Zierler 2018, from memory"},
		{"svs-fu-2018", "femoropopliteal-stent", "main", "m1 P30D duplex, m3 P3M duplex, y1 P12M duplex, " + yearly(2, "duplex"), "Zierler 2018, from memory"},
		{"svs-fu-2018", "femoropopliteal-stent", "half", "m6 P6M duplex, half1 P18M duplex, every P12M for life", "Zierler 2018 (every six months), from memory"},
		{"fda-2014-filter", "filter", "main", "d42 P42D retrieval-review, y1 P12M retrieval-review, every P12M for life", "FDA 2014 and Morales 2013 (day 29 to 54), by a summary; every year: design"},
	}
	for _, class := range []string{"evar", "tevar", "arch-branch", "fenestrated-branched", "iliac-branch", "open-repair"} {
		list = append(list, interval{"label-1-6-12-trial", class, "main", label + "y2 P24M " + cta + ", every P12M until P60M", "convention of device studies, from memory; open repair: design"})
	}
	return list
}

// Intervals and imaging of every shipped protocol as the sources have them; the
// source stands beside each.
func TestIntervalsOfTheSources(t *testing.T) {
	t.Parallel()
	set := shipped(t)
	typed := map[string]bool{}
	for _, tc := range intervals() {
		if tc.source == "" || set[tc.id] == nil {
			t.Fatalf("%s: no such protocol, or no source named", tc.id)
		}
		typed[strings.Join([]string{tc.id, tc.class, tc.series}, " ")] = true
		found := 0
		for i := range set[tc.id].Series {
			s := &set[tc.id].Series[i]
			if s.ID != tc.series || !s.For(tc.class) {
				continue
			}
			found++
			if got := row(s); got != tc.want {
				t.Errorf("%s for %s (%s):\n got %s\nwant %s", tc.id, tc.class, tc.source, got, tc.want)
			}
		}
		if found != 1 {
			t.Errorf("%s has %d series %s for %s", tc.id, found, tc.series, tc.class)
		}
	}
	for id, p := range set {
		for _, class := range p.Classes {
			for i := range p.Series {
				if s := &p.Series[i]; s.For(class) && !typed[strings.Join([]string{id, class, s.ID}, " ")] {
					t.Errorf("nobody has typed the series %s of %s for %s", s.ID, id, class)
				}
			}
		}
	}
}
