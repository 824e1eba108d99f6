// Package emit says what of a patient's plan is to stand elsewhere as FHIR
// resources, and keeps what is known of those that do. It is what package
// fhirrecord asks: it renders by package export what is stored, and decides nothing.
//
// # Keys
//
//	"emitted", receiver, patient → JSON of a fhirrecord.Ledger
package emit

import (
	"context"
	"encoding/json"
	"errors"
	"slices"

	"perennial/internal/carrier/fhirrecord"
	"perennial/internal/carrier/fhirtask"
	"perennial/internal/chart"
	"perennial/internal/export"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/kv"
	"perennial/internal/outbox"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Options say what is emitted, and where to.
type Options struct {
	DB       kv.DB
	Site     string // id of the store
	Version  string // of this program
	Receiver string // name of the way out
	Types    []string
	Known    func() []*protocol.Protocol // by which plans are made
	// Tasks are the names of the ways out for Tasks, the present one first: by what
	// they said, the Tasks are found of which a Provenance tells. None: Tasks are
	// named by their identifiers.
	Tasks []string
	// Files says that resources are written to files: they have ids of ours, by which
	// they refer to one another.
	Files bool
}

// Records gives the callbacks of a carrier.
func Records(o Options) fhirrecord.Options {
	var types []string
	for _, typ := range export.Emitted() { // in their order
		if slices.Contains(o.Types, typ) {
			types = append(types, typ)
		}
	}
	o.Types = types
	return fhirrecord.Options{Types: types, State: o.state, Load: o.load, Keep: o.keep}
}

// state renders what is stored of a patient. A patient without a plan has nothing.
func (o Options) state(ctx context.Context, patient string) (s fhirrecord.State, err error) {
	err = o.DB.View(ctx, func(r kv.Reader) error {
		s = fhirrecord.State{}
		kept, found, err := store.ReadKept(r, patient)
		if err != nil || !found {
			return err
		}
		p := &person{o: &o, r: r, plan: kept.Plan, patient: patient}
		p.how = export.Options{Site: o.Site, At: kept.Changed, Protocols: o.Known(), Emitted: true, ByIdentifier: !o.Files, Version: o.Version, Only: append(slices.Clone(o.Types), "Task")}
		if err := p.all(); err != nil {
			return err
		}
		s = fhirrecord.State{Resources: p.list, Finished: export.Finished(&p.how, p.plan)}
		return nil
	})
	return s, err
}

// person is the rendering of one patient.
type person struct {
	o       *Options
	r       kv.Reader
	patient string
	plan    *surveil.Plan
	how     export.Options
	list    []fhirrecord.Resource
}

func (p *person) all() error {
	list, err := export.Plan(&p.how, p.plan)
	if err != nil {
		return err
	}
	if slices.Contains(p.o.Types, "Communication") {
		rulings, err := p.rulings()
		if err != nil {
			return err
		}
		about := ""
		if len(p.plan.Implants) > 0 {
			about = export.CarePlanID(&p.how, p.plan, p.plan.Implants[0].ID)
		}
		more, err := export.Attempts(&p.how, p.plan, about, rulings)
		if err != nil {
			return err
		}
		list = append(list, more...)
	}
	if slices.Contains(p.o.Types, "Provenance") {
		more, err := p.tasks()
		if err != nil {
			return err
		}
		list = append(list, more...)
	}
	for _, r := range list {
		p.list = append(p.list, fhirrecord.Resource{Type: r.Type, Key: r.ID, System: export.SystemOf(r.Type, p.o.Site), Status: r.Status, Body: r.Body})
	}
	return nil
}

// rulings are those on the patient's record and on those that were merged into it.
func (p *person) rulings() (list []chart.Ruling, err error) {
	line, _, err := store.ReadLine(p.r, p.patient)
	if err != nil {
		return nil, err
	}
	for _, key := range append([]string{p.patient}, line.Others...) {
		some, err := store.RulingsOf(p.r, key)
		if err != nil {
			return nil, err
		}
		for _, r := range some {
			if !slices.ContainsFunc(list, func(have chart.Ruling) bool { return have.ID == r.ID }) {
				list = append(list, r)
			}
		}
	}
	return list, nil
}

// tasks writes the Provenance of the Tasks that are there.
func (p *person) tasks() (list []export.Resource, err error) {
	items, err := store.ItemsOf(p.r, p.patient)
	if err != nil {
		return nil, err
	}
	for i := range items {
		id := fhir.Token(p.o.Site, items[i].Key)
		target, err := p.task(items[i].Key, id)
		if err != nil {
			return nil, err
		}
		if target.IsZero() {
			continue
		}
		more, err := export.Why(&p.how, target, id, items[i].Work.Why)
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	return list, nil
}

// task refers to the Task of an item; nothing where it was not sent.
func (p *person) task(key, id string) (fhir.Reference, error) {
	if len(p.o.Tasks) == 0 {
		return fhir.Reference{Type: "Task", Identifier: &fhir.Identifier{System: fhir.TokenSystem(p.o.Site), Value: id}}, nil
	}
	for _, name := range p.o.Tasks {
		receipt, err := outbox.LastReceipt(p.r, key, name)
		if ref := fhirtask.RefOf(receipt); err != nil || ref != "" {
			return fhir.Reference{Reference: ref, Type: "Task"}, err
		}
	}
	return fhir.Reference{}, nil
}

func (o Options) ledgerKey(patient string) []byte {
	return kv.Key("emitted", fhir.Token("receiver", o.Receiver), fhir.Token(o.Site, patient))
}

// kept is how a ledger is stored.
type kept struct {
	V       int               `json:"v"`
	Entries fhirrecord.Ledger `json:"entries"`
}

func (o Options) load(ctx context.Context, patient string) (l fhirrecord.Ledger, err error) {
	err = o.DB.View(ctx, func(r kv.Reader) error {
		text, err := r.Get(o.ledgerKey(patient))
		if err != nil || text == nil {
			l = nil
			return err
		}
		var k kept
		if json.Unmarshal(text, &k) != nil || k.V != 1 {
			return fault.New(fault.Damaged, "read what was emitted", "Restore the last backup.", errors.New("it cannot be read"))
		}
		l = k.Entries
		return nil
	})
	return l, err
}

func (o Options) keep(ctx context.Context, patient string, l fhirrecord.Ledger) error {
	text, err := json.Marshal(kept{1, l})
	if err != nil {
		return err
	}
	return o.DB.Update(ctx, func(tx kv.Tx) error { return tx.Put(o.ledgerKey(patient), text) })
}
