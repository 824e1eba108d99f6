package codes_test

import (
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/yamldoc"
)

func TestSystemsAreKnownByAnyName(t *testing.T) {
	t.Parallel()
	b := load(t)
	tests := []struct {
		code    string
		systems []string
	}{
		{"34705", []string{cpt, "urn:oid:2.16.840.1.113883.6.12", "CPT", "https://www.ama-assn.org/go/cpt", cpt + "/", cpt + "|2024"}},
		{"04V03DZ", []string{pcs, "http://hl7.org/fhir/sid/icd-10-pcs", "urn:oid:2.16.840.1.113883.6.4"}},
		{"699667004", []string{sct, "urn:oid:2.16.840.1.113883.6.96", "http://snomed.info/sct/900000000000207008/version/20240301", "http://snomed.info/id/699667004", " http://snomed.info/sct "}},
		{"39.71", []string{icd9, "urn:oid:2.16.840.1.113883.6.104", "urn:oid:2.16.840.1.113883.6.103"}},
		{"L27.1", []string{opcs, "http://fhir.nhs.net/Id/opcs-4"}},
	}
	for _, tc := range tests {
		for _, s := range tc.systems {
			if o, _, ok := b.Operation(one(s, tc.code), ""); !ok || o.Class != codes.EVAR {
				t.Errorf("%s under %q: %v %+v", tc.code, s, ok, o)
			}
		}
		for _, s := range []string{"urn:oid:1.2.3", "http://example.org/codes", "urn:oid:2.16.840.1.113883.6.999"} {
			if o, r, ok := b.Operation(one(s, tc.code), "any text"); ok {
				t.Errorf("%s under the foreign system %q: %+v by %s", tc.code, s, o, r.How)
			}
		}
	}
	for _, s := range []string{loinc, "urn:oid:2.16.840.1.113883.6.1", "LN", "HTTP://LOINC.ORG"} {
		if _, _, ok := b.Imaging(one(s, "69908-2"), ""); !ok {
			t.Errorf("LOINC under %q is not known", s)
		}
	}
}

func TestCodesAreTidied(t *testing.T) {
	t.Parallel()
	b := load(t)
	for _, c := range []codes.Coding{{System: pcs, Code: "04v03dz"}, {System: cpt, Code: " 34705 "}, {System: sct, Code: "http://snomed.info/id/699667004"}, {System: opcs, Code: "l271"}} {
		if o, _, ok := b.Operation([]codes.Coding{c}, ""); !ok || o.Class != codes.EVAR {
			t.Errorf("%+v: %v %+v", c, ok, o)
		}
	}
}

// TestNoSystem: only what is unmistakable matches, and weakly.
func TestNoSystem(t *testing.T) {
	t.Parallel()
	b := load(t)
	if i, r, ok := b.Imaging(one("", "69908-2"), ""); !ok || i.Kind != codes.CTAngiogram || !r.Weak || !strings.Contains(r.How, "without a system") {
		t.Errorf("LOINC: %v %+v %+v", ok, i, r)
	}
	for _, c := range []string{"699667004", "04V03DZ"} {
		if _, r, ok := b.Operation(one("", c), ""); !ok || !r.Weak {
			t.Errorf("%s: %v %+v", c, ok, r)
		}
	}
	for _, c := range []string{"34705", "71275", "L27.1", "39.71", "RPID2", "122680"} {
		if _, r, ok := b.Operation(one("", c), ""); ok {
			t.Errorf("the bare %s matches by %s", c, r.How)
		}
		if _, r, ok := b.Imaging(one("", c), ""); ok {
			t.Errorf("the bare %s matches by %s", c, r.How)
		}
		if _, r, ok := b.Finding(one("", c), ""); ok {
			t.Errorf("the bare %s matches by %s", c, r.How)
		}
	}
}

const siteMap = `
systems: {cpt: off}
codes:
  - {system: "", code: CTABDA, kind: ct-angiogram, covers: [abdomen, pelvis], means: our CTA}
  - {system: "urn:oid:1.2.3.4", codes: [X1, X2], kind: duplex, covers: [abdomen]}
  - {system: loinc, code: 36952-0, kind: other, never: yes, means: our scanner never does it}
  - {system: cpt, code: "34705", role: implant, class: tevar}
  - {on: site, code: BAUCH, covers: [abdomen]}
patterns:
  - {on: imaging, match: "angio ct", kind: ct-angiogram, covers: [whole-aorta]}
  - {on: operation, match: "stentprothese", role: implant, class: unknown, ask: which?}
`

