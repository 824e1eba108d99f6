package clinic_test

import (
	"fmt"
	"hash/fnv"
	"maps"
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
	people   map[string]string     // what a person did last with the Task of an item, by its first key
}

// Whatever happens in whatever order, the store stays sound, no work item ever
// disappears or forgets, none ends without a reason, what a person did with a Task
// is noted on its item and on no other, and what is stored is what the engine says
// of all that is known.
func TestAnythingMayHappen(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		h := &history{rig: newRigOn(t, memkv.New()), seen: map[string]store.Item{}, people: map[string]string{}}
		rt.Repeat(map[string]func(*rapid.T){
			"patient": h.one(h.patient), "operation": h.one(h.operation), "study": h.one(h.study), "task": h.one(h.task), "together": h.together,
			"rule": h.rule, "take back": h.takeBack, "days": h.days,
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

// one gives one resource, where there is one to give.
func (h *history) one(draw func(*rapid.T) string) func(*rapid.T) {
	return func(rt *rapid.T) {
		if body := draw(rt); body != "" {
			h.rig.give(body)
		}
	}
}

// together gives several resources as one batch.
func (h *history) together(rt *rapid.T) {
	var bodies []string
	for range rapid.IntRange(2, 4).Draw(rt, "how many") {
		draw := rapid.SampledFrom([]func(*rapid.T) string{h.patient, h.operation, h.study, h.task}).Draw(rt, "what")
		if body := draw(rt); body != "" {
			bodies = append(bodies, body)
		}
	}
	h.rig.give(bodies...)
}

// version gives a resource the next version.
func (h *history) version(body string) string {
	h.versions++
	return versioned(body, h.versions)
}

// versioned gives a resource its version.
func versioned(body string, n int) string {
	return body[:1] + fmt.Sprintf(`"meta":{"versionId":"%d"},`, n) + body[1:]
}

func (h *history) patient(rt *rapid.T) string {
	more := rapid.SampledFrom([]string{"", "", `,"deceasedDateTime":"2026-05-05"`, link("replaced-by", "Patient/a"), link("replaces", "Patient/c")}).Draw(rt, "more")
	return h.version(patient(who(rt), more))
}

func (h *history) operation(rt *rapid.T) string {
	id := rapid.SampledFrom([]string{"pr1", "pr2", "pr3"}).Draw(rt, "id")
	return h.version(evar(id, who(rt), h.on(rt)))
}

func (h *history) study(rt *rapid.T) string {
	id := rapid.SampledFrom([]string{"s1", "s2", "s3", "s4"}).Draw(rt, "id")
	status := rapid.SampledFrom([]string{"available", "available", "registered", "entered-in-error", "nonsense"}).Draw(rt, "status")
	body := ctaIn(id, who(rt), h.on(rt), status, "1")
	h.versions++
	return version(body, 1+h.versions%28)
}

func (h *history) task(rt *rapid.T) string {
	keys := slices.Sorted(maps.Keys(h.seen))
	if len(keys) == 0 {
		return ""
	}
	it := h.seen[rapid.SampledFrom(keys).Draw(rt, "item")]
	status := rapid.SampledFrom([]string{"requested", "on-hold", "completed", "rejected"}).Draw(rt, "status")
	h.people[it.Key] = status
	return h.version(fmt.Sprintf(`{"resourceType":"Task","id":"t-%x","identifier":[{"system":"urn:perennial:work","value":%q}],"status":%q,"intent":"proposal","for":{"reference":"Patient/%s"},"lastModified":%q}`,
		sum(it.Key), it.Key, status, it.Patient, h.Today().String()))
}

// sum tells the Tasks of items apart.
func sum(key string) []byte {
	f := fnv.New64a()
	f.Write([]byte(key))
	return f.Sum(nil)
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
	for key, it := range now {
		if it.Human == nil && h.people[key] != "" && h.people[key] != "requested" || it.Human != nil && it.Human.Status != h.people[key] {
			rt.Fatalf("a person made it %q: %+v %+v", h.people[key], it.Human, it)
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
