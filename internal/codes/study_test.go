package codes_test

import (
	"strings"
	"testing"

	"perennial/internal/codes"
)

func concept(pairs ...string) codes.Concept {
	var c codes.Concept
	for _, p := range pairs {
		system, code, _ := strings.Cut(p, " ")
		c.Codings = append(c.Codings, codes.Coding{System: system, Code: code})
	}
	return c
}

func series(modality, site string) codes.Series {
	return codes.Series{Modality: codes.Coding{System: dcm, Code: modality}, Site: codes.Coding{Code: site}}
}

func TestStudy(t *testing.T) {
	t.Parallel()
	b := load(t, `
patterns:
  - {on: imaging, match: "cta", kind: ct-angiogram}
  - {on: imaging, match: "duplex aorta", kind: duplex, covers: [abdomen, pelvis]}
`)
	cta, ctaChest := concept(cpt+" 74174"), concept(cpt+" 71275")
	tests := []struct {
		name  string
		study codes.Study
		want  string // kind covers how
		known bool
		asks  bool
	}{
		{"procedure code", codes.Study{Procedure: []codes.Concept{cta}}, "ct-angiogram abdomen+pelvis+renal+visceral code cpt 74174", true, false},
		{"two parts of one study", codes.Study{Procedure: []codes.Concept{ctaChest, cta}}, "ct-angiogram arch+chest+abdomen+pelvis+renal+visceral code cpt 71275", true, false},
		{"a plain chest adds nothing to a CTA", codes.Study{Procedure: []codes.Concept{concept(cpt + " 71250"), cta}}, "ct-angiogram abdomen+pelvis+renal+visceral code cpt 74174", true, false},
		{"a coronary CT adds nothing", codes.Study{Procedure: []codes.Concept{concept(cpt + " 75574"), cta}}, "ct-angiogram abdomen+pelvis+renal+visceral code cpt 74174", true, false},
		{"order code", codes.Study{Procedure: []codes.Concept{concept("urn:x Y")}, Order: []codes.Concept{cta}}, "ct-angiogram abdomen+pelvis+renal+visceral order code cpt 74174", true, false},
		{"the procedure before the order", codes.Study{Procedure: []codes.Concept{concept(cpt + " 74176")}, Order: []codes.Concept{cta}}, "ct-plain abdomen+pelvis+renal+visceral code cpt 74176", true, false},
		{"body site does not widen a code", codes.Study{Procedure: []codes.Concept{concept(cpt + " 74175")}, Series: []codes.Series{series("CT", "ABDOMENPELVIS")}}, "ct-angiogram abdomen+renal+visceral code cpt 74175", true, false},
		{"body site fills a code", codes.Study{Procedure: []codes.Concept{concept(sct + " 418272005")}, Series: []codes.Series{series("CT", "ABDOMENPELVIS")}}, "ct-angiogram abdomen+pelvis+renal+visceral code snomed 418272005, body site ABDOMENPELVIS", true, false},
		{"no region at all", codes.Study{Procedure: []codes.Concept{concept(sct + " 418272005")}, Series: []codes.Series{series("CT", "")}}, "ct-angiogram  code snomed 418272005", true, true},
		{"series alone", codes.Study{Series: []codes.Series{series("CT", "CHEST"), series("CT", "ABDOMEN"), series("SR", "")}}, "ct-unknown-contrast arch+chest+abdomen+renal+visceral modality CT, body site CHEST+ABDOMEN", true, false},
		{"modality alone", codes.Study{Modalities: []codes.Coding{{Code: "CT"}}}, "ct-unknown-contrast  modality CT", false, false},
		{"chest film", codes.Study{Series: []codes.Series{series("DX", "")}}, "radiograph  modality DX", true, false},
		{"text tells the contrast", codes.Study{Series: []codes.Series{series("CT", "ABDOMENPELVIS")}, Text: "CTA EVAR follow up"}, "ct-angiogram abdomen+pelvis+renal+visceral site pattern 1 on text (modality CT, body site ABDOMENPELVIS)", true, false},
		{"text against the machine", codes.Study{Series: []codes.Series{series("US", "ABDOMEN")}, Text: "CTA?"}, "duplex-limited abdomen modality US, body site ABDOMEN", true, false},
		{"text of a series", codes.Study{Series: []codes.Series{{Modality: codes.Coding{Code: "US"}, Text: "Duplex aorta"}}}, "duplex abdomen+pelvis site pattern 2 on text (modality US)", true, false},
		{"text never beats a code", codes.Study{Procedure: []codes.Concept{concept(loinc + " 36952-0")}, Text: "CTA"}, "ct-plain abdomen+pelvis+renal+visceral code loinc 36952-0", true, false},
		{"images against the code", codes.Study{Procedure: []codes.Concept{cta}, Series: []codes.Series{series("US", "ABDOMEN")}}, "duplex-limited abdomen+pelvis code cpt 74174", true, true},
		{"theatre CT", codes.Study{Procedure: []codes.Concept{cta}, Modalities: []codes.Coding{{Code: "XA"}, {Code: "CT"}}}, "angiogram abdomen+pelvis code cpt 74174", true, true},
		{"scanned outside study", codes.Study{Procedure: []codes.Concept{cta}, Modalities: []codes.Coding{{Code: "OT"}, {Code: "SR"}}}, "ct-unknown-contrast abdomen+pelvis+renal+visceral code cpt 74174", true, true},
		{"modality agrees", codes.Study{Procedure: []codes.Concept{cta}, Modalities: []codes.Coding{{Code: "CT"}, {Code: "SR"}, {Code: "PR"}}}, "ct-angiogram abdomen+pelvis+renal+visceral code cpt 74174", true, false},
		{"nothing", codes.Study{Text: "whatever"}, "unknown  ", false, false},
	}
	for _, tc := range tests {
		i, r, ok := b.Study(tc.study)
		if got := i.Kind.String() + " " + i.Covers.String() + " " + r.How; got != tc.want || ok != tc.known || (i.Ask != "") != tc.asks || i.NonImage {
			t.Errorf("%s:\n got %q known %v ask %q\nwant %q", tc.name, got, ok, i.Ask, tc.want)
		}
	}
	if i, _, ok := b.Study(codes.Study{Procedure: []codes.Concept{cta}, Series: []codes.Series{series("SR", ""), series("KO", "")}}); ok || !i.NonImage {
		t.Errorf("reports only: %v %+v", ok, i)
	}
	if i, _, ok := b.Study(codes.Study{Procedure: []codes.Concept{concept(cpt + " 75574")}, Modalities: []codes.Coding{{Code: "CT"}}}); !ok || !i.Never {
		t.Errorf("coronary CT: %v %+v", ok, i)
	}
}

