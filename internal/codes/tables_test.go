package codes_test

import (
	"strings"
	"testing"

	"perennial/internal/codes"
)

// The tables below are typed from the reference on code sets (its sections 1.1
// to 1.8) and not from the shipped files: they say what each code must mean.

const (
	sct    = "http://snomed.info/sct"
	cpt    = "http://www.ama-assn.org/go/cpt"
	pcs    = "http://www.cms.gov/Medicare/Coding/ICD10"
	icd9   = "http://hl7.org/fhir/sid/icd-9-cm"
	icd10  = "http://hl7.org/fhir/sid/icd-10-cm"
	opcs   = "https://fhir.hl7.org.uk/CodeSystem/OPCS-4"
	loinc  = "http://loinc.org"
	dcm    = "http://dicom.nema.org/resources/ontology/DCM"
	radlex = "http://radlex.org"
)

func one(system, code string) []codes.Coding { return []codes.Coding{{System: system, Code: code}} }

func TestOperations(t *testing.T) {
	t.Parallel()
	b := load(t)
	tests := []struct{ system, codes, want string }{ // want: role class zone side
		{sct, "699667004 444588006 429167002 428809009 705015009 441612006 699102006 771453009 307701005 699114003", "implant evar abdominal-aorta "},
		{sct, "281271000000103 281301000000100 795681000000108 796341000000100 378471000000105 378481000000107 750841000000102 224441000000100 225351000000108 225041000000107", "implant evar abdominal-aorta "},
		{sct, "429706004 442125002 438361005 281281000000101", "implant fenestrated-branched abdominal-aorta "},
		{sct, "21574003 50075004 56834002 405525004 698995008 698996009", "implant open-repair abdominal-aorta "},
		{sct, "698992006 698994007 23617000 28856006", "implant unknown abdominal-aorta "},
		{sct, "139941000119104", "history evar abdominal-aorta "},
		{sct, "429205001", "history unknown abdominal-aorta "},
		{cpt, "34701 34702 34703 34704 34705 34706 34800 34802 34803 34804 34805 75952", "implant evar abdominal-aorta "},
		{cpt, "34707 34708 34900 75954", "implant evar iliac "},
		{cpt, "34710 34711 34825 34826 75953", "relining  abdominal-aorta "},
		{cpt, "34709 34712 34713 34714 34715 34716 33889 33891", "adjunct   "},
		{cpt, "34717 34718 0254T 0255T", "implant iliac-branch iliac "},
		{cpt, "34841 34842 34843 34844 34845 34846 34847 34848", "implant fenestrated-branched abdominal-aorta "},
		{cpt, "34839", "not-implant   "},
		{cpt, "34830 34831 34832", "explant open-repair abdominal-aorta "},
		{cpt, "33880 33881 33882 75956 75957", "implant tevar thoracic-aorta "},
		{cpt, "33883 33884 33886 75958 75959", "relining  thoracic-aorta "},
		{cpt, "37241 37242", "occlusion   "},
		{cpt, "34808", "occlusion  iliac "},
		{cpt, "35556", "implant vein-bypass leg "},
		{cpt, "71275 74174", "imaging   "},
		{pcs, "04V03D6 04V03DZ 04V04D6 04V04DZ 04U03JZ 04U04KZ 04U037Z", "implant evar abdominal-aorta "},
		{pcs, "04V03E6 04V03EZ 04V03F6 04V03FZ 04V04EZ", "implant fenestrated-branched abdominal-aorta "},
		{pcs, "04V03DJ 04V04DJ 04Q03ZZ", "not-implant   "},
		{pcs, "04H03DZ", "implant unknown abdominal-aorta "},
		{pcs, "04R04JZ 04R00JZ", "implant open-repair abdominal-aorta "},
		{pcs, "02VW3DZ 02UW3JZ 02UX3JZ 02VX3DZ", "implant tevar thoracic-aorta "},
		{pcs, "02VX3EZ 02VX3FZ", "implant arch-branch aortic-arch "},
		{pcs, "04VC3DZ 04VE3DZ 04VH4DZ", "implant evar iliac right"},
		{pcs, "04VD3DZ 04VF3DZ 04VJ4DZ", "implant evar iliac left"},
		{pcs, "04VC3EZ", "implant iliac-branch iliac right"},
		{pcs, "04PY3DZ", "adjunct   "},
		{icd9, "39.71 3971", "implant evar abdominal-aorta "},
		{icd9, "39.73", "implant tevar thoracic-aorta "},
		{icd9, "39.78", "implant fenestrated-branched abdominal-aorta "},
		{opcs, "L27.1 L271 L27.5 L27.6 L28.1", "implant evar abdominal-aorta "},
		{opcs, "L27.3 L27.4", "implant tevar thoracic-aorta "},
		{opcs, "L27.2", "implant fenestrated-branched abdominal-aorta "},
		{opcs, "L27.8 L27.9", "implant unknown  "},
		{opcs, "L18.3 L18.9 L19.5", "implant open-repair abdominal-aorta "},
		{opcs, "L22.1", "-"}, // wrongly called EVAR in a public data set
		{sct, "445080003 233689003", "-"},
		{pcs, "04V03ZZ 04V03Z6 04B00ZZ", "-"},
	}
	for _, tc := range tests {
		for _, code := range strings.Fields(tc.codes) {
			o, rule, ok := b.Operation(one(tc.system, code), "")
			got := "-"
			if ok {
				got = strings.Join([]string{string(o.Role), string(o.Class), string(o.Zone), string(o.Side)}, " ")
			}
			if got != tc.want {
				t.Errorf("%s %s: got %q, want %q", tc.system, code, got, tc.want)
			}
			if ok && (!strings.HasPrefix(rule.How, "code ") || rule.Weak || rule.Site) {
				t.Errorf("%s %s: rule %+v", tc.system, code, rule)
			}
			if ok && o.Class == codes.ClassUnknown && o.Ask == "" {
				t.Errorf("%s %s: an unknown class without a question", tc.system, code)
			}
		}
	}
}

