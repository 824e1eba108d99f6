package rest

import (
	"encoding/json"
	"hash/maphash"
	"strings"
	"time"

	"perennial/internal/fhir"
)

// row is what is looked at in an entry before it is handed on.
type row struct {
	ResourceType string `json:"resourceType"`
	ID           string `json:"id"`
	Meta         struct {
		LastUpdated string `json:"lastUpdated"`
		Tag         []struct {
			Code string `json:"code"`
		} `json:"tag"`
	} `json:"meta"`
	body    []byte
	updated time.Time // zero: the server does not say
}

// readRow reads an entry. What is no resource with a type and an id is not ok: it is handed on as it is, so that
// whoever reads it can say what is wrong.
func readRow(body []byte) (r row, ok bool) {
	if json.Unmarshal(body, &r) != nil || r.ResourceType == "" || r.ID == "" {
		return row{}, false
	}
	r.body = body
	r.updated, _ = time.Parse(time.RFC3339Nano, r.Meta.LastUpdated)
	return r, true
}

// tagged says that the row is marked as a part of a resource.
func (r row) tagged() bool {
	for _, tag := range r.Meta.Tag {
		if tag.Code == "SUBSETTED" {
			return true
		}
	}
	return false
}

// hollow says that the row is not the whole resource: an id with nothing behind it, as some servers show what was
// deleted, or a part, marked as such.
func (r row) hollow() bool { return r.tagged() || r.empty() }

// empty says that there is an id and nothing behind it.
func (r row) empty() bool {
	if len(r.body) > 1000 {
		return false
	}
	var members map[string]json.RawMessage
	if json.Unmarshal(r.body, &members) != nil {
		return false
	}
	for _, name := range []string{"resourceType", "id", "meta", "implicitRules", "language", "text"} {
		delete(members, name)
	}
	return len(members) == 0
}

// otherCase gives the id in the entry's address where that differs from the resource's in upper and lower case alone:
// one of the two is wrong, and the address is what the server can be asked with.
func (r row) otherCase(fullURL string) (id string, differs bool) {
	id = fullURL[strings.LastIndexByte(fullURL, '/')+1:]
	return id, id != r.ID && strings.EqualFold(id, r.ID)
}

// seen is what a reading remembers of one resource.
type seen struct {
	sum    uint64    // of the body handed on last
	newest time.Time // of its versions
}

// ledger holds the resources of one type that a reading found.
type ledger struct {
	rows map[string]seen
	seed maphash.Seed
}

func newLedger() *ledger { return &ledger{map[string]seen{}, maphash.MakeSeed()} }

// add notes a row, and says whether it differs from what was there before.
func (l *ledger) add(r row) bool {
	s := seen{maphash.Bytes(l.seed, r.body), r.updated}
	was, had := l.rows[r.ID]
	if was.newest.After(s.newest) {
		s.newest = was.newest
	}
	l.rows[r.ID] = s
	return !had || was.sum != s.sum
}

// note notes an id of which no body was taken.
func (l *ledger) note(id string) {
	if _, had := l.rows[id]; !had {
		l.rows[id] = seen{}
	}
}

// older says whether there is a resource that did not change since a moment.
func (l *ledger) older(than time.Time) bool {
	for _, s := range l.rows {
		if !s.newest.IsZero() && s.newest.Before(than) {
			return true
		}
	}
	return false
}

// raw is how a row is handed on.
func (s *Source) raw(typ string, line int, fullURL string, body []byte) fhir.Raw {
	return fhir.Raw{File: s.o.Name + "/" + typ, Line: line, FullURL: fullURL, Body: body}
}
