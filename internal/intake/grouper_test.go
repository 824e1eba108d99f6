package intake_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fhir"
	"perennial/internal/intake"
)

// found is one statement and where it came from.
type found struct {
	s  chart.Statement
	at intake.Place
}

func person(id string, identifiers ...string) *chart.Person {
	return &chart.Person{ID: id, Identifiers: identifiers}
}

func of(patient, ref string) found {
	return found{s: chart.Statement{Ref: ref, Patient: patient}}
}

func patient(p *chart.Person) found {
	f := of(p.ID, "Patient/"+p.ID)
	f.s.Person = p
	return f
}

func scan(patient, id, uid string) found {
	f := of(patient, "ImagingStudy/"+id)
	f.s.Study = &chart.Study{Source: chart.Source{Ref: f.s.Ref}, UID: uid, On: day.On(day.Of(2024, 3, 5))}
	return f
}

func graft(patient, id string) found {
	f := of(patient, "Procedure/"+id)
	f.s.Operation = &chart.Operation{Source: chart.Source{Ref: f.s.Ref}, Role: chart.RoleImplant, Class: "evar", On: day.On(day.Of(2024, 1, 5))}
	return f
}

func at(f found, address string) found { f.at.FullURL = address; return f }

func version(f found, updated int64) found { f.s.Updated = updated; return f }

// group groups statements, in the order given.
func group(list []found, o intake.Grouper) *intake.Groups {
	g := &intake.Grouper{KnownAt: o.KnownAt, Own: o.Own}
	for i, f := range list {
		f.s.Seq = int64(i)
		g.Add(&f.s, f.at)
	}
	return g.Groups()
}

// tellGroups lists the patients with the references of their statements, and
// what is asked.
func tellGroups(gs *intake.Groups) string {
	var out []string
	var g intake.Group
	for i := range gs.Len() {
		gs.At(i, &g)
		var refs []string
		for _, s := range g.Statements {
			if s.Ref != "" {
				refs = append(refs, s.Ref)
			}
			for _, d := range s.Doubts {
				refs = append(refs, d.Kind+"? "+d.About)
			}
		}
		slices.Sort(refs)
		out = append(out, g.Patient+": "+strings.Join(refs, " "))
	}
	for _, p := range gs.Parked() {
		out = append(out, fmt.Sprintf("parked %s weighty %v", p.Ref, p.Weighty))
	}
	return strings.Join(out, "\n")
}

func linked(id string, replacedBy, replaces []string) found {
	p := person(id)
	p.ReplacedBy, p.Replaces = replacedBy, replaces
	return patient(p)
}

type groupCase struct {
	name string
	in   []found
	want string
}

