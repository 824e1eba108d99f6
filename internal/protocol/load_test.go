package protocol_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/yamldoc"
)

func TestLoad(t *testing.T) {
	t.Parallel()
	good := read(t, "good-small.yaml")
	set, problems := protocol.Load(fstest.MapFS{
		"a.yaml":      {Data: good},
		"b.yaml":      {Data: read(t, "migration-10mm.yaml")},
		"notes.txt":   {Data: []byte("not read")},
		"sub/c.yaml":  {Data: []byte("not read")},
		"broken.yaml": {Data: []byte("id: [")},
		"twin.yaml":   {Data: good},
	})
	if ids := strings.Join(set.IDs(), " "); ids != "migration-10mm small" {
		t.Errorf("ids %q", ids)
	}
	all := yamldoc.Problems(problems).Error()
	if len(problems) != 2 || !strings.Contains(all, "broken.yaml:1:") || !strings.Contains(all, `twin.yaml: id: the protocol id "small" is used by a.yaml too`) {
		t.Errorf("says %s", all)
	}
	if ids := strings.Join(set.ForClass("evar"), " "); ids != "migration-10mm small" {
		t.Errorf("for evar %q", ids)
	}
	if ids := set.ForClass("tevar"); len(ids) > 0 {
		t.Errorf("for tevar %q", ids)
	}
}

func TestLoadOfAnEmptyFolder(t *testing.T) {
	t.Parallel()
	set, problems := protocol.Load(fstest.MapFS{"readme.txt": {}})
	if len(set) != 0 || len(problems) != 1 || problems[0].Text != "no protocol (*.yaml) is in this folder" {
		t.Errorf("%v, %v", set, problems)
	}
}

func TestRepeatID(t *testing.T) {
	t.Parallel()
	for want, s := range map[string]protocol.Series{
		"y2": {Prefix: "y", Repeat: &protocol.Repeat{From: day.Offset{Months: 24}}}, "aorta5": {Prefix: "aorta", Repeat: &protocol.Repeat{From: day.Offset{Months: 60}}},
		"half1": {Prefix: "half", Repeat: &protocol.Repeat{From: day.Offset{Months: 18}}},
	} {
		if got := s.RepeatID(s.Repeat.From); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	doc := read(b, "good-small.yaml")
	for b.Loop() {
		if p, _ := protocol.Parse("f.yaml", doc); p == nil {
			b.Fatal("refused")
		}
	}
}