func TestImaging(t *testing.T) {
	t.Parallel()
	b := load(t)
	tests := []struct{ system, codes, want string }{ // want: kind covers [never]
		{loinc, "36141-0", "ct-angiogram arch+chest+abdomen+renal+visceral"},
		{loinc, "36144-4", "ct-angiogram arch"},
		{loinc, "37499-1", "ct-angiogram "},
		{loinc, "36828-2 30805-6", "ct-angiogram abdomen+renal+visceral"},
		{loinc, "69908-2 82679-2", "ct-angiogram abdomen+pelvis+renal+visceral"},
		{loinc, "42294-9", "ct-angiogram pelvis"},
		{loinc, "36266-5 30804-9", "ct-angiogram arch+chest"},
		{loinc, "36147-7", "ct-angiogram chest never"},
		{loinc, "78031-2 72255-3 30806-4 43503-2", "ct-angiogram abdomen+pelvis+legs+renal+visceral"},
		{loinc, "36831-6 30807-2", "ct-angiogram legs"},
		{loinc, "36142-8 42275-8", "ct-contrast arch+chest+abdomen+renal+visceral"},
		{loinc, "36143-6 36267-3", "ct-contrast abdomen+renal+visceral"},
		{loinc, "24545-6 24628-0", "ct-contrast arch+chest"},
		{loinc, "36813-4 42274-1", "ct-contrast abdomen+pelvis+renal+visceral"},
		{loinc, "72254-6", "ct-contrast arch+chest+abdomen+pelvis+renal+visceral"},
		{loinc, "24866-6", "ct-contrast pelvis"},
		{loinc, "36430-7", "ct-plain "},
		{loinc, "36431-5 36424-0", "ct-plain abdomen+renal+visceral"},
		{loinc, "36952-0", "ct-plain abdomen+pelvis+renal+visceral"},
		{loinc, "72253-8", "ct-plain arch+chest+abdomen+pelvis+renal+visceral"},
		{loinc, "29252-4", "ct-plain arch+chest"},
		{loinc, "37216-9 35945-5", "ct-unknown-contrast "},
		{loinc, "35948-9", "ct-unknown-contrast abdomen+renal+visceral"},
		{loinc, "24544-9 24627-2", "ct-unknown-contrast arch+chest"},
		{loinc, "44115-4", "ct-unknown-contrast abdomen+pelvis+renal+visceral"},
		{loinc, "87869-4", "ct-unknown-contrast arch+chest+abdomen+pelvis+renal+visceral"},
		{loinc, "46388-5 24534-0", "duplex abdomen"},
		{loinc, "69276-4", "duplex-limited abdomen"},
		{loinc, "24547-2", "duplex-limited chest+abdomen"},
		{loinc, "24616-5", "duplex-limited carotid"},
		{loinc, "35946-3 44132-9 44131-1", "mr-angiogram "},
		{loinc, "36432-3 24533-2 36855-5", "mr-angiogram abdomen+renal+visceral"},
		{loinc, "24660-3 24659-5 30863-5", "mr-angiogram arch+chest"},
		{loinc, "30745-4 24648-8", "radiograph chest"},
		{loinc, "24602-7 24612-6 24649-8", "-"}, // in a public query; they do not exist
		{cpt, "71275", "ct-angiogram arch+chest"},
		{cpt, "74174", "ct-angiogram abdomen+pelvis+renal+visceral"},
		{cpt, "74175", "ct-angiogram abdomen+renal+visceral"},
		{cpt, "72191", "ct-angiogram pelvis"},
		{cpt, "75635", "ct-angiogram abdomen+pelvis+legs+renal+visceral"},
		{cpt, "73706", "ct-angiogram legs"},
		{cpt, "70498", "ct-angiogram neck+carotid"},
		{cpt, "74176", "ct-plain abdomen+pelvis+renal+visceral"},
		{cpt, "74150", "ct-plain abdomen+renal+visceral"},
		{cpt, "71250", "ct-plain arch+chest"},
		{cpt, "72192", "ct-plain pelvis"},
		{cpt, "74177 74178", "ct-contrast abdomen+pelvis+renal+visceral"},
		{cpt, "74160 74170", "ct-contrast abdomen+renal+visceral"},
		{cpt, "71260 71270", "ct-contrast arch+chest"},
		{cpt, "70450", "other head never"},
		{cpt, "75574", "other heart never"},
		{cpt, "93978", "duplex abdomen+pelvis"},
		{cpt, "93979", "duplex-limited abdomen+pelvis"},
		{cpt, "76706", "duplex-limited abdomen never"},
		{cpt, "74185", "mr-angiogram abdomen+renal+visceral"},
		{cpt, "71555", "mr-angiogram arch+chest"},
		{cpt, "72198", "mr-angiogram pelvis"},
		{cpt, "74018 74019 74021", "radiograph abdomen"},
		{cpt, "71045 71046 71047 71048", "radiograph chest"},
		{radlex, "RPID2 RPID457", "ct-angiogram abdomen+renal+visceral|mr-angiogram abdomen+renal+visceral"},
		{radlex, "RPID3", "ct-plain abdomen+renal+visceral"},
		{radlex, "RPID145", "ct-contrast abdomen+pelvis+renal+visceral"},
		{radlex, "RPID554 RPID557", "mr-angiogram "},
		{sct, "444968003", "ct-angiogram abdomen+renal+visceral"},
		{sct, "1187246003", "ct-plain abdomen+renal+visceral"},
		{sct, "241553009", "ct-unknown-contrast abdomen+renal+visceral"},
		{sct, "1331946003", "ct-contrast "},
		{sct, "399331006", "ct-plain "},
		{sct, "303680000", "ct-unknown-contrast "},
		{sct, "303827001", "angiogram "},
	}
	for _, tc := range tests {
		want := strings.Split(tc.want, "|")
		for i, code := range strings.Fields(tc.codes) {
			m, _, ok := b.Imaging(one(tc.system, code), "")
			got := "-"
			if ok {
				got = m.Kind.String() + " " + m.Covers.String()
				if m.Never {
					got += " never"
				}
			}
			if got != want[min(i, len(want)-1)] {
				t.Errorf("%s %s: got %q, want %q", tc.system, code, got, tc.want)
			}
		}
	}
}