func groupCases() []groupCase {
	named := func(id, name string, ids ...string) found {
		p := person(id, ids...)
		p.Name, p.Born = name, "1950-01-02"
		return patient(p)
	}
	return []groupCase{
		{"by id, with or without a Patient", []found{patient(person("a")), scan("a", "1", ""), scan("b", "2", "")}, "a: ImagingStudy/1 Patient/a\nb: ImagingStudy/2"},
		{"by the address of a Bundle entry", []found{at(patient(person("a")), "urn:uuid:1"), scan("urn:uuid:1", "1", "")}, "a: ImagingStudy/1 Patient/a"},
		{"a Bundle entry without an id", []found{at(patient(person("urn:uuid:1")), "urn:uuid:1"), scan("urn:uuid:1", "1", "")}, "urn:uuid:1: ImagingStudy/1 Patient/urn:uuid:1"},
		{"two entries with one address", []found{at(patient(person("a")), "urn:uuid:1"), at(patient(person("b")), "urn:uuid:1"), scan("urn:uuid:1", "1", "")},
			"a: Patient/a\nb: Patient/b\nparked ImagingStudy/1 weighty true"},
		{"the only server in the input", []found{patient(person("a")), scan("https://one.example/fhir/Patient/a", "1", "")}, "a: ImagingStudy/1 Patient/a"},
		{"the server that a Bundle shows", []found{at(patient(person("a")), "https://one.example/fhir/Patient/a"), scan("https://one.example/fhir/Patient/a", "1", ""), scan("https://two.example/fhir/Patient/a", "2", "")},
			"a: ImagingStudy/1 Patient/a\nparked ImagingStudy/2 weighty true"},
		{"two servers and no sign which is ours", []found{patient(person("a")), scan("https://one.example/Patient/a", "1", ""), of("https://two.example/Patient/a", "Encounter/2")},
			"a: Patient/a\nparked Encounter/2 weighty false\nparked ImagingStudy/1 weighty true"},
		{"by identifier", []found{patient(person("a", "urn:mrn|1")), patient(person("b", "urn:mrn|2")), scan("=urn:mrn|2", "1", "")}, "a: Patient/a\nb: ImagingStudy/1 Patient/b"},
		{"an identifier that two have", []found{patient(person("a", "urn:mrn|1")), patient(person("b", "urn:mrn|1")), scan("=urn:mrn|1", "1", "")},
			"a: Patient/a\nb: Patient/b\nparked ImagingStudy/1 weighty true"},
		{"a bare id", []found{patient(person("a")), scan("?a", "1", ""), scan("?z", "2", "")}, "a: ImagingStudy/1 Patient/a\nparked ImagingStudy/2 weighty true"},
		{"inside the resource", []found{graft("#p", "1")}, "parked Procedure/1 weighty true"},
		{"replaced", []found{linked("b", []string{"a"}, nil), patient(person("a")), scan("b", "1", "")}, "a: ImagingStudy/1 Patient/a Patient/b"},
		{"replaces", []found{linked("a", nil, []string{"b"}), scan("b", "1", "")}, "a: ImagingStudy/1 Patient/a"},
		{"a chain", []found{linked("c", []string{"b"}, nil), linked("b", []string{"a"}, nil), scan("c", "1", "")}, "a: ImagingStudy/1 Patient/b Patient/c"},
		{"a circle: the smallest id", []found{linked("c", []string{"b"}, nil), linked("b", []string{"a"}, nil), linked("a", []string{"c"}, nil), scan("c", "1", "")},
			"a: ImagingStudy/1 Patient/a Patient/b Patient/c"},
		{"a way into a circle", []found{linked("a", []string{"c"}, nil), linked("c", []string{"b"}, nil), linked("b", []string{"c"}, nil)}, "b: Patient/a Patient/b Patient/c"},
		{"two that replace one", []found{linked("c", []string{"b", "a"}, nil), scan("c", "1", ""), patient(person("b"))}, "a: ImagingStudy/1 Patient/c identity? Patient/c\nb: Patient/b"},
		{"a link that was taken back", []found{version(linked("b", []string{"a"}, nil), 1), version(linked("b", nil, nil), 2), patient(person("a"))}, "a: Patient/a\nb: Patient/b Patient/b"},
		{"a newer version is about another", []found{version(scan("a", "1", ""), 1), version(scan("b", "1", ""), 2)}, "a: \nb: ImagingStudy/1"},
		{"… of an operation: asked", []found{version(graft("a", "1"), 1), version(graft("b", "1"), 2)}, "a: identity? Procedure/1\nb: Procedure/1"},
		{"a retraction that does not say whose it is", []found{version(scan("a", "1", ""), 1), version(of("!", "ImagingStudy/1"), 2)}, "a: ImagingStudy/1 ImagingStudy/1"},
		{"one study on two patients", []found{scan("a", "1", "1.2.3"), scan("b", "2", "1.2.3"), scan("c", "3", "1.2.4")},
			"a: ImagingStudy/1 identity? ImagingStudy/1\nb: ImagingStudy/2 identity? ImagingStudy/2\nc: ImagingStudy/3"},
		{"one study on two records of a patient", []found{scan("a", "1", "1.2.3"), scan("b", "2", "1.2.3"), linked("b", []string{"a"}, nil)}, "a: ImagingStudy/1 ImagingStudy/2 Patient/b"},
		{"a second record without any identifier", []found{named("a", "Testa Quay", "urn:mrn|1"), graft("a", "1"), named("b", "QUAY Testa"), scan("b", "2", "")},
			"a: Patient/a Procedure/1 identity? ImagingStudy/2\nb: ImagingStudy/2 Patient/b"},
		{"a namesake with an identifier", []found{named("a", "Testa Quay", "urn:mrn|1"), graft("a", "1"), named("b", "Testa Quay", "urn:mrn|2"), scan("b", "2", "")},
			"a: Patient/a Procedure/1\nb: ImagingStudy/2 Patient/b"},
	}
}

