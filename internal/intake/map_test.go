package intake_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/yamldoc"
)

// loaded is the shipped code book with a site's own code, loaded once.
var loaded = sync.OnceValues(func() (*codes.Book, []yamldoc.Problem) {
	return codes.Load(config.Files, codes.Document{Name: "site.yaml", Data: []byte("codes:\n  - {code: CTABDA, kind: ct-angiogram, covers: [abdomen, pelvis]}\n")})
})

func book(t testing.TB) *codes.Book {
	t.Helper()
	b, problems := loaded()
	for _, p := range problems {
		t.Fatal(p)
	}
	return b
}

func zone(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// mapOne decodes and maps one resource.
func mapOne(t *testing.T, m *intake.Mapper, body string) (chart.Statement, intake.Use) {
	t.Helper()
	r, err := fhir.Decode([]byte(body))
	if err != nil {
		t.Fatalf("%v\n%s", err, body)
	}
	s, use, err := m.Map(r)
	if err != nil {
		t.Fatal(err)
	}
	if s == nil {
		return chart.Statement{}, use
	}
	return *s, use
}

// The parts that most resources share.
const (
	subject = `"subject":{"reference":"Patient/p"}`
	cpt     = `"http://www.ama-assn.org/go/cpt"`
	evar    = `"code":{"coding":[{"system":` + cpt + `,"code":"34705"}]}`
)

// tell says what a statement holds, in short, for tables of expectations.
func tell(s chart.Statement, use intake.Use) string {
	out := []string{[...]string{"used", "not relevant", "in error", "quarantined"}[use]}
	add := func(format string, args ...any) { out = append(out, strings.TrimSpace(fmt.Sprintf(format, args...))) }
	if o := s.Operation; o != nil {
		add("%s %s at %s %s on %s", o.Role, o.Class, o.Zone, o.Side, o.On)
		if o.Doubtful != "" {
			add("doubtful: %s", o.Doubtful)
		}
		if len(o.Devices) > 0 {
			add("devices %v", o.Devices)
		}
	}
	if x := s.Study; x != nil {
		add("%s", tellStudy(x))
	}
	if r := s.Report; r != nil {
		add("report %d amended %v on %s issued %s of %v", r.State, r.Amended, r.On, r.Issued, r.Studies)
	}
	for _, f := range s.Findings {
		add("%s %s %d %q on %s by %s", f.What, f.Type, f.Tenths, f.Method, f.On, f.Study)
	}
	if b := s.Booking; b != nil {
		add("booking %d imaging %v %s on %s", b.State, b.Imaging, b.Kind, b.On)
	}
	if a := s.Attempt; a != nil {
		add("attempt by %s on %s answered %s", a.Channel, a.On, a.Answered)
	}
	if c := s.Contact; c != nil {
		add("%s on %s", c.What, c.On)
	}
	out = append(out, tellRare(s)...)
	return strings.Join(out, "; ")
}

func tellStudy(x *chart.Study) string {
	words := []string{[...]string{"study", "ordered study", "retracted study"}[x.State], x.Kind.String(), x.Covers.String(), "on", x.On.String()}
	for word, is := range map[string]bool{"reported": x.ReportOnly} {
		if is {
			words = append(words, word)
		}
	}
	for _, mark := range []struct {
		word string
		is   bool
	}{{"non-image", x.NonImage}, {"never", x.NeverCounts}, {"unrecognised", x.Unrecognised}, {"coded", x.CodedSeparate}} {
		if mark.is {
			words = append(words, mark.word)
		}
	}
	if x.UID+x.Accession != "" {
		words = append(words, "as "+x.UID+" "+x.Accession)
	}
	if len(x.Orders) > 0 {
		words = append(words, fmt.Sprint("for ", x.Orders))
	}
	return strings.Join(words, " ")
}

func tellRare(s chart.Statement) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, strings.TrimSpace(fmt.Sprintf(format, args...))) }
	if d := s.Device; d != nil {
		add("device %s implant %v udi %s lot %s serial %s", d.Class, d.IsImplant, d.UDI, d.Lot, d.Serial)
	}
	for _, d := range s.Parts {
		add("part %s udi %s", d.Ref, d.UDI)
	}
	if h := s.History; h != nil {
		add("history %s at %s", h.Class, h.Zone)
	}
	if c := s.Condition; c != nil {
		add("condition %s on %s", c.What, c.On)
	}
	if l := s.Lab; l != nil {
		add("%s %d on %s %s", l.What, l.Value, l.On, l.Equation)
	}
	for _, d := range s.Doses {
		add("dose %d total %v of %s on %s", d.Tenths, d.Total, d.Study, d.On)
	}
	if m := s.Medicine; m != nil {
		add("%s %s to %s over %v", m.What, m.On, m.To, m.Over)
	}
	if e := s.Enrolment; e != nil {
		add("enrolled in %s %s %s to %s", e.Study, e.Status, e.From, e.To)
	}
	if a := s.Allergy; a != nil {
		add("allergy severe %v %s over %v", a.Severe, a.Agent, a.Over)
	}
	if w := s.WorkState; w != nil {
		add("work %s is %s by person %v", w.Key, w.Status, w.Person)
		if w.Owner+w.Business+w.Why != "" || w.Notes != nil {
			add("%q %q %q %q", w.Owner, w.Business, w.Why, w.Notes)
		}
	}
	if o := s.Order; o != nil {
		add("order %s %s unrecognised %v off %v", o.Kind, o.Covers, o.Unrecognised, o.Off)
	}
	for _, d := range s.Doubts {
		add("doubt %s", d.Kind)
	}
	return out
}