func TestFindings(t *testing.T) {
	t.Parallel()
	b := load(t)
	tests := []struct {
		system, codes, text string
		want                codes.Finding
	}{
		{dcm, "122680", "", codes.Finding{What: codes.Endoleak}},
		{dcm, "122683", "", codes.Finding{What: codes.Fracture}},
		{dcm, "122684", "", codes.Finding{What: codes.Separation}},
		{sct, "370512004", "", codes.Finding{What: codes.Migration}},
		{sct, "308546005 710864009", "", codes.Finding{What: codes.Dissection}},
		{sct, "22039006 14336007", "", codes.Finding{What: codes.Rupture}},
		{sct, "233985008 871536000", "", codes.Finding{What: codes.Context}},
		{sct, "293637006", "", codes.Finding{What: codes.ContrastAllerg}},
		{icd10, "T82.330A T82330A", "", codes.Finding{What: codes.Endoleak, Leak: codes.LeakUnknown}},
		{icd10, "T82.320A", "", codes.Finding{What: codes.Migration}},
		{icd10, "T82.7XXA", "", codes.Finding{What: codes.Infection}},
		{loinc, "18013-3", "", codes.Finding{What: codes.SacDiameter, Measure: "descending", Where: codes.Chest}},
		{"urn:perennial:codes", "endoleak-IIIb", "", codes.Finding{What: codes.Endoleak, Leak: codes.LeakIIIb}},
		{"", "", "maximum aneurysm sac diameter", codes.Finding{What: codes.SacDiameter, Measure: "sac"}},
		{"", "", "Sac diameter", codes.Finding{What: codes.SacDiameter, Measure: "sac"}},
		{"", "", "diameter", codes.Finding{}},
		{"", "", "no endoleak seen", codes.Finding{}},
	}
	for _, tc := range tests {
		list := strings.Fields(tc.codes)
		if len(list) == 0 {
			list = []string{""}
		}
		for _, code := range list {
			if got, _, ok := b.Finding(one(tc.system, code), tc.text); got != tc.want || ok != (tc.want.What != "") {
				t.Errorf("%s %s %q: got %+v, want %+v", tc.system, code, tc.text, got, tc.want)
			}
		}
	}
	for _, code := range []string{"415582006", "26036001", "396339007"} {
		if f, _, _ := b.Finding(one(sct, code), ""); f.What != codes.BranchPatency || f.Ask == "" {
			t.Errorf("%s: got %+v", code, f)
		}
	}
}

