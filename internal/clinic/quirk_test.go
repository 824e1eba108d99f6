package clinic_test

import (
	"slices"
	"testing"

	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Q27: a record that was replaced is followed from link to link, whether its resources are moved to the new record or
// not, and whether or not the links lead in a circle; there is one schedule; and taking a link back parts the records,
// since each fact keeps whose it was.
func TestQ27MergedRecords(t *testing.T) {
	t.Parallel()
	for name, last := range map[string]string{"a chain": patient("c", ""), "a circle": patient("c", link("replaced-by", "Patient/a"))} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			r.give(evar("pr1", "a", "2026-05-20"), patient("a", `,"active":false`+link("replaced-by", "Patient/b")), patient("b", `,"active":false`+link("replaced-by", "Patient/c")), last)
			r.give(cta("s1", "b", "2026-06-22"))
			home := r.view("a").Patient
			for _, id := range []string{"a", "b", "c"} {
				if v := r.view(id); v.Patient != home || len(v.Plan.Implants) != 1 {
					t.Errorf("%s is read with %s and has %d implants", id, v.Patient, len(v.Plan.Implants))
				}
			}
			if it := r.item(home, surveil.WorkArrange); it.State != store.WorkCompleted {
				t.Errorf("the scan of the record between does not count: %+v", it)
			}
			r.give(version(evar("pr1", "c", "2026-05-20"), 2)) // the server moves the operation
			if v := r.view("a"); len(v.Plan.Implants) != 1 {
				t.Errorf("%d implants after the move", len(v.Plan.Implants))
			}
			r.sound()
		})
	}
	t.Run("unmerged", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		r.give(patient("a", link("replaced-by", "Patient/b")), patient("b", link("replaced-by", "Patient/c")), patient("c", ""), evar("pr1", "a", "2026-05-20"), cta("s1", "c", "2026-06-22"))
		r.give(patient("b", `,"meta":{"versionId":"2"}`))
		if v := r.view("a"); v.Patient != "b" || len(v.Plan.Implants) != 1 {
			t.Errorf("a is read with %s and has %d implants", v.Patient, len(v.Plan.Implants))
		}
		if v := r.view("c"); v.Patient != "c" || len(v.Plan.Implants) != 0 {
			t.Errorf("c is read with %s and has %d implants", v.Patient, len(v.Plan.Implants))
		}
		if it := r.item("b", surveil.WorkArrange); it.State != store.WorkOpen {
			t.Errorf("the scan of another person still counts: %+v", it)
		}
		r.sound()
	})
}

// Q29: whoever died is not written to any more, however the death is told and however late. What was missed before the
// death stays in the sums: before the day, or before the patient was last seen where no day is told.
func TestQ29LateDeath(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, dead string
		missed     int    // after it is known; before, m1, y2 and y3 are missed, and y4 is overdue
		why        string // why the chase of y4 ends
	}{
		{"no day", `"deceasedBoolean":true`, 1, "died"},
		{"day withheld", `"_deceasedDateTime":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"masked"}]}`, 1, "died"},
		{"a month", `"deceasedDateTime":"2026-06"`, 4, "missed"},
		{"a day", `"deceasedDateTime":"2026-06-10"`, 4, "missed"},
		{"a day long ago", `"deceasedDateTime":"2024-12-24"`, 2, "died"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			r.give(patient("a", ""), evar("pr1", "a", "2022-01-10"), cta("s1", "a", "2023-06-01"))
			before := r.reaching("a")
			missed := r.standings("a")[surveil.Missed]
			r.give(patient("a", `,"meta":{"versionId":"2"},`+c.dead))
			if len(before) == 0 || len(r.reaching("a")) > 0 {
				t.Errorf("work to reach the patient: %q, after the death %q", before, r.reaching("a"))
			}
			for _, it := range r.view("a").Items {
				why := string(surveil.EndDied)
				if it.Work.Kind == surveil.WorkChase {
					why = c.why
				}
				if slices.Contains(before, it.Work.Kind) && (it.State != store.WorkCancelled || it.Reason != why) {
					t.Errorf("%s is %s because %q", it.Work.Kind, it.State, it.Reason)
				}
			}
			if now := r.standings("a")[surveil.Missed]; missed != 3 || now != c.missed {
				t.Errorf("%d missed, after the death %d, want %d", missed, now, c.missed)
			}
			r.sound()
		})
	}
}

// reaching lists the open work that has somebody write to the patient.
func (r *rig) reaching(id string) (kinds []string) {
	for _, it := range r.view(id).Items {
		if it.State == store.WorkOpen && slices.Contains([]string{surveil.WorkArrange, surveil.WorkChase, surveil.WorkTrace}, it.Work.Kind) {
			kinds = append(kinds, it.Work.Kind)
		}
	}
	return kinds
}

// standings counts the visits of a patient by standing.
func (r *rig) standings(id string) map[surveil.Standing]int {
	n := map[surveil.Standing]int{}
	for _, m := range r.view(id).Plan.Implants {
		for _, v := range m.Visits {
			n[v.Standing]++
		}
	}
	return n
}
