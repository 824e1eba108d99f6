package clinic_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// changed are the shipped rules with another protocol for abdominal grafts.
func changed(id string, from day.Day) *surveil.Rules {
	out := *rules()
	out.Care = maps.Clone(out.Care)
	out.Care["evar"] = []surveil.InForce{{Protocol: out.All[id], From: from, Chosen: "site"}}
	return &out
}

// followed is the protocol of a patient's first implant, and the standings of its
// visits.
func followed(r *rig, id string) (string, map[string]surveil.Standing) {
	r.t.Helper()
	m := r.view(id).Plan.Implants[0]
	out := map[string]surveil.Standing{}
	for _, v := range m.Visits {
		out[v.Step] = v.Standing
	}
	return m.Protocol, out
}

// A changed protocol waits; what it would change is counted; adopted, it holds
// from that day on, and what was satisfied stays so under its version.
func TestChangedProtocolWaits(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	duplex := `{"resourceType":"ImagingStudy","id":"d","status":"available","subject":{"reference":"Patient/a"},"started":"2026-03-10","procedureCode":[{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"93978"}]}]}`
	r.give(patient("a", ""), evar("pr1", "a", "2025-03-10"), cta("s", "a", "2025-04-08"), duplex, patient("b", ""), evar("pr2", "b", "2026-06-01"))
	ref, visits := followed(r, "a")
	if ref != "svs-aaa-2018@1" || visits["y1"] != surveil.Done {
		t.Fatalf("before: %s %v", ref, visits)
	}
	r.o.Rules = changed("label-1-6-12", 0) // a scan at six months, CT only
	r.start()
	if ch := r.tick(); ch.Plans != 0 {
		t.Errorf("a change that nobody adopted made other plans: %+v", ch)
	}
	if ref, _ := followed(r, "a"); ref != "svs-aaa-2018@1" {
		t.Errorf("followed by %s, which nobody has adopted", ref)
	}
	if st, err := r.Status(t.Context()); err != nil || !st.Waiting || st.Behind {
		t.Errorf("status %+v, %v", st, err)
	}
	all, err := r.Compare(t.Context(), r.Rules(), r.Waiting(), "", func(clinic.Difference) error { return nil })
	if err != nil || all.Patients != 2 || all.Affected != 2 || all.Undone != 0 {
		t.Errorf("what it would change: %+v, %v", all, err)
	}
	if _, err := r.Adopt(t.Context(), " "); fault.KindOf(err) != fault.Invalid {
		t.Errorf("adopted by nobody: %v", err)
	}
	ch, err := r.Adopt(t.Context(), "N. Quay")
	if err != nil || ch.Patients != 2 || ch.Plans != 2 {
		t.Errorf("%+v, %v", ch, err)
	}
	ref, visits = followed(r, "a")
	if ref != "label-1-6-12@1" || visits["y1"] != surveil.Done || visits["m6"] != "" {
		t.Errorf("a after: %s %v", ref, visits)
	}
	if ref, visits = followed(r, "b"); ref != "label-1-6-12@1" || visits["m6"] != surveil.Upcoming {
		t.Errorf("b after: %s %v", ref, visits)
	}
	if _, err := r.Adopt(t.Context(), "N. Quay"); fault.KindOf(err) != fault.Conflict {
		t.Errorf("adopted twice: %v", err)
	}
	r.sound()
	before := dump(t, r.db)
	r.clock = r.clock.AddDate(0, 0, 20)
	r.start()
	if st, err := r.Status(t.Context()); err != nil || st.Waiting || !maps.Equal(before, dump(t, r.db)) {
		t.Errorf("a restart asks again, or writes: %+v %v", st, err)
	}
	if from := r.Rules().Care["evar"][1].From; from.Text() != "30 Jun 2026" {
		t.Errorf("in force from %s", from.Text())
	}
}

// The document in force is kept: it holds although its file has changed since,
// until the new version is adopted.
func TestChangedDocumentWaits(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2026-06-01"))
	text := strings.Replace(rules().All["svs-aaa-2018"].Text, `version: "1"`, `version: "2"`, 1)
	text = strings.Replace(text, "        before: 15\n        after: 30\n", "        before: 15\n        after: 45\n", 1)
	p, problems := protocol.Parse("svs-aaa-2018.yaml", []byte(text))
	if p == nil {
		t.Fatal(problems)
	}
	other := *rules()
	other.All, other.Care = maps.Clone(other.All), maps.Clone(other.Care)
	other.All[p.ID] = p
	for _, class := range p.Classes {
		other.Care[class] = []surveil.InForce{{Protocol: p, Chosen: "default"}}
	}
	r.o.Rules = &other
	r.start()
	if ref, _ := followed(r, "a"); ref != "svs-aaa-2018@1" || r.Rules().All[p.ID].Version != "1" || r.Waiting() == nil {
		t.Errorf("followed by %s", ref)
	}
	if _, err := r.Adopt(t.Context(), "N. Quay"); err != nil {
		t.Fatal(err)
	}
	// The visit of July was due after the adoption: it has the new window.
	v := r.view("a").Plan.Implants[0].Visits[0]
	if v.Protocol != "svs-aaa-2018@2" || v.Closes.Text() != "15 Aug 2026" {
		t.Errorf("%s closes %s", v.Protocol, v.Closes.Text())
	}
	r.o.Rules = rules() // back again: asked about too
	r.start()
	if r.Waiting() == nil {
		t.Error("nobody is asked about the way back")
	}
	r.sound()
}