func TestTheOtherTables(t *testing.T) {
	t.Parallel()
	b := load(t)
	for code, want := range map[string]string{"2160-0": "creatinine mg/dL", "14682-9": "creatinine umol/L", "98979-8": "egfr mL/min/{1.73_m2} ckd-epi-2021", "62238-1": "egfr mL/min/{1.73_m2} ckd-epi-2009", "33914-3": "egfr mL/min/{1.73_m2} mdrd", "48643-1": "egfr mL/min/{1.73_m2} mdrd"} {
		if l, _, _ := b.Lab(one(loinc, code)); strings.TrimSpace(l.What+" "+l.Unit+" "+l.Equation) != want {
			t.Errorf("lab %s: %+v", code, l)
		}
	}
	for _, s := range []string{"http://terminology.hl7.org/CodeSystem/v2-0074|RAD", loinc + "|LP29684-5"} {
		sys, code, _ := strings.Cut(s, "|")
		if c, _, ok := b.Category(one(sys, code)); !ok || !c.Imaging {
			t.Errorf("category %s is not imaging", s)
		}
	}
	if c, _, ok := b.Category(one("http://terminology.hl7.org/CodeSystem/v2-0074", "LAB")); !ok || c.Imaging {
		t.Error("LAB is imaging")
	}
	mode := "http://terminology.hl7.org/CodeSystem/v3-ParticipationMode"
	for code, want := range map[string]codes.Channel{"PHONE": codes.Phone, "MAILWRIT": codes.Letter, "EMAILWRIT": codes.Email, "ONLINEWRIT": codes.Message, "FACE": codes.Visit} {
		if c, _, _ := b.Channel(one(mode, code)); c != want {
			t.Errorf("channel %s: %s", code, c)
		}
	}
	if d, _, _ := b.Device(one(sct, "65818007"), ""); d.Role != codes.RoleImplant || d.Class != codes.ClassUnknown {
		t.Errorf("stent: %+v", d)
	}
	if d, _, _ := b.Device(one(sct, "102314001"), ""); d.Role != codes.RoleOcclusion {
		t.Errorf("coil: %+v", d)
	}
	if d, r, _ := b.Device(nil, "Aortic stent-graft, main body"); d.Role != codes.RoleImplant || !r.Weak {
		t.Errorf("by name: %+v", d)
	}
	if _, _, ok := b.Device(nil, "Stent-graft introducer sheath"); ok {
		t.Error("an introducer is an implant")
	}
	if s, _, ok := b.Service(one(loinc, "69908-2"), ""); !ok || !s.Imaging || s.Study.Kind != codes.CTAngiogram || !s.Study.Covers.Has(codes.Abdomen|codes.Pelvis) {
		t.Errorf("service by imaging code: %+v", s)
	}
	if s, r, ok := b.Service(nil, "CT angiogram follow-up"); !ok || s.Study.Kind != codes.CTAngiogram || !r.Weak {
		t.Errorf("service by text: %+v %+v", s, r)
	}
	if _, _, ok := b.Service(nil, "wound check"); ok {
		t.Error("a wound check is imaging")
	}
}