func TestWhoseItIs(t *testing.T) {
	t.Parallel()
	for _, c := range groupCases() {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if got := tellGroups(group(c.in, intake.Grouper{})); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

// The order in which resources come does not matter.
func TestOrderDoesNotMatter(t *testing.T) {
	t.Parallel()
	for _, c := range groupCases() {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(3, 4))
			for range 20 {
				in := slices.Clone(c.in)
				rng.Shuffle(len(in), func(i, j int) { in[i], in[j] = in[j], in[i] })
				if got := tellGroups(group(in, intake.Grouper{})); got != c.want {
					t.Fatalf("got\n%s\nwant\n%s", got, c.want)
				}
			}
		})
	}
}

func TestKnownAt(t *testing.T) {
	t.Parallel()
	in := []found{version(linked("b", []string{"a"}, nil), 5), version(patient(person("b")), 1), version(scan("b", "1", ""), 1), version(scan("c", "1", ""), 5)}
	if got, want := tellGroups(group(in, intake.Grouper{KnownAt: 3})), "b: ImagingStudy/1 Patient/b Patient/b\nc: ImagingStudy/1"; got != want {
		t.Errorf("as known before the merge and the move: got\n%s\nwant\n%s", got, want)
	}
	if got, want := tellGroups(group(in, intake.Grouper{})), "a: Patient/b Patient/b\nc: ImagingStudy/1"; got != want {
		t.Errorf("as known now: got\n%s\nwant\n%s", got, want)
	}
}

