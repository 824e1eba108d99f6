package emit_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/chart"
	"perennial/internal/outbox"
)

// A plan stands on the server: what refers to another resource refers to the one that is there. Nothing is sent twice.
func TestPlanIsThere(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, everyType()...)
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
	if _, why := r.drain(); why != "" {
		t.Fatal(why)
	}
	plans, asked := on(t, s, "CarePlan"), on(t, s, "ServiceRequest")
	if len(plans) != 1 || len(asked) == 0 || len(plans[0].activities(t)) != len(asked) {
		t.Fatalf("%+v %+v", plans, asked)
	}
	for _, one := range asked {
		if one.Status != "draft" || one.Intent != "proposal" || len(one.BasedOn) != 1 || one.BasedOn[0].Reference != "CarePlan/"+plans[0].ID {
			t.Errorf("%+v", one)
		}
		if !strings.Contains(string(plans[0].Activity), one.Identifier[0].Value) {
			t.Errorf("%s is not in the plan", one.ID)
		}
	}
	told := map[string]bool{}
	for _, p := range on(t, s, "Provenance") {
		told[p.Target[0].Reference] = true
	}
	for _, typ := range []string{"CarePlan", "ServiceRequest", "Task"} {
		for _, one := range on(t, s, typ) {
			if !told[typ+"/"+one.ID] {
				t.Errorf("no Provenance tells of %s", typ)
			}
		}
	}
	before := s.Truth()
	s.Asked()
	r.start()
	r.clock = r.clock.Add(time.Hour)
	if _, err := r.Tick(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.drain()
	if asked := s.Asked(); len(asked) > 0 || !maps.Equal(before, s.Truth()) {
		t.Errorf("nothing has changed, and it asked %q", asked)
	}
	r.sound()
}

// When the scan arrives its request is completed; when it is taken back, asked for again; when surveillance ends
// everything is closed, nothing deleted.
func TestPlanChanges(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, everyType()...)
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
	r.drain()
	open := len(on(t, s, "ServiceRequest"))
	r.clock = r.clock.AddDate(0, 0, 1)
	r.give(cta("s1", "a", "2026-06-19"))
	r.drain()
	if n := status(t, s, "ServiceRequest"); n["completed"] != 1 || n["draft"] < open-1 {
		t.Fatalf("after the scan: %v", n)
	}
	r.give(ctaIn("s1", "a", "2026-06-19", "entered-in-error", "2"))
	r.drain()
	if n := status(t, s, "ServiceRequest"); n["completed"] != 0 || n["draft"] < open {
		t.Fatalf("after it was taken back: %v", n)
	}
	stop := chart.Ruling{Patient: "a", Kind: chart.RuleStop, Who: "T. Quill", Why: "palliative care"}
	if _, err := r.Rule(t.Context(), stop); err != nil {
		t.Fatal(err)
	}
	r.drain()
	if n := status(t, s, "ServiceRequest"); n["draft"] != 0 || n["revoked"] < open {
		t.Errorf("at the end: %v", n)
	}
	if plans := on(t, s, "CarePlan"); len(plans) != 1 || plans[0].Status != "revoked" || plans[0].Activity != nil {
		t.Errorf("%+v", plans)
	}
	r.sound()
}

// A patient who is lost has a Flag, which is inactive once the patient was seen.
func TestFlag(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, "Flag")
	r.give(patient("a"), evar("pr1", "a", "2020-01-10"))
	r.drain()
	if n := status(t, s, "Flag"); n["active"] != 1 {
		t.Fatalf("%v", n)
	}
	r.give(cta("s1", "a", "2026-06-29"))
	r.drain()
	if n := status(t, s, "Flag"); n["inactive"] != 1 || n["active"] != 0 {
		t.Errorf("%v", n)
	}
	if len(on(t, s, "CarePlan"))+len(on(t, s, "ServiceRequest")) > 0 {
		t.Error("more than a Flag was written")
	}
}

