package clinic_test

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"perennial/internal/day"
	"perennial/internal/kv"
	"perennial/internal/kv/memkv"
	"perennial/internal/store"
)

// history is a clinic to which anything may happen, and what was seen of it.
type history struct {
	*rig
	versions int
	rulings  []string
	seen     map[string]store.Item // every item ever seen, as it was last
}

// Whatever happens in whatever order, the store stays sound, no work item ever
// disappears or forgets, none ends without a reason, and what is stored is what
// the engine says of all that is known.
func TestAnythingMayHappen(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		h := &history{rig: newRigOn(t, memkv.New()), seen: map[string]store.Item{}}
		rt.Repeat(map[string]func(*rapid.T){
			"patient": h.patient, "operation": h.operation, "study": h.study, "task": h.task, "rule": h.rule, "take back": h.takeBack, "days": h.days,
			"": func(rt *rapid.T) { h.check(rt) },
		})
		h.fresh(rt)
	})
}

func who(rt *rapid.T) string { return rapid.SampledFrom([]string{"a", "b", "c"}).Draw(rt, "who") }

// on draws a date in the years before today.
func (h *history) on(rt *rapid.T) string {
	return (h.Today() - day.Day(rapid.IntRange(0, 900).Draw(rt, "days ago"))).String()
}

func (h *history) give(body string) {
	h.versions++
	h.rig.give(versioned(body, h.versions))
}

// versioned gives a resource its version.
func versioned(body string, n int) string {
	return body[:1] + fmt.Sprintf(`"meta":{"versionId":"%d"},`, n) + body[1:]
}

func (h *history) patient(rt *rapid.T) {
	more := rapid.SampledFrom([]string{"", "", `,"deceasedDateTime":"2026-05-05"`, link("replaced-by", "Patient/a"), link("replaces", "Patient/c")}).Draw(rt, "more")
	h.give(patient(who(rt), more))
}

func (h *history) operation(rt *rapid.T) {
	id := rapid.SampledFrom([]string{"pr1", "pr2", "pr3"}).Draw(rt, "id")
	h.give(evar(id, who(rt), h.on(rt)))
}

func (h *history) study(rt *rapid.T) {
	id := rapid.SampledFrom([]string{"s1", "s2", "s3", "s4"}).Draw(rt, "id")
	status := rapid.SampledFrom([]string{"available", "available", "registered", "entered-in-error", "nonsense"}).Draw(rt, "status")
	body := ctaIn(id, who(rt), h.on(rt), status, "1")
	h.versions++
	h.rig.give(version(body, 1+h.versions%28))
}

func (h *history) task(rt *rapid.T) {
	var keys []string
	for key := range h.seen {
		keys = append(keys, key)
	}
	if len(keys) == 0 {
		return
	}
	slices.Sort(keys)
	it := h.seen[rapid.SampledFrom(keys).Draw(rt, "item")]
	status := rapid.SampledFrom([]string{"requested", "on-hold", "completed", "rejected"}).Draw(rt, "status")
	h.give(fmt.Sprintf(`{"resourceType":"Task","id":"t-%d","identifier":[{"system":"urn:perennial:work","value":%q}],"status":%q,"intent":"proposal","for":{"reference":"Patient/%s"},"lastModified":%q}`,
		len(it.Key), it.Key, status, it.Patient, h.Today().String()))
}

func (h *history) rule(rt *rapid.T) {
	x := ruling(who(rt), rapid.SampledFrom([]string{"stop", "pause", "decline", "attempt", "implant"}).Draw(rt, "kind"))
	x.Class, x.Value, x.Channel, x.Outcome = "tevar", h.on(rt), "phone", "no-answer"
	if stored, err := h.Rule(h.t.Context(), x); err == nil {
		h.rulings = append(h.rulings, stored.ID)
	}
}

func (h *history) takeBack(rt *rapid.T) {
	if len(h.rulings) == 0 {
		return
	}
	id := rapid.SampledFrom(h.rulings).Draw(rt, "ruling")
	_, _ = h.TakeBack(h.t.Context(), id, "N. Nurse", "a test") // a second time is refused
}

func (h *history) days(rt *rapid.T) {
	h.clock = h.clock.AddDate(0, 0, rapid.IntRange(1, 400).Draw(rt, "days"))
	h.tick()
	h.fresh(rt)
}

func (h *history) check(rt *rapid.T) {
	rep, err := h.Check(h.t.Context())
	if err != nil || len(rep.Problems) > 0 || !rep.Sums.Hold() {
		rt.Fatalf("%v %q %+v", err, rep.Problems, rep.Sums)
	}
	now := map[string]store.Item{}
	for _, state := range []store.WorkState{store.WorkOpen, store.WorkCompleted, store.WorkCancelled} {
		h.each(rt, state, now)
	}
	for key, was := range h.seen {
		it, ok := now[key]
		if !ok || len(it.History) < len(was.History) || it.Rev < was.Rev || it.Made != was.Made {
			rt.Fatalf("an item is lost or has forgotten: %+v, was %+v", it, was)
		}
	}
	h.seen = now
	if len(now) != rep.Sums.Work.Ever {
		rt.Fatalf("%d items of %d", len(now), rep.Sums.Work.Ever)
	}
}

// each adds the items of a state.
func (h *history) each(rt *rapid.T, state store.WorkState, to map[string]store.Item) {
	err := h.db.View(h.t.Context(), func(r kv.Reader) error {
		var page store.Page
		list, _, err := store.Items(r, state, &page, 1<<20)
		for _, it := range list {
			if _, twice := to[it.Key]; twice || it.State != state || (state == store.WorkOpen) != (it.Reason == "") {
				rt.Fatalf("item %+v in state %s", it, state)
			}
			to[it.Key] = it
		}
		return err
	})
	if err != nil {
		rt.Fatal(err)
	}
}

// fresh compares every stored plan with one made now.
func (h *history) fresh(rt *rapid.T) {
	var patients []string
	err := h.Lines(h.t.Context(), func(l store.Line) error { patients = append(patients, l.Patient); return nil })
	if err != nil {
		rt.Fatal(err)
	}
	for _, id := range patients {
		v := h.view(id)
		err := h.db.View(h.t.Context(), func(r kv.Reader) error {
			p, err := store.ReadPlan(r, id)
			if err == nil && !p.Same(&v.Plan) {
				rt.Fatalf("the stored plan of %s is old", id)
			}
			return err
		})
		if err != nil {
			rt.Fatal(err)
		}
	}
}