func TestSiteMap(t *testing.T) {
	t.Parallel()
	b := load(t, siteMap)
	i, r, ok := b.Imaging(one("", "CTABDA"), "")
	if !ok || i.Kind != codes.CTAngiogram || !r.Site || r.Weak || r.How != "site code CTABDA" {
		t.Errorf("CTABDA: %v %+v %+v", ok, i, r)
	}
	if _, _, ok := b.Imaging(one("urn:other", "CTABDA"), ""); ok {
		t.Error("CTABDA without a system matches under a foreign one")
	}
	if i, r, ok := b.Imaging(one("urn:oid:1.2.3.4", "X2"), ""); !ok || i.Kind != codes.Duplex || r.How != "site code urn:oid:1.2.3.4 X2" {
		t.Errorf("X2: %v %+v %+v", ok, i, r)
	}
	if i, _, _ := b.Imaging(one(loinc, "36952-0"), ""); !i.Never {
		t.Errorf("the site does not override: %+v", i)
	}
	if o, r, ok := b.Operation(one(cpt, "34705"), ""); !ok || o.Class != codes.TEVAR || !r.Site {
		t.Errorf("the site's row for a system that is off: %v %+v %+v", ok, o, r)
	}
	if _, _, ok := b.Operation(one(cpt, "34701"), ""); ok {
		t.Error("cpt is off and still used")
	}
	if i, r, ok := b.Imaging(nil, "Angio CT Aorta"); !ok || !r.Weak || r.How != "site pattern 1 on text" || !i.Covers.Has(codes.Chest|codes.Pelvis) {
		t.Errorf("pattern: %v %+v %+v", ok, i, r)
	}
	if o, r, ok := b.Operation([]codes.Coding{{Text: "Stentprothese thorakal"}}, ""); !ok || o.Class != codes.ClassUnknown || r.How != "site pattern 2 on text" {
		t.Errorf("pattern on a display: %v %+v %+v", ok, o, r)
	}
	if s, _, ok := b.BodySite("urn:local", "bauch"); !ok || s.Covers != codes.Abdomen {
		t.Errorf("site of the site: %v %+v", ok, s)
	}
	plain := load(t)
	if plain.Hash() == b.Hash() || len(b.Hash()) != 64 || plain.Hash() != load(t).Hash() {
		t.Error("the hash does not tell books apart, or differs for one")
	}
	if _, r, ok := plain.Imaging(nil, "CTA abd pel"); ok {
		t.Errorf("a shipped description pattern is on: %s", r.How)
	}
}