// What only came with the program, and that nothing uses, is taken in without a
// word; so are other numbers.
func TestMoreProtocolsDoNotWait(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	few := *rules()
	few.All = maps.Clone(few.All)
	delete(few.All, "esc-2024")
	r.o.Rules = &few
	r.start() // one is gone that nothing uses: it is kept
	if r.Waiting() != nil || r.Rules().All["esc-2024"] == nil {
		t.Error("a protocol that nothing uses is asked about, or lost")
	}
	more := *rules()
	more.All = maps.Clone(more.All)
	own := *more.All["esc-2024"]
	own.ID, own.Hash = "own", "0000"
	more.All["own"] = &own
	more.Settings.LeadDays = 30
	r.o.Rules = &more
	r.start()
	if r.Waiting() != nil || r.Rules().All["own"] == nil || r.Rules().Settings.LeadDays != 30 {
		t.Error("one more protocol, or another number, is asked about, or not taken")
	}
}

// A change never reaches back: a day in the past becomes the day of adoption, a
// later one stays.
func TestAdoptedFrom(t *testing.T) {
	t.Parallel()
	for from, want := range map[day.Day][]string{
		0:                  {"svs-aaa-2018 the beginning", "label-1-6-12 30 Jun 2026"},
		day.Of(2020, 1, 1): {"svs-aaa-2018 the beginning", "label-1-6-12 30 Jun 2026"},
		day.Of(2027, 1, 1): {"svs-aaa-2018 the beginning", "label-1-6-12 1 Jan 2027"},
	} {
		r := newRig(t)
		next := changed("label-1-6-12", from)
		if from > 0 {
			next.Care["evar"] = append(slices.Clone(rules().Care["evar"]), next.Care["evar"]...)
		}
		r.o.Rules = next
		r.start()
		if _, err := r.Adopt(t.Context(), "N. Quay"); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, e := range r.Rules().Care["evar"] {
			on := "the beginning"
			if e.From > 0 {
				on = e.From.Text()
			}
			got = append(got, e.Protocol.ID+" "+on)
		}
		if !slices.Equal(got, want) {
			t.Errorf("from %s: %q, not %q", from.Text(), got, want)
		}
	}
}

// One patient's visits by two protocols, and everybody counted; nothing changes.
func TestCompare(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(patient("a", ""), evar("pr1", "a", "2025-03-10"), cta("s", "a", "2025-04-08"), patient("b", ""), evar("pr2", "b", "2026-06-20"))
	a, b := changed("svs-aaa-2018", 0), changed("label-1-6-12", 0)
	var list []clinic.Difference
	one, err := r.Compare(t.Context(), a, b, "Patient/a", func(d clinic.Difference) error { list = append(list, d); return nil })
	if err != nil || len(list) != 1 || one.Patients != 1 || one.Affected != 1 {
		t.Fatalf("%+v %v, %v", one, list, err)
	}
	var steps []string
	for _, v := range list[0].Visits {
		was, now := surveil.Standing("none"), surveil.Standing("none")
		if v.Was != nil {
			was = v.Was.Standing
		}
		if v.Now != nil {
			now = v.Now.Standing
		}
		steps = append(steps, v.Step+" "+string(was)+" "+string(now))
	}
	if want := []string{"m6 none missed", "y1 overdue overdue", "y2 upcoming upcoming", "aorta5 upcoming none"}; !slices.Equal(steps, want) {
		t.Errorf("%q, not %q", steps, want)
	}
	all, err := r.Compare(t.Context(), a, b, "", func(clinic.Difference) error { return nil })
	if err != nil || all.Patients != 2 || all.Before.Visits[surveil.Missed] != 0 || all.After.Visits[surveil.Missed] != 1 || all.Undone != 0 {
		t.Errorf("%+v, %v", all, err)
	}
	if _, err := r.Compare(t.Context(), a, b, "nobody", nil); fault.KindOf(err) != fault.NotFound {
		t.Errorf("nobody: %v", err)
	}
	if ref, _ := followed(r, "a"); ref != "svs-aaa-2018@1" {
		t.Errorf("a comparison changed the plan: %s", ref)
	}
	// A study that counts by one protocol only: one visit would be undone.
	undone, err := r.Compare(t.Context(), b, changed("svs-aaa-2018-open", 0), "", func(clinic.Difference) error { return nil })
	if err != nil || undone.Undone != 1 {
		t.Errorf("%+v, %v", undone, err)
	}
}