// What a person did on the server stays: a status, an order made of a proposal, a deletion.
func TestPersonWins(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, "CarePlan", "ServiceRequest")
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
	r.drain()
	asked := on(t, s, "ServiceRequest")
	mine := asked[0].ID
	body := s.Truth()["ServiceRequest/"+mine]
	fields := body[strings.Index(body, `},`)+1:]
	s.Put("ServiceRequest", mine, strings.TrimSuffix(strings.NewReplacer(`"intent":"proposal"`, `"intent":"order"`, `"status":"draft"`, `"status":"active"`).Replace(fields), "}"))
	plan := on(t, s, "CarePlan")[0].ID
	s.Delete("CarePlan", plan)
	theirs := s.Truth()["ServiceRequest/"+mine]
	r.give(cta("s1", "a", "2026-06-19"))
	if _, why := r.drain(); why != "" {
		t.Fatal(why)
	}
	if got := s.Truth()["ServiceRequest/"+mine]; got != theirs {
		t.Errorf("it was written to:\n%s\n%s", got, theirs)
	}
	if n := len(on(t, s, "CarePlan")); n != 0 {
		t.Error("a plan that a person deleted was made again")
	}
	last := r.items(outbox.KindRecord)
	if text := last[len(last)-1].Receipt; !strings.Contains(fmt.Sprint(last), "no longer there") {
		t.Errorf("%s", text)
	}
	// The end and a new beginning are another need: the plan is made again.
	ruled, err := r.Rule(t.Context(), chart.Ruling{Patient: "a", Kind: chart.RuleStop, Who: "T. Quill", Why: "palliative care"})
	if err != nil {
		t.Fatal(err)
	}
	r.drain()
	if n := len(on(t, s, "CarePlan")); n != 0 {
		t.Error("it was made only to be closed")
	}
	if _, err := r.TakeBack(t.Context(), ruled.ID, "T. Quill", "a mistake"); err != nil {
		t.Fatal(err)
	}
	r.drain()
	if n := status(t, s, "CarePlan"); n["draft"] != 1 {
		t.Errorf("it is needed anew: %v", n)
	}
	if got := s.Truth()["ServiceRequest/"+mine]; got != theirs {
		t.Errorf("it was written to:\n%s\n%s", got, theirs)
	}
	r.sound()
}

// The program may die between any write and its note: nothing is there twice, and in the end all is as it would have
// been.
func TestKilledAnywhere(t *testing.T) {
	t.Parallel()
	want, notes := story(t, 0, true)
	if notes < 15 || want["ServiceRequest completed"] != 0 || want["Communication not-done"] != 1 {
		t.Fatalf("%d notes, %v", notes, want)
	}
	for n := 1; n <= notes; n++ {
		for _, wait := range []bool{true, false} {
			if got, _ := story(t, n, wait); !maps.Equal(got, want) {
				t.Errorf("killed at note %d, wait %v: %v, want %v", n, wait, got, want)
			}
		}
	}
}

// story is a patient's plan from beginning to end, killed at the n-th note of the ledger. It gives what is there, and how often
// was noted. Unless it waits, the next change comes before what was broken off is tried again.
func story(t *testing.T, n int, wait bool) (map[string]int, int) {
	t.Helper()
	s := server(t)
	r := newRig(t, s.Base, everyType()...)
	seen := 0
	r.lose = func(string) bool { seen++; return seen == n }
	step := func() {
		r.drain()
		r.start()
		if !wait {
			return
		}
		r.clock = r.clock.Add(3 * time.Hour)
		if _, why := r.drain(); why != "" {
			t.Fatal(why)
		}
	}
	r.give(patient("a"), evar("pr1", "a", "2026-05-20"))
	step()
	r.give(cta("s1", "a", "2026-06-19"))
	step()
	r.give(ctaIn("s1", "a", "2026-06-19", "entered-in-error", "2"))
	step()
	if _, err := r.Rule(t.Context(), chart.Ruling{ID: "x", Patient: "a", Kind: chart.RuleAttempt, Channel: "phone", Outcome: "no-answer", Who: "T. Quill", Why: "called"}); err != nil {
		t.Fatal(err)
	}
	wait = true
	step()
	all := map[string]int{}
	for _, typ := range everyType() {
		for _, one := range on(t, s, typ) {
			all[typ+" "+one.Status]++
		}
	}
	r.sound()
	return all, seen
}

