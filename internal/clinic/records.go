package clinic

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// Records say which resources, beside Tasks, are kept elsewhere in the state that
// follows from the plans. The outbox is told of whom something changed, by the key
// of the patient only; what there is to be is rendered when it is sent.
type Records struct {
	Types []string // of FHIR; none: nothing is added to the outbox for them
	To    string   // name of who takes them: another one is told of everybody
}

// on says whether a type is kept.
func (r *Records) on(typ string) bool { return slices.Contains(r.Types, typ) }

// told is of whom and what a receiver was told when it was turned on, in short.
func (r *Records) told() string {
	if len(r.Types) == 0 {
		return ""
	}
	list := slices.Sorted(slices.Values(r.Types))
	return strings.Join(list, " ") + " to " + r.To
}

// recorded adds that something changed for a patient to the outbox, where records
// are kept. What tells one change from the next.
func (c *Clinic) recorded(tx kv.Tx, patient, what string) error {
	if len(c.o.Records.Types) == 0 {
		return nil
	}
	body, err := json.Marshal(map[string]string{"patient": patient})
	if err != nil {
		return err
	}
	thread := "record|" + fhir.Token(c.o.Site, patient)
	_, err = outbox.Add(tx, outbox.Item{Key: thread + "/" + what, Thread: thread, Kind: outbox.KindRecord, Body: body, Added: c.o.Now()})
	return err
}

// planChanged is recorded for a transaction that changes a plan.
func (s *settling) planChanged(patient string) error {
	return s.c.recorded(s.w.Tx, patient, fmt.Sprint(s.w.Meta.Commits+1))
}

// reached says whether a ruling tells of an outreach attempt, which is a record
// though the plan may stay as it is.
func reached(list []chart.Ruling) bool {
	return slices.ContainsFunc(list, func(r chart.Ruling) bool { return r.Kind == chart.RuleAttempt })
}

// taskSent records that a Task is there now, of which a Provenance is to tell.
func (c *Clinic) taskSent(tx kv.Tx, it *outbox.Item) error {
	patient, ok := strings.CutPrefix(it.About, "Patient/")
	if !ok || it.Kind != outbox.KindTask || it.State != outbox.Sent || !c.o.Records.on("Provenance") {
		return nil
	}
	return c.recorded(tx, patient, "task-"+fhir.Token(c.o.Site, it.Key))
}

// turned is what is stored of what was turned on.
type turned struct {
	V    int    `json:"v"`
	N    int    `json:"n"` // how often something else was turned on
	Told string `json:"told"`
}

func turnedKey() []byte { return kv.Key("records") }

func readTurned(r kv.Reader) (t turned, err error) {
	text, err := r.Get(turnedKey())
	if err != nil || text == nil {
		return t, err
	}
	if json.Unmarshal(text, &t) != nil || t.V != 1 {
		err = fault.New(fault.Damaged, "read what is kept elsewhere", "Restore the last backup.", errors.New("it cannot be read"))
	}
	return t, err
}

// recordAll records everybody when other types are turned on, or another receiver
// takes them. It can be interrupted: who was recorded is not again.
func (c *Clinic) recordAll(ctx context.Context) error {
	var t turned
	err := c.view(ctx, func(r kv.Reader) (err error) {
		t, err = readTurned(r)
		return err
	})
	want := c.o.Records.told()
	if err != nil || t.Told == want {
		return err
	}
	if want != "" {
		if err := c.recordPages(ctx, fmt.Sprintf("all-%d", t.N+1)); err != nil {
			return err
		}
	}
	text, err := json.Marshal(turned{1, t.N + 1, want})
	if err != nil {
		return err
	}
	return c.o.DB.Update(ctx, func(tx kv.Tx) error { return tx.Put(turnedKey(), text) })
}

func (c *Clinic) recordPages(ctx context.Context, what string) error {
	var page, next store.Page
	for more := true; more; {
		err := c.o.DB.Update(ctx, func(tx kv.Tx) error {
			at := page // the function may run again
			lines, rest, err := store.Lines(tx, &at, pageSize)
			for i := 0; err == nil && i < len(lines); i++ {
				err = c.recorded(tx, lines[i].Patient, what)
			}
			next, more = at, rest
			return err
		})
		if err != nil {
			return err
		}
		page = next
	}
	return nil
}