// TestLookupsDoNotAllocate: millions of codings pass here on the bulk path.
func TestLookupsDoNotAllocate(t *testing.T) {
	b := load(t)
	hit := []codes.Coding{{System: "urn:oid:1.2.3", Code: "VASC34705"}, {System: cpt, Code: "34705"}}
	miss := []codes.Coding{{System: sct, Code: "387713003"}, {System: "urn:oid:1.2.3", Code: "img71275"}}
	done := []codes.Concept{{Codings: []codes.Coding{{System: cpt, Code: "74174"}, {System: "urn:oid:1.2.3", Code: "IMG74174"}}}}
	ct := []codes.Coding{{System: dcm, Code: "CT"}}
	if n := testing.AllocsPerRun(100, func() {
		b.Operation(hit, "a long text that no pattern is tried on")
		b.Operation(miss, "another text")
		b.Imaging(done[0].Codings, "")
		b.Study(codes.Study{Procedure: done, Modalities: ct})
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkOperation(bm *testing.B) {
	b := load(bm)
	cs := []codes.Coding{{System: cpt, Code: "34705"}}
	bm.ReportAllocs()
	for bm.Loop() {
		b.Operation(cs, "")
	}
}

func BenchmarkOperationMiss(bm *testing.B) {
	b := load(bm)
	cs := []codes.Coding{{System: cpt, Code: "93458"}}
	bm.ReportAllocs()
	for bm.Loop() {
		b.Operation(cs, "Coronary angiography")
	}
}

func BenchmarkImaging(bm *testing.B) {
	b := load(bm)
	cs := []codes.Coding{{System: loinc, Code: "69908-2"}}
	bm.ReportAllocs()
	for bm.Loop() {
		b.Imaging(cs, "")
	}
}

func BenchmarkStudy(bm *testing.B) {
	b := load(bm)
	s := codes.Study{Procedure: []codes.Concept{{Codings: []codes.Coding{{System: cpt, Code: "74174"}, {System: "urn:oid:1.2.3", Code: "IMG74174"}}}},
		Modalities: []codes.Coding{{System: dcm, Code: "CT"}}}
	bm.ReportAllocs()
	for bm.Loop() {
		b.Study(s)
	}
}

func BenchmarkLoad(bm *testing.B) {
	for bm.Loop() {
		load(bm)
	}
}