func TestOwnServers(t *testing.T) {
	t.Parallel()
	in := []found{patient(person("a")), scan("https://one.example/Patient/a", "1", ""), scan("https://two.example/Patient/a", "2", "")}
	own := func(base string) bool { return base == "https://two.example" }
	if got, want := tellGroups(group(in, intake.Grouper{Own: own})), "a: ImagingStudy/2 Patient/a\nparked ImagingStudy/1 weighty true"; got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Addresses inside facts become local references.
func TestReferencesBecomeLocal(t *testing.T) {
	t.Parallel()
	r := of("a", "DiagnosticReport/r")
	r.s.Report = &chart.Report{Studies: []string{"urn:uuid:7", "https://one.example/fhir/ImagingStudy/s2", "https://two.example/fhir/ImagingStudy/s3"}, Orders: []string{"ServiceRequest/o"}}
	in := []found{at(scan("a", "s1", ""), "urn:uuid:7"), at(patient(person("a")), "https://one.example/fhir/Patient/a"), r}
	var g intake.Group
	group(in, intake.Grouper{}).At(0, &g)
	for _, s := range g.Statements {
		if s.Report != nil {
			want := []string{"ImagingStudy/s1", "ImagingStudy/s2", "https://two.example/fhir/ImagingStudy/s3"}
			if !reflect.DeepEqual(s.Report.Studies, want) {
				t.Errorf("got %v, want %v", s.Report.Studies, want)
			}
			return
		}
	}
	t.Error("the report is gone")
}

func TestFind(t *testing.T) {
	t.Parallel()
	gs := group([]found{linked("c", []string{"b"}, nil), patient(person("a")), scan("d", "1", "")}, intake.Grouper{})
	for id, want := range map[string]string{"a": "a", "b": "b", "c": "b", "d": "d"} {
		if i, ok := gs.Find(id); !ok || gs.Name(i) != want {
			t.Errorf("%s is found at %d %v, want %s", id, i, ok, want)
		}
	}
	if _, ok := gs.Find("nobody"); ok {
		t.Error("nobody was found")
	}
}

func TestPatientKeys(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		ref  fhir.Reference
		want string
	}{
		{fhir.Reference{Reference: "Patient/1"}, "1"},
		{fhir.Reference{Reference: "Patient/1/_history/3"}, "1"},
		{fhir.Reference{Reference: "https://one.example/fhir/Patient/1/_history/2"}, "https://one.example/fhir/Patient/1"},
		{fhir.Reference{Reference: "urn:uuid:6a1f"}, "urn:uuid:6a1f"},
		{fhir.Reference{Reference: "#p"}, "#p"},
		{fhir.Reference{Reference: "12345"}, "?12345"},
		{fhir.Reference{Identifier: &fhir.Identifier{System: "urn:mrn", Value: "1"}}, "=urn:mrn|1"},
		{fhir.Reference{Identifier: &fhir.Identifier{Value: "1"}, Type: "Group"}, ""},
		{fhir.Reference{Reference: "Group/1"}, ""},
		{fhir.Reference{Display: "Somebody"}, "?"},
		{fhir.Reference{Identifier: &fhir.Identifier{System: "urn:mrn"}}, "?"},
		{fhir.Reference{}, ""},
	} {
		if got := intake.PatientKey(c.ref); got != c.want {
			t.Errorf("%+v: %q, want %q", c.ref, got, c.want)
		}
	}
}

// FuzzMap feeds any body through decoding, mapping and packing.
func FuzzMap(f *testing.F) {
	for _, s := range []string{procedure("completed", `,"performedDateTime":"2024-03"`), study(modality("CT")), `{"resourceType":"Patient","id":"p","link":[{"type":"replaces","other":{"reference":"Patient/q"}}]}`,
		observation(`{"system":"urn:perennial:codes","code":"sac-diameter"}`, quantity("62", "mm")), `{"resourceType":"Appointment","status":"booked","participant":[{"actor":{"reference":"Patient/p"}}]}`} {
		f.Add([]byte(s))
	}
	b, z := book(f), zone(f)
	f.Fuzz(func(t *testing.T, body []byte) {
		raw := fhir.Raw{Body: body}
		r, err := fhir.Decode(body)
		if err != nil {
			return
		}
		intake.Identify(r.Head(), raw)
		m := intake.Mapper{Book: b, Zone: z}
		s, use, err := m.Map(r)
		if err != nil || use == intake.NotRelevant {
			return
		}
		if s.Ref == "" || s.Patient == "" {
			t.Fatalf("a statement without a reference or a patient: %+v", s)
		}
		var g intake.Grouper
		g.Add(s, intake.Place{})
		gs := g.Groups()
		if n := gs.Len() + len(gs.Parked()) + gs.Loose; n == 0 {
			t.Fatal("the statement was lost")
		}
	})
}

func BenchmarkMapAndAdd(b *testing.B) {
	body := []byte(study(modality("CT") + procedureCode("http://loinc.org", "69908-2") + `,"identifier":[{"system":"urn:dicom:uid","value":"urn:oid:2.999.1.2"}]`))
	var d fhir.Decoder
	m := intake.Mapper{Book: book(b), Zone: zone(b), Series: d.LoadSeries, Reuse: true}
	r, err := d.Decode(body)
	if err != nil {
		b.Fatal(err)
	}
	var g intake.Grouper
	b.ReportAllocs()
	for b.Loop() {
		s, _, _ := m.Map(r)
		g.Add(s, intake.Place{})
	}
	b.ReportMetric(float64(g.Size())/float64(b.N), "kept-B/op")
}
