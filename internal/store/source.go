package store

import (
	"encoding/json"
	"time"

	"perennial/internal/kv"
)

// Source is where resources come from.
type Source struct {
	Name    string    `json:"name"`
	Cursor  string    `json:"cursor,omitempty"` // how far it was read, in its own words
	Success time.Time `json:"success,omitzero"` // when it was last read to its end
	Tried   time.Time `json:"tried,omitzero"`   // when that was last tried
	Error   string    `json:"error,omitempty"`  // why the last try failed; it names no patient
	Waits   string    `json:"waits,omitempty"`  // what it waited for when it was last tried; it names no patient
	Seen    int64     `json:"seen,omitempty"`   // resources that it gave, again and again counted
	New     int64     `json:"new,omitempty"`    // those that were new
}

type sourceRecord struct {
	V int `json:"v"`
	Source
}

// ReadSource reads a source; one that was never used has a name only.
func ReadSource(r kv.Reader, name string) (Source, error) {
	rec := sourceRecord{Source: Source{Name: name}}
	_, err := get(r, kv.Key("source", part(name)), &rec)
	return rec.Source, err
}

// Sources lists all sources by name.
func Sources(r kv.Reader) ([]Source, error) {
	var list []Source
	from, to := kv.Prefix("source")
	err := r.Scan(from, to, func(_, text []byte) error {
		var rec sourceRecord
		err := decode(text, &rec)
		list = append(list, rec.Source)
		return err
	})
	return list, err
}

// PutSource stores a source. It does not count as a change: that a source was
// read again and gave nothing new leaves no other trace.
func (w *Writer) PutSource(s Source) error {
	text, err := json.Marshal(sourceRecord{1, s})
	if err != nil {
		return err
	}
	_, err = putText(w.Tx, kv.Key("source", part(s.Name)), text)
	return err
}
