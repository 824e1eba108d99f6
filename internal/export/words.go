package export

import (
	"cmp"
	"strconv"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/notice"
	"perennial/internal/protocol"
)

// kindsText names kinds of imaging, any of which does.
func kindsText(kinds []chart.Kind) string {
	var names []string
	for _, k := range kinds {
		names = append(names, strings.Replace(notice.KindText(k), "CT, contrast not stated", "CT (contrast not stated)", 1))
	}
	return strings.Join(names, " or ")
}

// territoryText names regions: "abdomen and pelvis".
func territoryText(t chart.Territory) string {
	names := regions(t)
	if n := len(names) - 1; n > 0 {
		return strings.Join(names[:n], ", ") + " and " + names[n]
	}
	return strings.Join(names, "")
}

func regions(t chart.Territory) []string {
	return strings.FieldsFunc(t.String(), func(r rune) bool { return r == '+' })
}

// waysText says all that does a visit.
func waysText(ways []protocol.Way) string {
	var parts []string
	for i := range ways {
		text := kindsText(ways[i].Kinds)
		if len(ways[i].With) > 0 {
			text += " together with " + kindsText(ways[i].With) + " within " + days(ways[i].Within)
		}
		if ways[i].Acceptance {
			text += " (once a person has accepted it)"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

func days(n int) string {
	if n == 1 {
		return "1 day"
	}
	return strconv.Itoa(n) + " days"
}

// alone are the kinds that do a visit by themselves; where there are none, those
// of the first way.
func alone(ways []protocol.Way) (kinds []chart.Kind) {
	for i := range ways {
		if !ways[i].Acceptance && len(ways[i].With) == 0 {
			kinds = append(kinds, ways[i].Kinds...)
		}
	}
	if len(kinds) == 0 && len(ways) > 0 {
		return ways[0].Kinds
	}
	return kinds
}

// wanted is the imaging that is wanted: our own code, which names all kinds that
// do, and one of LOINC where one kind of imaging of one territory is meant that
// has such a code.
func wanted(ways []protocol.Way, needs chart.Territory) concept {
	kinds := alone(ways)
	if len(kinds) == 0 {
		return concept{Text: "Imaging, as the protocol asks"}
	}
	var names []string
	for _, k := range kinds {
		names = append(names, k.String())
	}
	c := concept{Coding: []fhir.Coding{{System: CodesOfImaging, Code: strings.Join(names, "-or-")}}, Text: capital(kindsText(kinds))}
	if needs != 0 {
		c.Text += " of " + territoryText(needs)
	}
	if code := loinc(kinds, needs); code != "" {
		c.Coding = append(c.Coding, fhir.Coding{System: "http://loinc.org", Code: code})
	}
	return c
}

// loinc is the LOINC code of imaging; empty where none says the same. The codes
// are those that the code book (config/codes/imaging.yaml) reads the same way.
func loinc(kinds []chart.Kind, needs chart.Territory) string {
	if len(kinds) != 1 {
		return ""
	}
	trunk := chart.Abdomen | chart.Pelvis
	for _, row := range []struct {
		kind  chart.Kind
		needs chart.Territory
		code  string
	}{
		{chart.CTAngiogram, trunk, "69908-2"}, {chart.CTAngiogram, chart.Chest, "36266-5"}, {chart.CTAngiogram, chart.Arch | chart.Chest, "36266-5"},
		{chart.CTPlain, trunk, "36952-0"}, {chart.CTPlain, chart.Chest, "29252-4"}, {chart.CTPlain, chart.Chest | trunk, "72253-8"},
		{chart.Duplex, chart.Abdomen, "46388-5"},
	} {
		if row.kind == kinds[0] && row.needs == needs {
			return row.code
		}
	}
	return ""
}

// bodySites are the regions that must be shown.
func bodySites(needs chart.Territory) (list []concept) {
	snomed := map[string]string{"abdomen": "818981001", "pelvis": "816092008", "chest": "816094009", "neck": "45048000"} // DICOM PS3.16, CID 4031
	for _, name := range regions(needs) {
		c := concept{Coding: []fhir.Coding{{System: CodesOfTerritory, Code: name}}, Text: name}
		if code := snomed[name]; code != "" {
			c.Coding = append(c.Coding, fhir.Coding{System: "http://snomed.info/sct", Code: code})
		}
		list = append(list, c)
	}
	return list
}

// source is a citation as an artifact: the grade as its label, and how we know it
// as its display.
func source(c *protocol.Cite) []artifact {
	if c.Text == "" {
		return nil
	}
	a := artifact{Type: "citation", Display: capital(notice.EvidenceMark(c.Evidence)), Citation: c.Text}
	if c.Grade != "" {
		a.Label = "grade " + c.Grade
	}
	return []artifact{a}
}

// sourceText is a citation in one line.
func sourceText(c *protocol.Cite) string {
	if c.Text == "" {
		return ""
	}
	text := "Source: " + strings.TrimSuffix(c.Text, ".")
	if c.Grade != "" {
		text += ". Grade " + c.Grade
	}
	return text + ". How it is known: " + cmp.Or(notice.EvidenceMark(c.Evidence), c.Evidence) + "."
}

func capital(text string) string {
	if text == "" || text[0] < 'a' || text[0] > 'z' {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// offsetText is a duration for people: "30 days", "12 months".
func offsetText(o day.Offset) string {
	var parts []string
	switch {
	case o.Months == 1:
		parts = append(parts, "1 month")
	case o.Months != 0:
		parts = append(parts, strconv.Itoa(o.Months)+" months")
	}
	if o.Days != 0 || o.Months == 0 {
		parts = append(parts, days(o.Days))
	}
	return strings.Join(parts, " and ")
}

// partial is a date in as much detail as it is known: a day, a month or a year;
// the first day of any other span.
func partial(s day.Span) string {
	if !s.Known() {
		return ""
	}
	y, m, d := s.First.Civil()
	first := s.First.String()
	switch {
	case s.Exact():
		return first
	case d == 1 && m == 1 && s.Last == day.Of(y, 12, 31):
		return first[:4]
	case d == 1 && s.Last == s.First.Add(day.Offset{Months: 1})-1:
		return first[:7]
	}
	return first
}
