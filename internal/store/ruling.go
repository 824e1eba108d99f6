package store

import (
	"errors"

	"perennial/internal/chart"
	"perennial/internal/fault"
	"perennial/internal/kv"
)

// rulingRecord is how a ruling is stored.
type rulingRecord struct {
	V int `json:"v"`
	chart.Ruling
}

func rulingKey(patient, id string) []byte { return kv.Key("ruling", part(patient), part(id)) }
func rulingIDKey(id string) []byte        { return kv.Key("ruling-id", part(id)) }

// PutRuling stores a ruling. A ruling with the id of another is fault.Conflict,
// unless it is the same but for being taken back.
func (w *Writer) PutRuling(r chart.Ruling) error {
	have, found, err := FindRuling(w.Tx, r.ID)
	if err != nil {
		return err
	}
	if found {
		was, now := have, r
		was.TakenBack, now.TakenBack = nil, nil
		if was != now || have.TakenBack != nil && r.TakenBack == nil {
			return fault.New(fault.Conflict, "store a ruling", "Give the new one another id.", errors.New("there is another with this id"))
		}
	}
	if err := w.putText(rulingIDKey(r.ID), []byte(r.Patient)); err != nil {
		return err
	}
	return w.put(rulingKey(r.Patient, r.ID), rulingRecord{1, r})
}

// FindRuling reads a ruling by its id; false where there is none.
func FindRuling(r kv.Reader, id string) (chart.Ruling, bool, error) {
	patient, err := r.Get(rulingIDKey(id))
	if err != nil || patient == nil {
		return chart.Ruling{}, false, err
	}
	var rec rulingRecord
	found, err := get(r, rulingKey(string(patient), id), &rec)
	if err == nil && !found {
		err = damaged("a ruling is missing")
	}
	return rec.Ruling, found, err
}

// RulingsOf lists the rulings on a patient's record, by id, those taken back
// too.
func RulingsOf(r kv.Reader, patient string) ([]chart.Ruling, error) {
	var list []chart.Ruling
	from, to := kv.Prefix("ruling", part(patient))
	err := r.Scan(from, to, func(_, text []byte) error {
		var rec rulingRecord
		err := decode(text, &rec)
		list = append(list, rec.Ruling)
		return err
	})
	return list, err
}

// Rulings lists up to limit rulings from the page on, by patient and id, and
// moves the page.
func Rulings(r kv.Reader, p *Page, limit int) (list []chart.Ruling, more bool, err error) {
	more, err = p.scan(r, limit, func(_, text []byte) error {
		var rec rulingRecord
		err := decode(text, &rec)
		list = append(list, rec.Ruling)
		return err
	}, "ruling")
	return list, more, err
}
