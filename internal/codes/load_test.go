package codes_test

import (
	"testing"

	"perennial/config"
	"perennial/internal/codes"
)

func load(t testing.TB, site ...string) *codes.Book {
	t.Helper()
	var docs []codes.Document
	for _, s := range site {
		docs = append(docs, codes.Document{Name: "site.yaml", Data: []byte(s)})
	}
	b, ps := codes.Load(config.Files, docs...)
	for _, p := range ps {
		t.Error(p)
	}
	if b == nil {
		t.FailNow()
	}
	return b
}

func TestShippedBookLoads(t *testing.T) {
	t.Parallel()
	b := load(t)
	t.Log(len(b.Entries()), "codes", b.Hash())
}