// TestBenchMap: the benchmark's map makes five graft codes one class of one
// place, and four CTA codes cover it.
func TestBenchMap(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("../../testdata/bench/site.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b := load(t, string(doc))
	for _, c := range []string{"34701", "34703", "34705", "33880", "33881"} {
		if o, _, _ := b.Operation(one(cpt, c), ""); o.Role != codes.RoleImplant || o.Class != codes.EVAR || o.Zone != codes.ZoneAbdominal {
			t.Errorf("%s: %+v", c, o)
		}
	}
	for _, c := range []string{"74174", "74175", "71275", "75635"} {
		if i, _, _ := b.Imaging(one(cpt, c), ""); i.Kind != codes.CTAngiogram || !i.Covers.Has(codes.Abdomen) {
			t.Errorf("%s: %+v", c, i)
		}
	}
	for _, c := range []string{"70450", "71250", "74177", "93978", "74185", "71046", "76770"} {
		if i, _, ok := b.Imaging(one(cpt, c), ""); !ok || i.Kind == codes.CTAngiogram {
			t.Errorf("%s: %v %+v", c, ok, i)
		}
	}
}

func TestEveryProblemAtOnce(t *testing.T) {
	t.Parallel()
	site := `systems: {cptt: off}
colour: red
codes:
  - {system: loinc, code: 24602-7, kind: ct-angiogram}
  - {system: snomed, code: 445080003, finding: endoleak}
  - {system: loinc, code: 69908-2, kind: ct-angiogramm}
  - {system: icd10pcs, code: 04V03OZ, role: implant, class: evra}
  - {system: cpt, code: "347055", role: implant, class: evar}
  - {system: opcs, code: L271, role: implant, class: evar}
  - {system: snmed, code: X, kind: mr}
  - {code: A1, kind: mr, covrs: [chest]}
  - {code: A2, means: nothing}
  - {code: A3, codes: [A4], kind: mr}
  - {code: A5, role: implant}
  - {code: A6, kind: duplex}
  - {code: A6, kind: mr}
  - {pattern: "A.*", kind: mr}
  - {pattern: "[A-Z][A-Z][A-Z]", kind: mr}
patterns:
  - {on: imaging, match: "(", kind: mr}
  - {on: imaging, match: "x*", kind: mr}
  - {on: imaging, kind: mr}
`
	b, ps := codes.Load(config.Files, codes.Document{Name: "site.yaml", Data: []byte(site)})
	if b != nil {
		t.Error("a book with problems")
	}
	got := yamldoc.Problems(ps).Error()
	for _, want := range []string{
		`site.yaml:1:17: systems.cptt: "cptt" is not a system`,
		`site.yaml:2:1: unknown key "colour"`,
		`site.yaml:4:27: codes[0]: "24602-7" is no LOINC code: its check digit must be 5`,
		`site.yaml:5:28: codes[1]: "445080003" is no SNOMED CT code: its check digit is wrong`,
		`site.yaml:6:42: codes[2].kind: unknown word "ct-angiogramm" (did you mean "ct-angiogram"?)`,
		`site.yaml:7:30: codes[3]: "04V03OZ" is no ICD-10-PCS code`,
		`site.yaml:7:61: codes[3].class: unknown word "evra" (did you mean "evar"?)`,
		`site.yaml:8:25: codes[4]: "347055" is no such code: a CPT code`,
		`site.yaml:9:26: codes[5]: "L271" is no such code: an OPCS-4 code`,
		`site.yaml:10:14: codes[6].system: unknown system "snmed"; did you mean "snomed"?`,
		`site.yaml:11:26: codes[7]: unknown key "covrs" (did you mean "covers"?)`,
		`site.yaml:12:6: codes[8]: it is not said what this is about`,
		`site.yaml:13:6: codes[9]: one of code, codes or pattern is expected, and only one`,
		`site.yaml:14:6: codes[10]: an implant has a class`,
		`site.yaml:16:12: codes[12]: the code A6 has another meaning at site.yaml:15:12; give it once`,
		`site.yaml:17:15: codes[13].pattern: a pattern of codes may hold only letters`,
		`site.yaml:18:15: codes[14].pattern: a pattern of codes may stand for 400 codes at most`,
		`site.yaml:20:26: patterns[0].match: this is no pattern: missing closing )`,
		`site.yaml:21:26: patterns[1].match: this pattern matches an empty text`,
		`site.yaml:22:6: patterns[2].match: is missing`,
	} {
		if !strings.Contains(got, want) {
			t.Errorf("missing: %s", want)
		}
	}
	if n := len(ps); n != 20 {
		t.Errorf("%d problems, want 20:\n%s", n, got)
	}
}

func TestShippedFilesThatAreNotThere(t *testing.T) {
	t.Parallel()
	if b, ps := codes.Load(fstest.MapFS{}); b != nil || len(ps) != 1 {
		t.Errorf("%v %v", b, ps)
	}
	bad := fstest.MapFS{"codes/a.yaml": {Data: []byte("codes:\n  - {on: lab, system: loinc, code: 2160-0, lab: creatinine, unit: mg/dL}\n")}}
	if _, ps := codes.Load(bad); len(ps) != 2 || !strings.Contains(ps[0].Text+ps[1].Text, "unknown system") {
		t.Errorf("a shipped row without source under no system: %v", ps)
	}
}

// TestShippedRows: every shipped code says where it comes from and who
// verified it, has the form of its system, and names no CPT descriptor.
func TestShippedRows(t *testing.T) {
	t.Parallel()
	form := map[string]string{"loinc": "loinc", "snomed": "snomed", "icd10pcs": "icd10pcs", "icd10cm": "icd10cm", "icd9cm": "icd9", "cpt": "cpt", "opcs": "opcs", "dcm": "dcm"}
	list := load(t).Entries()
	if len(list) < 450 {
		t.Errorf("only %d codes", len(list))
	}
	for _, e := range list {
		if e.Source == "" || e.VerifiedBy == "" || e.Means == "" || e.System == "" {
			t.Errorf("%s:%d: %s has no source, meaning or system", e.File, e.Line, e.Code)
		}
		if marked := strings.Contains(e.Source, "found") || strings.Contains(e.Source, "from memory") || e.Source == "ours"; !marked {
			t.Errorf("%s:%d: the source %q does not say found or from memory", e.File, e.Line, e.Source)
		}
		if f := form[e.System]; f != "" {
			if err := codes.Check(f, e.Code); err != nil {
				t.Error(err)
			}
		}
		if e.System == "cpt" && len(e.Means) > 60 {
			t.Errorf("%s:%d: a CPT row longer than a class word", e.File, e.Line)
		}
	}
}

func TestConceptsWithSeveralCodings(t *testing.T) {
	t.Parallel()
	b := load(t, "codes:\n  - {system: 'urn:s', code: L1, role: implant, class: filter}\n")
	tests := []struct {
		name  string
		cs    []codes.Coding
		want  string
		clash bool
	}{
		{"the same twice", []codes.Coding{{System: cpt, Code: "34705"}, {System: sct, Code: "699667004"}}, "implant evar", false},
		{"the order does not matter", []codes.Coding{{System: cpt, Code: "34845"}, {System: sct, Code: "699667004"}}, "implant fenestrated-branched", false},
		{"the order does not matter", []codes.Coding{{System: sct, Code: "699667004"}, {System: cpt, Code: "34845"}}, "implant fenestrated-branched", false},
		{"a known class before an unknown", []codes.Coding{{System: sct, Code: "23617000"}, {System: cpt, Code: "34706"}}, "implant evar", false},
		{"conversion and its graft", []codes.Coding{{System: cpt, Code: "34831"}, {System: sct, Code: "21574003"}}, "explant open-repair", false},
		{"conversion and a stent graft", []codes.Coding{{System: cpt, Code: "34831"}, {System: cpt, Code: "34705"}}, "implant evar", true},
		{"an unknown coding besides", []codes.Coding{{System: "urn:x", Code: "34705"}, {System: cpt, Code: "33881"}}, "implant tevar", false},
		{"two classes", []codes.Coding{{System: cpt, Code: "34705"}, {System: cpt, Code: "33881"}}, "implant evar", true},
		{"an adjunct besides", []codes.Coding{{System: cpt, Code: "34713"}, {System: cpt, Code: "34705"}}, "implant evar", false},
		{"the site decides", []codes.Coding{{System: cpt, Code: "34705"}, {System: "urn:s", Code: "L1"}}, "implant filter", false},
		{"a bare code never beats", []codes.Coding{{Code: "04V03DZ"}, {System: cpt, Code: "33881"}}, "implant tevar", false},
	}
	for _, tc := range tests {
		o, r, ok := b.Operation(tc.cs, "")
		if got := string(o.Role) + " " + string(o.Class); !ok || got != tc.want || (r.Clash != "") != tc.clash || tc.clash && o.Ask == "" {
			t.Errorf("%s: got %q, clash %q, ask %q", tc.name, got, r.Clash, o.Ask)
		}
	}
	images := []struct {
		name, a, b, want string
		clash            bool
	}{
		{"contrast told by one", cpt + " 74174", loinc + " 44115-4", "ct-angiogram abdomen+pelvis+renal+visceral", false},
		{"the smaller region", loinc + " 69908-2", cpt + " 74175", "ct-angiogram abdomen+renal+visceral", false},
		{"plain and angiogram", cpt + " 74174", loinc + " 36952-0", "ct-unknown-contrast abdomen+pelvis+renal+visceral", true},
		{"complete and limited", cpt + " 93978", cpt + " 93979", "duplex-limited abdomen+pelvis", false},
		{"two machines", cpt + " 74174", cpt + " 93978", "other abdomen+pelvis", true},
		{"two regions", cpt + " 71275", cpt + " 74175", "ct-angiogram ", true},
		{"region told by one", sct + " 1331946003", loinc + " 36143-6", "ct-contrast abdomen+renal+visceral", false},
	}
	for _, tc := range images {
		var cs []codes.Coding
		for _, s := range []string{tc.a, tc.b} {
			system, code, _ := strings.Cut(s, " ")
			cs = append(cs, codes.Coding{System: system, Code: code})
		}
		for range 2 {
			i, r, ok := b.Imaging(cs, "")
			if got := i.Kind.String() + " " + i.Covers.String(); !ok || got != tc.want || (r.Clash != "") != tc.clash {
				t.Errorf("%s: got %q, clash %q", tc.name, got, r.Clash)
			}
			cs[0], cs[1] = cs[1], cs[0]
		}
	}
	if i, _, _ := b.Imaging([]codes.Coding{{System: cpt, Code: "71275"}, {System: loinc, Code: "36147-7"}}, ""); !i.Never {
		t.Error("a pulmonary CTA with the CTA chest code may satisfy")
	}
}

func TestRemarks(t *testing.T) {
	t.Parallel()
	b := load(t)
	for text, want := range map[string]codes.What{"Small type II endoleak.": codes.Endoleak, "No evidence of endoleak.": "", "Graft migration of 12 mm": codes.Migration,
		"left limb occlusion": codes.BranchPatency, "Aorta unremarkable": "", "stent strut fracture noted": codes.Fracture, "rib fracture": ""} {
		if f, r, ok := b.Remark(text); f.What != want || ok != (want != "") || ok && !r.Weak {
			t.Errorf("%q: %v %+v", text, ok, f)
		}
	}
	if _, _, ok := b.Finding(nil, "Small type II endoleak."); ok {
		t.Error("a sentence is a finding")
	}
}
