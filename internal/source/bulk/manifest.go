package bulk

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"perennial/internal/fault"
)

// manifest is what an export has.
type manifest struct {
	Moment string // transactionTime, as sent
	Login  bool   // requiresAccessToken
	Files  []file // in the order in which they are read
}

// file is one file of an export.
type file struct {
	kind  kind
	typ   string
	url   string
	mark  string // tells it from the others; survives that its address is signed anew
	count int    // lines; -1: the manifest does not say
}

// kind says what the lines of a file are.
type kind uint8

const (
	resources kind = iota
	deletions      // Bundles of DELETE requests
	outcomes       // OperationOutcomes
)

// parseManifest reads a manifest. Files of types that were not asked for are left out.
func parseManifest(text []byte, types []string) (manifest, error) {
	type item struct {
		Type, URL string
		Count     *int
	}
	var m struct {
		TransactionTime        string
		RequiresAccessToken    bool
		Output, Deleted, Error []item
		Link                   []struct{ Relation string }
	}
	err := json.Unmarshal(text, &m)
	if err == nil {
		_, err = time.Parse(time.RFC3339Nano, m.TransactionTime)
	}
	switch {
	case err != nil:
		return manifest{}, spoilt("its manifest cannot be read")
	case len(m.Link) > 0 && slices.ContainsFunc(m.Link, func(l struct{ Relation string }) bool { return l.Relation == "next" }):
		return manifest{}, spoilt("its manifest has several pages, which was not asked for")
	}
	out := manifest{Moment: m.TransactionTime, Login: m.RequiresAccessToken}
	for i, list := range [][]item{m.Output, m.Deleted, m.Error} {
		for _, f := range list {
			if strings.TrimSpace(f.URL) == "" {
				return manifest{}, spoilt("its manifest names a file without an address")
			}
			one := file{kind: kind(i), typ: f.Type, url: f.URL, count: -1}
			if f.Count != nil && *f.Count >= 0 {
				one.count = *f.Count
			}
			if one.kind != resources || one.typ == "" || slices.Contains(types, one.typ) {
				out.Files = append(out.Files, one)
			}
		}
	}
	out.order(types)
	out.marks()
	return out, nil
}

// order sorts by kind, then by type as it is best read.
func (m *manifest) order(types []string) {
	slices.SortStableFunc(m.Files, func(a, b file) int {
		if a.kind != b.kind {
			return int(a.kind) - int(b.kind)
		}
		return slices.Index(types, a.typ) - slices.Index(types, b.typ)
	})
}

// marks marks the files by their addresses, without what comes after the question mark if they differ without it too:
// it may be a signature that changes each time the manifest is asked for.
func (m *manifest) marks() {
	plain := map[string]int{}
	whole := map[string]bool{}
	for _, f := range m.Files {
		if !whole[f.url] {
			before, _, _ := strings.Cut(f.url, "?")
			plain[before]++
		}
		whole[f.url] = true
	}
	signed := len(plain) == len(whole)
	for i := range m.Files {
		f := &m.Files[i]
		address := f.url
		if signed {
			address, _, _ = strings.Cut(address, "?")
		}
		f.mark = mark(address)
	}
}

// spoilt says why an export is of no use.
func spoilt(what string) error {
	return fault.New(fault.Invalid, "read export", "Another export is begun. If this goes on, ask the server's administrator.", errors.New(what))
}
