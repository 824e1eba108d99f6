package store

import (
	"bytes"
	"slices"

	"perennial/internal/kv"
)

// Page is a place in a list: what comes after it is still to be read. The zero
// Page is the beginning.
type Page struct{ after []byte }

// scan visits up to limit pairs with a prefix that come after the page. It says
// whether there may be more; the page then stands at the last pair visited.
func (p *Page) scan(r kv.Reader, limit int, visit func(key, text []byte) error, prefix ...any) (more bool, err error) {
	from, to := kv.Prefix(prefix...)
	if p.after != nil && bytes.Compare(p.after, from) >= 0 {
		from = append(slices.Clone(p.after), 0)
	}
	if bytes.Compare(from, to) >= 0 {
		return false, nil
	}
	n := 0
	var at []byte
	err = r.Scan(from, to, func(key, text []byte) error {
		if n >= limit {
			more = true
			return kv.Stop
		}
		n++
		at = append(at[:0], key...)
		return visit(key, text)
	})
	if n > 0 {
		p.after = at
	}
	return more, err
}

// ListFate lists records of a fate, looking at up to limit of all from the page
// on, and moves the page. More: there may be others.
func ListFate(r kv.Reader, fate Fate, p *Page, limit int) (list []Record, more bool, err error) {
	kinds := []string{"rec"}
	switch fate {
	case FateNotRelevant:
		kinds = []string{"skip", "rec"}
	case FateQuarantined:
		kinds = []string{"raw", "rec"}
	}
	slices.Sort(kinds)
	for _, kind := range kinds {
		_, end := kv.Prefix(kind)
		if bytes.Compare(p.after, end) >= 0 {
			continue
		}
		more, err = p.scan(r, limit, func(_, text []byte) error {
			f, unread, err := fateOf(text)
			if err != nil || f != fate || kind == "rec" && unread {
				return err
			}
			rec, err := decodeRecord(text)
			list = append(list, rec)
			return err
		}, kind)
		if err != nil || more {
			return list, more, err
		}
	}
	return list, false, nil
}
