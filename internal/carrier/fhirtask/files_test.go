package fhirtask_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/outbox"
)

func TestFiles(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	dir := filepath.Join(top, "out[1]", "tasks")
	f := fhirtask.NewFiles(dir, site)
	all := filepath.Join(top, "all.ndjson")
	if n, err := f.Gather(all); n != 0 || err != nil {
		t.Error(n, err)
	}
	for range 2 {
		for _, n := range every() {
			receipt, err := f.Carry(t.Context(), wrap(t, n))
			if err != nil || strings.Contains(receipt, "p1") || !strings.HasPrefix(receipt, "task-") {
				t.Fatalf("%q %v", receipt, err)
			}
		}
	}
	n, err := f.Gather(all)
	if err != nil || n != len(every()) {
		t.Fatal(n, err)
	}
	text, err := os.ReadFile(all)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
	if len(lines) != n {
		t.Errorf("%d lines, %d Tasks", len(lines), n)
	}
	for _, line := range lines {
		if problems := fhir.Lint(line); len(problems) > 0 {
			t.Errorf("%v\n%s", problems, line)
		}
	}
	if !strings.Contains(string(text), `"status":"on-hold"`) { // what a person set is shown
		t.Error("no Task on hold")
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != n {
		t.Errorf("%d files, %v", len(entries), err)
	}
	info, err := os.Stat(filepath.Join(dir, entries[0].Name()))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
}

// The file follows the item.
func TestFileIsReplaced(t *testing.T) {
	t.Parallel()
	f := fhirtask.NewFiles(t.TempDir(), site)
	a, err1 := f.Carry(t.Context(), wrap(t, item()))
	b, err2 := f.Carry(t.Context(), wrap(t, done()))
	if a != b || err1 != nil || err2 != nil {
		t.Error(a, b, err1, err2)
	}
}

func TestFilesErrors(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	f := fhirtask.NewFiles(filepath.Join(path, "tasks"), site)
	if _, err := f.Carry(t.Context(), wrap(t, item())); fault.KindOf(err) != fault.Unavailable || fault.HintOf(err) == "" {
		t.Error(err)
	}
	if _, err := f.Carry(t.Context(), outbox.Item{Kind: outbox.KindTask, Body: json.RawMessage(`{}`)}); fault.KindOf(err) != fault.Invalid {
		t.Error(err)
	}
	if _, err := fhirtask.NewFiles(t.TempDir(), site).Gather(filepath.Join(path, "x")); err == nil {
		t.Error("gathered into a file below a file")
	}
}

func BenchmarkRender(b *testing.B) {
	n := item()
	for b.Loop() {
		if _, err := fhirtask.Render(site, n); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFiles(b *testing.B) {
	f := fhirtask.NewFiles(b.TempDir(), site)
	i := 0
	for b.Loop() {
		n := item()
		n.Key = fmt.Sprint(i)
		i++
		body, _ := json.Marshal(n)
		if _, err := f.Carry(b.Context(), outbox.Item{Kind: outbox.KindTask, Body: body}); err != nil {
			b.Fatal(err)
		}
	}
}

// A process that is killed while it writes leaves its half behind: the next try
// takes it away. Nothing of a Task is written outside the folder, and rights that
// the site gave to a file stay.
func TestFilesLeaveNothing(t *testing.T) {
	dir, elsewhere := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", elsewhere)
	before, err := os.Stat(elsewhere)
	if err != nil {
		t.Fatal(err)
	}
	past := before.ModTime().Add(-time.Hour)
	if err := os.Chtimes(elsewhere, past, past); err != nil {
		t.Fatal(err)
	}
	f := fhirtask.NewFiles(dir, site)
	name, err := f.Carry(t.Context(), wrap(t, item()))
	if err != nil {
		t.Fatal(err)
	}
	half := filepath.Join(dir, "."+name+".part")
	if err := errors.Join(os.WriteFile(half, []byte(`{"resou`), 0o644), os.Chmod(filepath.Join(dir, name), 0o640)); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Carry(t.Context(), wrap(t, done())); err != nil {
		t.Fatal(err)
	}
	list, err := os.ReadDir(dir)
	if err != nil || len(list) != 1 || list[0].Name() != name {
		t.Errorf("%v %v", list, err)
	}
	if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("%v %v", info, err)
	}
	if after, err := os.Stat(elsewhere); err != nil || !after.ModTime().Equal(past) {
		t.Errorf("something was written to %s: %v", "the folder for temporary files", err)
	}
}