type mapCase struct{ name, body, want string }

func checkMapping(t *testing.T, list []mapCase) {
	t.Helper()
	for _, c := range list {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if !json.Valid([]byte(c.body)) {
				t.Fatalf("the input is no JSON: %s", c.body)
			}
			m := intake.Mapper{Book: book(t), Zone: zone(t)}
			if got := tell(mapOne(t, &m, c.body)); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func procedure(status, more string) string {
	return `{"resourceType":"Procedure","id":"x","status":"` + status + `",` + evar + `,` + subject + more + `}`
}

func TestProcedures(t *testing.T) {
	t.Parallel()
	checkMapping(t, []mapCase{
		{"completed", procedure("completed", `,"performedDateTime":"2024-03-05T02:00:00Z"`), "used; implant evar at abdominal-aorta  on 2024-03-04"},
		{"period: its start", procedure("completed", `,"performedPeriod":{"start":"2024-03-05","end":"2024-03-06"}`), "used; implant evar at abdominal-aorta  on 2024-03-05"},
		{"period without a start: its end", procedure("completed", `,"performedPeriod":{"end":"2024-03-06"}`), "used; implant evar at abdominal-aorta  on 2024-03-06"},
		{"a month only", procedure("completed", `,"performedDateTime":"2024-03"`), "used; implant evar at abdominal-aorta  on 2024-03-01..2024-03-31"},
		{"text is no date", procedure("completed", `,"performedString":"spring 2019"`), "used; implant evar at abdominal-aorta  on"},
		{"not done says nothing", procedure("not-done", `,"performedDateTime":"2024-03-05"`), "used"},
		{"unknown status says nothing", procedure("unknown", ``), "used"},
		{"entered in error takes back", procedure("entered-in-error", `,"performedDateTime":"2024-03-05"`), "in error"},
		{"coded as unsuccessful", procedure("completed", `,"performedDateTime":"2024-03-05","outcome":{"coding":[{"system":"http://snomed.info/sct","code":"385671000"}]}`),
			"used; implant evar at abdominal-aorta  on 2024-03-05; doubtful: its outcome is coded as unsuccessful"},
		{"words of failure", procedure("completed", `,"performedDateTime":"2024-03-05","outcome":{"text":"Aborted, no graft deployed"}`),
			"used; implant evar at abdominal-aorta  on 2024-03-05; doubtful: its outcome: Aborted, no graft deployed"},
		{"words of success", procedure("completed", `,"performedDateTime":"2024-03-05","outcome":{"text":"Technical success, no type I endoleak"}`),
			"used; implant evar at abdominal-aorta  on 2024-03-05"},
		{"side from the body site", `{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":` + cpt + `,"code":"37215"}]},` + subject +
			`,"performedDateTime":"2024-03-05","bodySite":[{"text":"Left carotid artery"}]}`, "used; implant carotid-stent at carotid left on 2024-03-05"},
		{"the side of the access is no side of the aorta", procedure("completed", `,"performedDateTime":"2024-03-05","bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"32153003"}]}]`),
			"used; implant evar at abdominal-aorta  on 2024-03-05"},
		{"side not told", `{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":` + cpt + `,"code":"37215"}]},` + subject +
			`,"performedDateTime":"2024-03-05"}`, "used; implant carotid-stent at carotid  on 2024-03-05"},
		{"history only", `{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":"http://snomed.info/sct","code":"139941000119104"}]},` + subject + `}`,
			"used; history evar at abdominal-aorta"},
		{"imaging recorded as a procedure", `{"resourceType":"Procedure","id":"x","status":"completed","code":{"coding":[{"system":` + cpt + `,"code":"74174"}]},` + subject + `,"performedDateTime":"2024-03-05","basedOn":[{"reference":"ServiceRequest/o"}]}`,
			"used; study ct-angiogram abdomen+pelvis+renal+visceral on 2024-03-05 reported coded for [ServiceRequest/o]"},
		{"any other operation: the patient was seen", `{"resourceType":"Procedure","id":"x","status":"completed","code":{"text":"something"},` + subject + `,"performedDateTime":"2024-03-05"}`,
			"used; other  at   on 2024-03-05"},
		{"devices", procedure("completed", `,"performedDateTime":"2024-03-05","contained":[{"resourceType":"Device","id":"d","udiCarrier":[{"deviceIdentifier":"00844588003288"}]}],`+
			`"focalDevice":[{"manipulated":{"reference":"#d"}}],"usedReference":[{"reference":"Device/e/_history/2"}]`),
			"used; implant evar at abdominal-aorta  on 2024-03-05; devices [Procedure/x#d Device/e]; part Procedure/x#d udi 00844588003288"},
		{"about a group", `{"resourceType":"Procedure","id":"x","status":"completed",` + evar + `,"subject":{"reference":"Group/g"}}`, "not relevant"},
	})
}

func study(more string) string {
	return `{"resourceType":"ImagingStudy","id":"s","status":"available",` + subject + `,"started":"2024-03-05T23:30:00-06:00"` + more + `}`
}

func modality(codes ...string) string {
	var out []string
	for _, c := range codes {
		out = append(out, `{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"`+c+`"}`)
	}
	return `,"modality":[` + strings.Join(out, ",") + `]`
}

func procedureCode(system, code string) string {
	return `,"procedureCode":[{"coding":[{"system":"` + system + `","code":"` + code + `"}]}]`
}

func TestStudies(t *testing.T) {
	t.Parallel()
	checkMapping(t, []mapCase{
		{"by its procedure code", study(modality("CT") + procedureCode("http://loinc.org", "69908-2")), "used; study ct-angiogram abdomen+pelvis+renal+visceral on 2024-03-05 coded"},
		{"local code without a system", study(modality("CT") + `,"procedureCode":[{"coding":[{"code":"CTABDA"}]}]`), "used; study ct-angiogram abdomen+pelvis+renal+visceral on 2024-03-05 coded"},
		{"CT by modality alone", study(modality("CT")), "used; study ct-unknown-contrast  on 2024-03-05"},
		{"MR by modality alone", study(modality("MR")), "used; study mr  on 2024-03-05"},
		{"of ultrasound nothing is sure", study(modality("US")), "used; study duplex-limited  on 2024-03-05 unrecognised"},
		{"union of series modalities and body sites", study(`,"series":[{"uid":"1.2.3","modality":{"code":"SR"}},{"uid":"1.2.4","modality":{"code":"CT"},"bodySite":{"code":"ABDOMENPELVIS"}}]`),
			"used; study ct-unknown-contrast abdomen+pelvis+renal+visceral on 2024-03-05"},
		{"reports only is no imaging", study(`,"series":[{"uid":"1.2.3","modality":{"code":"SR"}},{"uid":"1.2.4","modality":{"code":"KO"}}]` + procedureCode("http://loinc.org", "69908-2")),
			"used; study other  on 2024-03-05 non-image coded"},
		{"nothing known", study(``), "used; study unknown  on 2024-03-05 unrecognised"},
		{"the images contradict the code", study(modality("US") + procedureCode("http://loinc.org", "69908-2")),
			"used; study duplex-limited abdomen+pelvis on 2024-03-05 coded; doubt study-kind"},
		{"lungs never count", study(modality("CT") + procedureCode("http://loinc.org", "36147-7")), "used; study ct-angiogram chest on 2024-03-05 never coded"},
		{"registered: no images yet", strings.Replace(study(modality("CT")), "available", "registered", 1), "used; ordered study ct-unknown-contrast  on 2024-03-05"},
		{"unknown status does not count", strings.Replace(study(modality("CT")), "available", "unknown", 1), "used; ordered study ct-unknown-contrast  on 2024-03-05"},
		{"cancelled", strings.Replace(study(modality("CT")), "available", "cancelled", 1), "used; retracted study unknown  on 2024-03-05"},
		{"entered in error", strings.Replace(study(modality("CT")), "available", "entered-in-error", 1), "in error; retracted study unknown  on 2024-03-05"},
		{"dated by its series", `{"resourceType":"ImagingStudy","id":"s","status":"available",` + subject + modality("CT") + `,"series":[{"uid":"1.2.3","modality":{"code":"CT"},"started":"2024-03-07"},{"uid":"1.2.4","modality":{"code":"CT"},"started":"2024-03-06"}]}`,
			"used; study ct-unknown-contrast  on 2024-03-06"},
		{"partial date", `{"resourceType":"ImagingStudy","id":"s","status":"available",` + subject + modality("CT") + `,"started":"2024-03"}`, "used; study ct-unknown-contrast  on 2024-03-01..2024-03-31"},
		{"UID, accession and order", study(modality("CT") + `,"identifier":[{"system":"urn:dicom:uid","value":"urn:oid:2.999.1.2"},{"type":{"coding":[{"code":"ACSN"}]},"system":"urn:ris","value":"A1"}],"basedOn":[{"reference":"ServiceRequest/o"}]`),
			"used; study ct-unknown-contrast  on 2024-03-05 as 2.999.1.2 urn:ris|A1 for [ServiceRequest/o]"},
	})
}

func TestReports(t *testing.T) {
	t.Parallel()
	rad := `"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0074","code":"RAD"}]}]`
	cta := `"code":{"coding":[{"system":"http://loinc.org","code":"69908-2"}]}`
	report := func(status, more string) string {
		return `{"resourceType":"DiagnosticReport","id":"r","status":"` + status + `",` + rad + `,` + cta + `,` + subject + `,"effectiveDateTime":"2024-03-05"` + more + `}`
	}
	const known = "; study ct-angiogram abdomen+pelvis+renal+visceral on 2024-03-05 reported coded"
	checkMapping(t, []mapCase{
		{"final", report("final", `,"issued":"2024-03-06T12:00:00Z","imagingStudy":[{"reference":"ImagingStudy/s"}]`), "used" + known + "; report 1 amended false on 2024-03-05 issued 2024-03-06 of [ImagingStudy/s]"},
		{"amended is final again", report("amended", ``), "used" + known + "; report 1 amended true on 2024-03-05 issued 2024-03-05 of []"},
		{"preliminary", report("preliminary", ``), "used" + known + "; report 0 amended false on 2024-03-05 issued 2024-03-05 of []"},
		{"unknown status closes nothing", report("unknown", ``), "used" + known + "; report 0 amended false on 2024-03-05 issued 2024-03-05 of []"},
		{"cancelled", report("cancelled", ``), "used; retracted" + strings.TrimPrefix(known, ";") + "; report 2 amended false on 2024-03-05 issued 2024-03-05 of []"},
		{"entered in error", report("entered-in-error", ``), "in error; retracted" + strings.TrimPrefix(known, ";")},
		{"coded conclusion", report("final", `,"conclusion":"Type Ia endoleak.","conclusionCode":[{"coding":[{"system":"urn:perennial:codes","code":"endoleak-Ia"}]}]`),
			"used" + known + "; report 1 amended false on 2024-03-05 issued 2024-03-05 of []; endoleak Ia 0 \"\" on 2024-03-05 by"},
		{"text that looks like a finding", report("final", `,"conclusion":"There is a type II endoleak."`),
			"used" + known + "; report 1 amended false on 2024-03-05 issued 2024-03-05 of []; doubt finding-text"},
		{"text that says there is none", report("final", `,"conclusion":"No endoleak."`), "used" + known + "; report 1 amended false on 2024-03-05 issued 2024-03-05 of []"},
		{"laboratory", `{"resourceType":"DiagnosticReport","id":"r","status":"final","code":{"text":"Full blood count"},` + subject + `}`, "not relevant"},
		{"document of imaging", `{"resourceType":"DocumentReference","id":"d","status":"current","type":{"coding":[{"system":"http://loinc.org","code":"69908-2"}]},` + subject + `,"context":{"period":{"start":"2024-03-05"}}}`,
			"used" + known},
		{"document that is replaced", `{"resourceType":"DocumentReference","id":"d","status":"superseded","type":{"coding":[{"system":"http://loinc.org","code":"69908-2"}]},` + subject + `}`, "used"},
		{"another document", `{"resourceType":"DocumentReference","id":"d","status":"current","type":{"text":"Letter"},` + subject + `}`, "not relevant"},
	})
}

func observation(code, more string) string {
	return `{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[` + code + `]},` + subject + `,"effectiveDateTime":"2024-03-05"` + more + `}`
}

func quantity(value, unit string) string {
	return `,"valueQuantity":{"value":` + value + `,"unit":"` + unit + `","system":"http://unitsofmeasure.org","code":"` + unit + `"}`
}

func TestObservations(t *testing.T) {
	t.Parallel()
	const (
		leak       = `{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"122680"}`
		sac        = `{"system":"urn:perennial:codes","code":"sac-diameter"}`
		creatinine = `{"system":"http://loinc.org","code":"2160-0"}`
		egfr       = `{"system":"http://loinc.org","code":"98979-8"}`
		on         = ` on 2024-03-05 by`
	)
	checkMapping(t, []mapCase{
		{"endoleak with its type", observation(leak, `,"valueCodeableConcept":{"text":"Type IIIa"},"derivedFrom":[{"reference":"ImagingStudy/s"}]`), `used; endoleak IIIa 0 ""` + on + ` ImagingStudy/s`},
		{"none is a finding too", observation(leak, `,"valueCodeableConcept":{"text":"none"}`), `used; endoleak none 0 ""` + on},
		{"false is none", observation(leak, `,"valueBoolean":false`), `used; endoleak none 0 ""` + on},
		{"true is one of unknown type", observation(leak, `,"valueBoolean":true`), `used; endoleak unknown 0 ""` + on},
		{"a sentence decides nothing", observation(leak, `,"valueString":"perhaps a small leak, see picture"`), `used; doubt finding-text`},
		{"no value: it is there", observation(leak, ``), `used; endoleak unknown 0 ""` + on},
		{"millimetres", observation(sac, quantity("62.0", "mm")), `used; sac-diameter  620 "sac"` + on},
		{"centimetres, exactly", observation(sac, quantity("5.64", "cm")), `used; sac-diameter  564 "sac"` + on},
		{"powers of ten", observation(sac, quantity("0.62e2", "mm")), `used; sac-diameter  620 "sac"` + on},
		{"another unit is refused", observation(sac, quantity("2.4", "[in_i]")), `used; doubt other`},
		{"no unit is refused", observation(sac, `,"valueQuantity":{"value":62}`), `used; doubt other`},
		{"a limit is refused", observation(sac, `,"valueQuantity":{"value":62,"unit":"mm","comparator":">"}`), `used; doubt other`},
		{"what no aorta has is refused", observation(sac, quantity("620", "mm")), `used; doubt other`},
		{"zero is refused", observation(sac, quantity("-0", "mm")), `used; doubt other`},
		{"another method", observation(sac, quantity("62", "mm")+`,"method":{"text":"centre line/3D"}`), `used; sac-diameter  620 "sac centre line 3D"` + on},
		{"components", observation(`{"system":"urn:x","code":"vascular"}`, `,"component":[{"code":{"coding":[`+leak+`]},"valueCodeableConcept":{"text":"II"}},{"code":{"coding":[`+sac+`]}`+quantity("50", "mm")+`}]`),
			`used; endoleak II 0 ""` + on + `; sac-diameter  500 "sac"` + on},
		{"cancelled", strings.Replace(observation(leak, ``), "final", "cancelled", 1), `used`},
		{"entered in error", strings.Replace(observation(leak, ``), "final", "entered-in-error", 1), `in error`},
		{"creatinine in mg/dL", observation(creatinine, quantity("1.25", "mg/dL")), `used; creatinine 12500 on 2024-03-05`},
		{"creatinine in umol/L", observation(creatinine, quantity("110.5", "umol/L")), `used; creatinine 12500 on 2024-03-05`},
		{"creatinine in a foreign unit", observation(creatinine, quantity("110.5", "nmol/L")), `used; doubt other`},
		{"eGFR", observation(egfr, `,"valueQuantity":{"value":58,"unit":"mL/min/{1.73_m2}"}`), `used; egfr 580000 on 2024-03-05 ckd-epi-2021`},
		{"eGFR above a limit is at least that", observation(egfr, `,"valueQuantity":{"value":60,"comparator":">","unit":"mL/min/1.73m2"}`), `used; egfr 600000 on 2024-03-05 ckd-epi-2021`},
		{"eGFR below a limit is not that", observation(egfr, `,"valueQuantity":{"value":15,"comparator":"<","unit":"mL/min/1.73m2"}`), `used`},
		{"another observation", observation(`{"system":"http://loinc.org","code":"8480-6"}`, quantity("120", "mm[Hg]")), `not relevant`},
	})
}

func TestPaper(t *testing.T) {
	t.Parallel()
	appointment := func(status, more string) string {
		return `{"resourceType":"Appointment","id":"a","status":"` + status + `","start":"2024-03-05T15:00:00Z","participant":[{"actor":{"reference":"Practitioner/d"},"status":"accepted"},{"actor":{"reference":"Patient/p"},"status":"accepted"}]` + more + `}`
	}
	communication := func(more string) string {
		return `{"resourceType":"Communication","id":"c","status":"completed",` + subject + more + `}`
	}
	checkMapping(t, []mapCase{
		{"booked", appointment("booked", `,"serviceType":[{"coding":[{"system":`+cpt+`,"code":"74174"}]}]`), "used; booking 0 imaging true ct-angiogram on 2024-03-05"},
		{"by its description", appointment("pending", `,"description":"CTA aorta follow-up"`), "used; booking 0 imaging true ct-angiogram on 2024-03-05"},
		{"a clinic visit", appointment("booked", `,"description":"Clinic"`), "used; booking 0 imaging false unknown on 2024-03-05"},
		{"no-show", appointment("noshow", ``), "used; booking 2 imaging false unknown on 2024-03-05"},
		{"fulfilled", appointment("fulfilled", ``), "used; booking 1 imaging false unknown on 2024-03-05"},
		{"arrived: in its place, and seen", appointment("arrived", ``), "used; booking 0 imaging false unknown on 2024-03-05; appointment on 2024-03-05"},
		{"cancelled", appointment("cancelled", ``), "used; booking 3 imaging false unknown on 2024-03-05"},
		{"a call without an answer", communication(`,"medium":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ParticipationMode","code":"PHONE"}]}],"sent":"2024-03-05T15:00:00Z"`), "used; attempt by phone on 2024-03-05 answered"},
		{"answered", communication(`,"medium":[{"text":"Letter"}],"sent":"2024-03-05","received":"2024-03-20"`), "used; attempt by letter on 2024-03-05 answered 2024-03-20"},
		{"from the patient", communication(`,"sender":{"reference":"Patient/p"},"sent":"2024-03-05"`), "used; answer on 2024-03-05"},
		{"between others", communication(`,"recipient":[{"reference":"Practitioner/d"}],"sent":"2024-03-05"`), "not relevant"},
		{"not sent", strings.Replace(communication(`,"sent":"2024-03-05"`), "completed", "not-done", 1), "used"},
		{"seen", `{"resourceType":"Encounter","id":"e","status":"finished",` + subject + `,"period":{"start":"2024-03-05T08:00:00-06:00"}}`, "used; encounter on 2024-03-05"},
		{"planned is not seen", `{"resourceType":"Encounter","id":"e","status":"planned",` + subject + `,"period":{"start":"2024-03-05"}}`, "used"},
		{"order", `{"resourceType":"ServiceRequest","id":"o","status":"active","code":{"coding":[{"system":` + cpt + `,"code":"74174"}]},` + subject + `}`, "used; order ct-angiogram abdomen+pelvis+renal+visceral unrecognised false off false"},
		{"order not to do it", `{"resourceType":"ServiceRequest","id":"o","status":"active","doNotPerform":true,"code":{"coding":[{"system":` + cpt + `,"code":"74174"}]},` + subject + `}`,
			"used; order ct-angiogram abdomen+pelvis+renal+visceral unrecognised false off true"},
		{"another order", `{"resourceType":"ServiceRequest","id":"o","status":"active","code":{"text":"Physiotherapy"},` + subject + `}`, "not relevant"},
		{"enrolled", `{"resourceType":"ResearchSubject","id":"e","status":"on-study","study":{"reference":"ResearchStudy/t"},"individual":{"reference":"Patient/p"},"period":{"start":"2024-03-05"}}`,
			"used; enrolled in ResearchStudy/t on-study 2024-03-05 to"},
		{"dissection", `{"resourceType":"Condition","id":"c","code":{"coding":[{"system":"http://snomed.info/sct","code":"308546005"}]},` + subject + `,"onsetDateTime":"2024"}`, "used; condition dissection on 2024-01-01..2024-12-31"},
		{"refuted", `{"resourceType":"Condition","id":"c","verificationStatus":{"coding":[{"code":"refuted"}]},"code":{"coding":[{"system":"http://snomed.info/sct","code":"308546005"}]},` + subject + `}`, "used"},
		{"history as a diagnosis", `{"resourceType":"Condition","id":"c","code":{"coding":[{"system":"http://snomed.info/sct","code":"139941000119104"}]},` + subject + `}`, "used; history evar at abdominal-aorta"},
		{"contrast allergy", `{"resourceType":"AllergyIntolerance","id":"a","code":{"coding":[{"system":"http://snomed.info/sct","code":"293637006"}]},"criticality":"high","patient":{"reference":"Patient/p"}}`, "used; allergy severe true  over false"},
		{"device", `{"resourceType":"Device","id":"d","type":{"text":"Aortic stent-graft, invented"},"lotNumber":"L1","patient":{"reference":"Patient/p"}}`, "used; device  implant true udi  lot L1 serial"},
		{"device of nobody", `{"resourceType":"Device","id":"d"}`, "not relevant"},
		{"our task, on hold", `{"resourceType":"Task","id":"t","status":"on-hold","intent":"order","identifier":[{"system":"urn:perennial:work","value":"k"}],"for":{"reference":"Patient/p"}}`, "used; work k is on-hold by person true"},
		{"our task, closed by us", `{"resourceType":"Task","id":"t","status":"completed","intent":"order","statusReason":{"coding":[{"system":"urn:perennial:reason","code":"done"}]},"identifier":[{"system":"urn:perennial:work","value":"k"}],"for":{"reference":"Patient/p"}}`,
			"used; work k is completed by person false"},
		{"our task, what people wrote", `{"resourceType":"Task","id":"t","status":"rejected","intent":"order","identifier":[{"system":"urn:perennial:work","value":"k"}],"for":{"reference":"Patient/p"},"owner":{"reference":"Practitioner/1","display":"Booking desk"},"businessStatus":{"coding":[{"system":"urn:x","code":"w","display":"waiting"}]},"statusReason":{"text":"moved"},"note":[{"authorString":"perennial","text":"ours"},{"authorString":"T. Quill","text":"called"},{"authorReference":{"display":"Desk"},"text":"asked"},{"text":"left"},{"authorString":"x"}]}`,
			`used; work k is rejected by person true; "Booking desk" "waiting" "moved" ["T. Quill: called" "Desk: asked" "left"]`},
		{"our task, what we wrote", `{"resourceType":"Task","id":"t","status":"requested","intent":"order","identifier":[{"system":"urn:perennial:work","value":"k"}],"for":{"reference":"Patient/p"},"owner":{"reference":"Practitioner/1"},"businessStatus":{"coding":[{"system":"urn:perennial:codes:business-state","code":"due"}],"text":"Due"},"note":[{"authorString":"perennial","text":"ours"}]}`,
			`used; work k is requested by person false; "Practitioner/1" "" "" []`},
		{"another task", `{"resourceType":"Task","id":"t","status":"requested","intent":"order","for":{"reference":"Patient/p"}}`, "not relevant"},
		{"a type that is not read", `{"resourceType":"Coverage","id":"c"}`, "not relevant"},
	})
}

func TestPatients(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, body, want string }{
		{"plain", `{"resourceType":"Patient","id":"p","identifier":[{"system":"urn:mrn","value":"1"}],"name":[{"use":"old","text":"Was"},{"family":"Quay","given":["Testa"]}],"birthDate":"1950","gender":"female","telecom":[{"system":"phone","value":"2","rank":2},{"system":"phone","value":"1","rank":1}]}`,
			"p [urn:mrn|1] Testa Quay 1950 female 1 dead false  [] []"},
		{"dead without a date", `{"resourceType":"Patient","id":"p","deceasedBoolean":true}`, "p []     dead true  [] []"},
		{"not dead", `{"resourceType":"Patient","id":"p","deceasedBoolean":false}`, "p []     dead false  [] []"},
		{"dead in a month", `{"resourceType":"Patient","id":"p","deceasedDateTime":"2024-03"}`, "p []     dead true 2024-03-01..2024-03-31 [] []"},
		{"date of death withheld", `{"resourceType":"Patient","id":"p","_deceasedDateTime":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"masked"}]}}`, "p []     dead true  [] []"},
		{"replaced", `{"resourceType":"Patient","id":"p","link":[{"type":"replaced-by","other":{"reference":"Patient/q"}},{"type":"replaces","other":{"reference":"Patient/o"}},{"type":"seealso","other":{"reference":"Patient/z"}}]}`,
			"p []     dead false  [q] [o]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s, _ := mapOne(t, &intake.Mapper{Book: book(t)}, c.body)
			p := s.Person
			got := fmt.Sprint(p.ID, " ", p.Identifiers, " ", p.Name, " ", p.Born, " ", p.Sex, " ", p.Phone, " dead ", p.Dead.Known, " ", p.Dead.On, " ", p.ReplacedBy, " ", p.Replaces)
			if got != c.want {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

func TestMillis(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"2024-03-05T10:11:12.345-06:00", "1970-01-01T00:00:00Z", "2015-02-07T13:28:17.239+02:00", "2024-02-29T23:59:59Z", "2024-03-05T10:11:12.3456789Z"} {
		want, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			t.Fatal(err)
		}
		if got := intake.Millis(text); got != want.UnixMilli() {
			t.Errorf("Millis(%q) = %d, want %d", text, got, want.UnixMilli())
		}
	}
	for text, want := range map[string]int64{"": 0, "yesterday": 0, "1970-01-02": 86400000, "1970-01-01T00:01": 60000} {
		if got := intake.Millis(text); got != want {
			t.Errorf("Millis(%q) = %d, want %d", text, got, want)
		}
	}
}

// The words of the code book and of the chart are numbered alike.
func TestWordsOfBookAndChart(t *testing.T) {
	t.Parallel()
	for k := codes.KindUnknown; k <= codes.OtherImaging; k++ {
		if chart.Kind(k).String() != k.String() {
			t.Errorf("kind %d is %s in the book and %s in the chart", k, k, chart.Kind(k))
		}
	}
	if a, b := strings.Join(codes.Territories(), " "), strings.Join(chart.Territories(), " "); a != b {
		t.Errorf("territories are %s in the book and %s in the chart", a, b)
	}
}