// An attempt is a Communication, under the id of its ruling; taken back it is entered in error.
func TestAttempts(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, "Communication")
	r.give(patient("a"), evar("pr1", "a", "2025-05-20"))
	r.drain()
	want := map[string]string{"reached": "completed", "message-left": "completed", "declined": "completed", "no-answer": "not-done", "wrong-number": "not-done", "returned-mail": "not-done", "moved": "not-done"}
	for i, outcome := range chart.Outcomes() {
		ruling := chart.Ruling{ID: outcome, Patient: "a", Kind: chart.RuleAttempt, Channel: chart.Channels()[i%5], Outcome: outcome, Who: "T. Quill", Why: "as usual"}
		if _, err := r.Rule(t.Context(), ruling); err != nil {
			t.Fatal(err)
		}
		r.drain()
		n := map[string]int{}
		for _, o := range chart.Outcomes()[:i+1] {
			n[want[o]]++
		}
		if got := status(t, s, "Communication"); !maps.Equal(got, n) {
			t.Errorf("%s: %v, want %v", outcome, got, n)
		}
	}
	if _, err := r.TakeBack(t.Context(), "reached", "T. Quill", "another patient"); err != nil {
		t.Fatal(err)
	}
	r.drain()
	if got := status(t, s, "Communication"); got["entered-in-error"] != 1 || got["completed"] != 2 {
		t.Errorf("%v", got)
	}
	for _, body := range s.Truth() {
		var all map[string]any
		if json.Unmarshal([]byte(body), &all) != nil || all["payload"] != nil {
			t.Error(body)
		}
	}
}

// serial is an id that the fake server made.
var serial = regexp.MustCompile(`new-[0-9]+`)

// With nothing turned on the outbox is as it always was: the items of Tasks are the same to the letter, there are no
// others, and nothing is noted.
func TestOff(t *testing.T) {
	t.Parallel()
	var tasks [2]string
	for i, types := range [][]string{nil, everyType()} {
		s := server(t)
		r := newRig(t, s.Base, types...)
		r.give(patient("a"), evar("pr1", "a", "2026-05-20"), patient("b"), evar("pr2", "b", "2020-05-20"))
		r.drain()
		r.give(cta("s1", "a", "2026-06-19"))
		r.drain()
		text, err := json.Marshal(r.items(outbox.KindTask))
		if err != nil {
			t.Fatal(err)
		}
		var there []string
		for key, body := range s.Truth() {
			if strings.HasPrefix(key, "Task/") {
				there = append(there, body)
			}
		}
		tasks[i] = serial.ReplaceAllString(string(text), "new")
		for j, body := range there {
			there[j] = serial.ReplaceAllString(body, "new")
		}
		slices.Sort(there)
		tasks[i] += strings.Join(there, "\n")
		if i == 0 && (len(r.items(outbox.KindRecord)) > 0 || has(r, "emitted") || has(r, "records")) {
			t.Error("something was noted")
		}
		if i == 1 && len(r.items(outbox.KindRecord)) == 0 {
			t.Error("nothing was told")
		}
	}
	if tasks[0] != tasks[1] {
		t.Errorf("the Tasks differ:\n%s\n%s", tasks[0], tasks[1])
	}
}

// What was written comes back with all else when the source is the same server. It tells nothing new: no attempt counts
// twice, no proposal is an order, unless a person made it one.
func TestComesBack(t *testing.T) {
	t.Parallel()
	s := server(t)
	r := newRig(t, s.Base, everyType()...)
	r.give(patient("a"), evar("pr1", "a", "2025-05-20"))
	ruling := chart.Ruling{ID: "x", Patient: "a", Kind: chart.RuleAttempt, Channel: "phone", Outcome: "message-left", Who: "T. Quill", Why: "called"}
	if _, err := r.Rule(t.Context(), ruling); err != nil {
		t.Fatal(err)
	}
	r.drain()
	before, err := r.Patient(t.Context(), "a")
	if err != nil || len(before.Chart.Attempts) != 0 {
		t.Fatalf("%+v %v", before.Chart.Attempts, err)
	}
	there, tasks := s.Truth(), len(on(t, s, "Task"))
	r.give(slices.Sorted(maps.Values(there))...)
	after, err := r.Patient(t.Context(), "a")
	if err != nil || len(after.Chart.Attempts) != 0 || len(after.Records) != len(before.Records)+tasks || !after.Plan.Same(&before.Plan) {
		t.Errorf("%+v %d %d %v", after.Chart.Attempts, len(before.Records), len(after.Records), err)
	}
	if r.drain(); !maps.Equal(there, s.Truth()) {
		t.Error("it was written again")
	}
	asked := on(t, s, "ServiceRequest")[0].ID
	r.give(strings.NewReplacer(`"intent":"proposal"`, `"intent":"order","category":[{"coding":[{"system":"http://snomed.info/sct","code":"363679005"}]}]`, `"versionId":"1"`, `"versionId":"2"`).Replace(s.Truth()["ServiceRequest/"+asked]))
	if after, err = r.Patient(t.Context(), "a"); err != nil || len(after.Records) != len(before.Records)+tasks+1 {
		t.Errorf("%d %v", len(after.Records), err)
	}
	r.sound()
}