func TestBodySites(t *testing.T) {
	t.Parallel()
	b := load(t)
	tests := []struct{ system, code, covers, zone, side string }{
		{sct, "818981001", "abdomen", "", ""}, {sct, "818982008", "abdomen+pelvis", "", ""}, {sct, "816094009", "arch+chest", "", ""},
		{sct, "416775004", "arch+chest+abdomen+pelvis", "", ""}, {sct, "7832008", "abdomen", "abdominal-aorta", ""},
		{sct, "32153003", "legs", "leg", "left"}, {sct, "24028007", "", "", "right"},
		{"", "ABDOMENPELVIS", "abdomen+pelvis", "", ""}, {"", "chest", "arch+chest", "", ""}, {"urn:local:parts", "CHESTABDPELVIS", "arch+chest+abdomen+pelvis", "", ""},
		{"", " Pelvis ", "pelvis", "", ""}, {"", "ENDOVASCULAR", "", "", ""}, {"", "AORTA", "", "", ""},
	}
	for _, tc := range tests {
		s, rule, ok := b.BodySite(tc.system, tc.code)
		if !ok || s.Covers.String() != tc.covers || string(s.Zone) != tc.zone || string(s.Side) != tc.side {
			t.Errorf("%s %q: got %v %+v", tc.system, tc.code, ok, s)
		}
		if rule.Weak != (tc.system != sct) {
			t.Errorf("%s %q: weak %v", tc.system, tc.code, rule.Weak)
		}
	}
	if _, _, ok := b.BodySite("", "LIVER"); ok {
		t.Error("LIVER is known")
	}
}

func TestModalities(t *testing.T) {
	t.Parallel()
	b := load(t)
	for code, want := range map[string]codes.Modality{"CT": {Kind: codes.CTUnknownContrast, Image: true}, "us": {Kind: codes.DuplexLimited, Image: true},
		"XA": {Kind: codes.Angiogram, Image: true}, "CR": {Kind: codes.Radiograph, Image: true}, "SR": {}, "PR": {}, "KO": {}} {
		for _, system := range []string{dcm, "", "DCM", "urn:oid:1.2.840.10008.2.16.4", "http://dicom.nema.org/medical/dicom/current/output/chtml/part16/sect_CID_29.html", "urn:wrong"} {
			if m, ok := b.Modality(codes.Coding{System: system, Code: code}); !ok || m != want {
				t.Errorf("%s in %q: got %v %+v", code, system, ok, m)
			}
		}
	}
	if m, _ := b.Modality(codes.Coding{Code: "OT"}); m.Ask == "" || !m.Image {
		t.Errorf("OT: %+v", m)
	}
	if _, ok := b.Modality(codes.Coding{Code: "ZZ"}); ok {
		t.Error("ZZ is known")
	}
}
