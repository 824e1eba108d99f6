package clinic_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"testing"

	"perennial/internal/audit"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// state is everything at the end of a stage: the store, its sums counted from the
// records, and what arrived.
type state struct {
	sums                 store.Sums
	store, files, server map[string]string
}

// state reads everything.
func (l *life) state(where string, sums store.Sums) state {
	l.t.Helper()
	db, err := boltkv.Open(filepath.Join(l.dir, crashStore))
	must(l.t, err)
	defer func() { must(l.t, db.Close()) }()
	s := state{sums: sums}
	var litter []string
	s.store = content(l.t, db)
	s.server, _ = l.peer.arrived()
	s.files, _, litter = filed(l.t, filepath.Join(l.dir, crashOut))
	for _, pattern := range []string{".*", "tmp/*", "*/.*"} {
		more, err := filepath.Glob(filepath.Join(l.dir, pattern))
		must(l.t, err)
		litter = append(litter, more...)
	}
	if len(litter) > 0 {
		l.t.Errorf("%s: files are left behind: %q", where, litter)
	}
	return s
}

// repeated counts the items that had to be tried more than once.
func (l *life) repeated() (n int) {
	l.t.Helper()
	db, err := boltkv.Open(filepath.Join(l.dir, crashStore))
	must(l.t, err)
	defer func() { must(l.t, db.Close()) }()
	for _, it := range items(l.t, db, outbox.Sent) {
		if it.Attempts > 1 {
			n++
		}
	}
	return n
}

// compare compares two states, apart from times.
func compare(t *testing.T, where string, got, want state) {
	t.Helper()
	if got.sums != want.sums {
		t.Errorf("%s: the sums are %+v, want %+v", where, got.sums, want.sums)
	}
	same(t, where+": the store", got.store, want.store)
	same(t, where+": files", got.files, want.files)
	same(t, where+": the server", got.server, want.server)
}

func same(t *testing.T, where string, got, want map[string]string) {
	t.Helper()
	bad := 0
	note := func(key, what string) {
		if bad++; bad <= 5 {
			t.Errorf("%s: %q %s", where, key, what)
		}
	}
	for key, text := range want {
		switch have, ok := got[key]; {
		case !ok:
			note(key, "is lost: "+cut(text))
		case timeless(t, have) != timeless(t, text):
			note(key, "differs:\n"+cut(timeless(t, have))+"\n"+cut(timeless(t, text)))
		}
	}
	for key, text := range got {
		if _, ok := want[key]; !ok {
			note(key, "is too much: "+cut(text))
		}
	}
	if bad > 5 {
		t.Errorf("%s: %d differences in all", where, bad)
	}
}

// cut makes a value short enough to be read.
func cut(text string) string {
	const most = 1500
	return text[:min(len(text), most)]
}

// content gives everything in a store. Of the audit trail it says what is in it
// and how often: in which order things are sent depends on what had to be tried
// again.
func content(t *testing.T, db kv.DB) map[string]string {
	t.Helper()
	all := dump(t, db)
	from, to := kv.Prefix("audit")
	maps.DeleteFunc(all, func(key, _ string) bool { return key >= string(from) && key < string(to) })
	must(t, db.View(t.Context(), func(r kv.Reader) error {
		list, err := audit.List(r, 1, 1<<20)
		count := map[string]int{}
		for _, e := range list {
			key := fmt.Sprintf("audit: %s, %s, %s, %s", e.Actor, e.Action, e.About, e.Detail)
			count[key]++
			all[key] = fmt.Sprint(count[key], " times")
		}
		return err
	}))
	return all
}

// timeless writes a value without when things happened, how often they were
// tried, and the numbers that a server gives.
func timeless(t *testing.T, text string) string {
	t.Helper()
	if text == "" || text[0] != '{' {
		return text
	}
	var v map[string]any
	must(t, json.Unmarshal([]byte(text), &v))
	still(v)
	out, err := json.Marshal(v)
	must(t, err)
	return string(out)
}

// still takes out of a value what may differ.
func still(v any) {
	switch v := v.(type) {
	case map[string]any:
		if v["resourceType"] == "Task" {
			delete(v, "id")
		}
		for name, below := range v {
			if still(below); slices.Contains(moving(), name) {
				delete(v, name)
			}
		}
	case []any:
		for _, below := range v {
			still(below)
		}
	}
}

// moving are the members that say when, and how often it was tried.
func moving() []string {
	return []string{"at", "made", "changed", "authored", "modified", "authoredOn", "lastModified", "added", "tried", "done", "next", "attempts", "receipt", "receipts", "live"}
}
