package rest

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"

	"perennial/internal/fault"
)

// place is how far a type (or, patient by patient, everything) was read.
type place struct {
	From    time.Time `json:"from,omitzero"`     // changes are asked for from here
	Full    time.Time `json:"full,omitzero"`     // when everything was last read and nothing was missing; zero: that is owed
	Tried   int       `json:"tried,omitempty"`   // polls since, while it is owed
	Count   int       `json:"count,omitempty"`   // resources that there were then
	Stamped bool      `json:"stamped,omitempty"` // the server says when each was changed
	Lenient bool      `json:"lenient,omitempty"` // the server does not bear to be asked strictly; tried again with everything
	Parts   bool      `json:"parts,omitempty"`   // the server gives parts of resources, see Source.offers
	Read    []string  `json:"read,omitempty"`    // patients of whom everything was read; only in the place "patients"
	Again   []string  `json:"again,omitempty"`   // patients of whom something did not come
	Types   []string  `json:"types,omitempty"`   // types that were read of the patients in Read; only in the place "patients"
	Bare    bool      `json:"bare,omitempty"`    // the server finds patients by the bare id only; only in the place "patients"
	What    string    `json:"what,omitempty"`    // see Source.what; only in the place "server"
}

// places are those of all types.
type places map[string]place

// parse reads a cursor. In older ones a place was its From alone: everything is then read once more.
func parse(cursor string) (places, error) {
	all := places{}
	if cursor == "" {
		return all, nil
	}
	var raw map[string]json.RawMessage
	err := json.Unmarshal([]byte(cursor), &raw)
	for typ, text := range raw {
		var p place
		if len(text) > 0 && text[0] == '"' {
			err = join(err, json.Unmarshal(text, &p.From))
		} else {
			err = join(err, json.Unmarshal(text, &p))
		}
		all[typ] = p
	}
	if err != nil {
		return nil, fault.New(fault.Damaged, "read cursor", "Forget the cursor of this source: everything is then read again.", err)
	}
	return all, nil
}

// serverPlace is where the cursor keeps which server it is of.
const serverPlace = "server"

// of gives the places if they are of this server: how far another was read says nothing of it. Whoever was read there,
// patient by patient, is asked for here too, listed or not: it may be the same server under another address. Older
// cursors do not say whose they are.
func (all places) of(what string) places {
	if was := all[serverPlace].What; was != "" && was != what {
		before := all[patientsPlace]
		all = places{}
		if ids := slices.Concat(before.Read, before.Again); len(ids) > 0 {
			slices.Sort(ids)
			all[patientsPlace] = place{Again: slices.Compact(ids), Bare: before.Bare}
		}
	}
	all[serverPlace] = place{What: what}
	return all
}

// what marks the server and what is searched for there.
func (s *Source) what() string {
	sum := sha256.Sum256([]byte(s.client.Base() + "\n" + s.o.Params.Encode()))
	return hex.EncodeToString(sum[:8])
}

func join(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// write gives the cursor, types in order.
func (all places) write() string {
	utc := make(places, len(all))
	for typ, p := range all {
		p.From, p.Full = p.From.UTC(), p.Full.UTC()
		utc[typ] = p
	}
	b, _ := json.Marshal(utc) // times of four-digit years never fail
	return string(b)
}

// full says whether everything is to be read, not only what changed: at the first time, where a reading of
// everything is owed (at each of three polls, then at every third, so that a server that never agrees with itself is not
// worn out), and when the last one is too old.
func (p place) full(every time.Duration) bool {
	switch {
	case p.From.IsZero():
		return true
	case p.Full.IsZero():
		return p.Tried < 3 || p.Tried%3 == 0
	}
	return every > 0 && p.From.Sub(p.Full) >= every && (p.Tried < 3 || p.Tried%3 == 0)
}

// has says whether a type was read before.
func (all places) has(typ string) bool {
	p, ok := all[typ]
	return ok && !p.From.IsZero() || slices.Contains(all[patientsPlace].Types, typ)
}

// cover says whether all these types were read before.
func (all places) cover(types []string) bool {
	for _, typ := range types {
		if !all.has(typ) {
			return false
		}
	}
	return true
}
