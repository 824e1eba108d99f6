package codes_test

import (
	"testing"
	"testing/fstest"

	"perennial/internal/codes"
)

// FuzzLoad: whatever a site's map holds, there is a book or there are problems
// with the file's name, never both, never a panic; and the book answers.
func FuzzLoad(f *testing.F) {
	for _, s := range []string{siteMap, "", "codes: []", "codes:\n - {code: A, kind: mr}", "systems: {cpt: {uri: x}}", "systems: {x: {uri: 'urn:x', form: any, licence: ours}}",
		"patterns:\n - {on: imaging, match: '(a|b)+', kind: mr}", "codes:\n - {pattern: '[A-C](x|y)', on: lab, lab: egfr, unit: mg/dL}", "on: site\ncodes:\n - {codes: [A, B], covers: chest}"} {
		f.Add([]byte(s), "CTABDA", "angio ct")
	}
	small := fstest.MapFS{"codes/a.yaml": {Data: []byte(
		"source: found here\nverified_by: ours\nsystems:\n  loinc: {uri: \"http://loinc.org\", form: loinc, bare: yes, licence: x}\n  dcm: {uri: DCM, form: dcm, licence: x}\n  cpt: {uri: CPT, form: cpt, licence: x}\n  snomed: {uri: SCT, form: snomed, bare: yes, licence: x}\n" +
			"codes:\n  - {system: loinc, code: 69908-2, kind: ct-angiogram, covers: [abdomen], means: x}\n  - {on: modality, system: dcm, code: CT, kind: ct-unknown-contrast, means: x}\n")}}
	f.Fuzz(func(t *testing.T, doc []byte, code, text string) {
		b, ps := codes.Load(small, codes.Document{Name: "site.yaml", Data: doc})
		if (b == nil) == (len(ps) == 0) {
			t.Fatalf("book %v, problems %v", b != nil, ps)
		}
		for _, p := range ps {
			if p.File != "site.yaml" || p.Text == "" {
				t.Fatalf("problem %+v", p)
			}
		}
		if b == nil {
			return
		}
		cs := []codes.Coding{{Code: code, Text: text}, {System: code, Code: text}}
		if _, r, ok := b.Operation(cs, text); ok && r.How == "" {
			t.Fatal("an operation without a rule")
		}
		i, r, ok := b.Study(codes.Study{Procedure: []codes.Concept{{Codings: cs, Text: text}}, Text: text, Modalities: cs})
		if ok && (r.How == "" || i.Kind == codes.KindUnknown) {
			t.Fatalf("a study without a rule or kind: %+v %+v", i, r)
		}
		if _, r, ok := b.BodySite(code, text); ok && r.How == "" {
			t.Fatal("a body site without a rule")
		}
	})
}

// FuzzParseLeak: a type is read only from a short plain value.
func FuzzParseLeak(f *testing.F) {
	for _, s := range []string{"II", "type IIIa", "none", "no type I", "iii", "1a", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, value string) {
		l, ok := codes.ParseLeak(value)
		if ok != (l != "") || ok && len(value) > 64 {
			t.Fatalf("%q: %q %v", value, l, ok)
		}
	})
}
