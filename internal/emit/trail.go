package emit

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"perennial/internal/audit"
	"perennial/internal/carrier/fhirrecord"
	"perennial/internal/export"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// Trail writes what the audit trail says about patients as AuditEvents: a file a day
// (UTC), with a line for each. It begins where the trail ends when it is turned on,
// and goes on from its own place, so that nothing is written twice or passed over,
// whenever the program was stopped.
type Trail struct {
	DB    kv.DB
	Site  string // id of the store
	Files *fhirrecord.Files
}

// trailBatch is how many entries are written at once.
const trailBatch = 1000

func trailKey() []byte { return kv.Key("emitted", "trail") }

// place is how far the trail was written.
type place struct {
	V   int    `json:"v"`
	Seq uint64 `json:"seq"`
}

// Write writes what is new.
func (t Trail) Write(ctx context.Context) error {
	for {
		days, from, upto, err := t.next(ctx)
		if err != nil || upto == from {
			return err
		}
		for _, d := range days {
			if err := t.Files.Add("auditevent-"+d.name+".ndjson", d.list); err != nil {
				return err
			}
		}
		err = t.DB.Update(ctx, func(tx kv.Tx) error { return putPlace(tx, upto) })
		if err != nil {
			return err
		}
	}
}

// trailDay is what happened on one day.
type trailDay struct {
	name string
	list []fhirrecord.Resource
}

// next reads what comes next; upto is from where nothing does.
func (t Trail) next(ctx context.Context) (days []trailDay, from, upto uint64, err error) {
	err = t.DB.Update(ctx, func(tx kv.Tx) error { // the first time notes where the trail ends
		days = nil
		if from, err = readPlace(tx); err != nil {
			return err
		}
		list, err := audit.List(tx, from+1, trailBatch)
		if upto = from; err != nil {
			return err
		}
		for i := range list {
			upto = list[i].Seq
			all, err := happened(tx, &list[i])
			if err != nil {
				return err
			}
			for part := range all {
				event, err := t.event(tx, &list[i], part, all[part])
				if err != nil {
					return err
				}
				days = addTo(days, list[i].At.UTC().Format(time.DateOnly), event)
			}
		}
		return nil
	})
	return days, from, upto, err
}

func addTo(days []trailDay, name string, r fhirrecord.Resource) []trailDay {
	i := slices.IndexFunc(days, func(d trailDay) bool { return d.name == name })
	if i < 0 {
		i, days = len(days), append(days, trailDay{name: name})
	}
	days[i].list = append(days[i].list, r)
	return days
}

// readPlace reads how far the trail was written; the first time that is its end.
func readPlace(tx kv.Tx) (uint64, error) {
	text, err := tx.Get(trailKey())
	if err != nil {
		return 0, err
	}
	if text == nil {
		head, err := audit.ReadHead(tx)
		if err != nil {
			return 0, err
		}
		return head.Seq, putPlace(tx, head.Seq)
	}
	var p place
	if json.Unmarshal(text, &p) != nil || p.V != 1 {
		return 0, fault.New(fault.Damaged, "read how far the audit trail was written", "Restore the last backup.", errors.New("it cannot be read"))
	}
	return p.Seq, nil
}

func putPlace(tx kv.Tx, seq uint64) error {
	text, err := json.Marshal(place{1, seq})
	if err != nil {
		return err
	}
	return tx.Put(trailKey(), text)
}

// event renders one thing that an entry tells.
func (t Trail) event(r kv.Reader, e *audit.Entry, part int, h export.Happened) (fhirrecord.Resource, error) {
	line, _, err := store.ReadLine(r, h.Patient)
	if err != nil {
		return fhirrecord.Resource{}, err
	}
	h.Seq, h.Part, h.At, h.Identifiers = e.Seq, part, e.At, line.Identifiers
	event, err := export.AuditEvent(&export.Options{Site: t.Site}, h)
	return fhirrecord.Resource{Type: event.Type, Key: event.ID, Body: event.Body}, err
}

// happened lists what an entry tells about patients.
func happened(r kv.Reader, e *audit.Entry) ([]export.Happened, error) {
	switch e.Action {
	case "ruling":
		return decided(e)
	case "ruling.taken-back":
		ruling, found, err := store.FindRuling(r, e.About)
		if err != nil || !found {
			return nil, err
		}
		return []export.Happened{{Who: e.Actor, Patient: ruling.Patient, Decision: ruling.ID}}, nil
	case outbox.KindTask + "." + string(outbox.Sent), outbox.KindTask + "." + string(outbox.Failed):
		return sent(r, e)
	}
	return nil, nil
}

// decided are the rulings of an entry: an old list is one entry with many.
func decided(e *audit.Entry) (list []export.Happened, err error) {
	var all []struct{ ID, Patient string }
	if json.Unmarshal(e.Detail, &all) != nil || len(all) == 0 {
		return nil, fault.New(fault.Damaged, "read the audit trail", "Restore the last backup.", errors.New("a decision does not say what was decided"))
	}
	for _, d := range all {
		list = append(list, export.Happened{Who: e.Actor, Made: true, Patient: d.Patient, Decision: d.ID})
	}
	return list, nil
}

// sent is a Task that was written to where Tasks go, or could not be.
func sent(r kv.Reader, e *audit.Entry) ([]export.Happened, error) {
	it, err := outbox.Get(r, e.About)
	if err != nil && fault.KindOf(err) != fault.NotFound {
		return nil, err
	}
	if strings.HasPrefix(it.Receipt, outbox.Nothing) {
		return nil, nil
	}
	h := export.Happened{Patient: strings.TrimPrefix(it.About, "Patient/"), Task: it.Thread, Made: strings.Contains(it.Receipt, " created"), Failed: strings.HasSuffix(e.Action, string(outbox.Failed))}
	if h.Task == "" || h.Patient == "" { // no longer known: its key still says whose it is
		h.Task = e.About
		h.Patient, _, _ = strings.Cut(e.About, "|")
	}
	return []export.Happened{h}, nil
}
