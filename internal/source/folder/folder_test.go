package folder_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/source"
	"perennial/internal/source/folder"
)

// rig is a folder with a clock that the test moves.
type rig struct {
	*folder.Source
	t      *testing.T
	dir    string
	now    time.Time
	cursor string
}

func start(t *testing.T) *rig {
	r := &rig{t: t, dir: t.TempDir(), now: time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)}
	r.Source = folder.New(folder.Options{Name: "drop", Dir: r.dir, Now: func() time.Time { return r.now }, Batch: 200})
	return r
}

// put writes a file that has been still for an hour.
func (r *rig) put(name string, content []byte) {
	r.t.Helper()
	path := filepath.Join(r.dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		r.t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o644); err != nil {
		r.t.Fatal(err)
	}
	r.touch(name, r.now.Add(-time.Hour))
}

func (r *rig) touch(name string, at time.Time) {
	r.t.Helper()
	if err := os.Chtimes(filepath.Join(r.dir, name), at, at); err != nil {
		r.t.Fatal(err)
	}
}

// fetch collects the ids that come, and what was wrong; it keeps the cursor.
func (r *rig) fetch() (ids string, issues []fhir.Issue, errs []error) {
	r.t.Helper()
	for b, err := range r.Fetch(r.t.Context(), r.cursor) {
		if err != nil {
			errs = append(errs, err)
			if len(b.Resources) > 0 || b.Cursor != "" {
				r.t.Error("a batch beside an error")
			}
			continue
		}
		for _, raw := range b.Resources {
			_, id := fhir.Peek(raw.Body)
			ids += id
		}
		issues = append(issues, b.Issues...)
		r.cursor = b.Cursor
	}
	return ids, issues, errs
}

func (r *rig) want(want string) {
	r.t.Helper()
	if ids, issues, errs := r.fetch(); ids != want || len(issues) > 0 || len(errs) > 0 {
		r.t.Errorf("got %q, want %q; issues %v, errors %v", ids, want, issues, errs)
	}
}

func patient(id string) []byte { return fmt.Appendf(nil, `{"resourceType":"Patient","id":"%s"}`, id) }

func packed(b []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	z.Write(b)
	z.Close()
	return out.Bytes()
}

func TestKindsOfFiles(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.put("5.json", patient("e"))
	r.put("1.anything", append(patient("a"), '\n'))
	r.put("2.ndjson", bytes.Join([][]byte{patient("b"), patient("B"), {}}, []byte("\n")))
	r.put("3.ndjson.gz", packed(patient("c")))
	r.put("4/bundle.json", []byte(`{"resourceType":"Bundle","entry":[{"resource":`+string(patient("d"))+`}]}`))
	r.put(".hidden", patient("x"))
	r.put(".git/x", patient("x"))
	for _, end := range []string{"~", ".tmp", ".part", ".PARTIAL", ".filepart", ".crdownload"} {
		r.put("x.json"+end, patient("x"))
	}
	if err := os.Symlink(r.dir, filepath.Join(r.dir, "loop")); err != nil {
		t.Fatal(err)
	}
	r.want("abBcde")
	r.want("")
}

func TestNewAndChangedFiles(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.want("")
	r.put("a", patient("a"))
	r.want("a")
	r.put("b", patient("b"))
	r.want("b")
	r.put("a", patient("A")) // another content
	r.touch("a", r.now.Add(-time.Minute))
	r.want("A")
	r.touch("b", r.now.Add(-time.Minute)) // only touched
	r.want("")
	if err := os.Rename(filepath.Join(r.dir, "b"), filepath.Join(r.dir, "c")); err != nil {
		t.Fatal(err)
	}
	r.want("")
	r.put("copy", patient("b")) // the same content again
	r.want("")
	before := r.cursor
	for _, name := range []string{"a", "c", "copy"} {
		if err := os.Remove(filepath.Join(r.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	r.want("")
	if r.cursor != "{}" || !strings.Contains(before, `"copy"`) {
		t.Errorf("before %s, now %s", before, r.cursor)
	}
	r.put("a", patient("A")) // it was forgotten with the file
	r.want("A")
}

// A file that is still being written waits, also where its time says nothing.
func TestHalfWrittenFile(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.put("a", patient("a")[:10])
	r.touch("a", r.now)
	r.want("")
	r.put("a", patient("a"))
	r.touch("a", r.now.Add(2*time.Second))
	r.now = r.now.Add(9 * time.Second)
	r.want("")
	r.now = r.now.Add(3 * time.Second)
	r.want("a")
	r.put("b", patient("b"))
	r.touch("b", r.now.AddDate(1, 0, 0)) // a clock that is ahead
	r.want("")
	r.now = r.now.Add(10 * time.Second)
	r.want("b")
}

// A cursor that was not stored hands the same over again; one in the middle of a file begins the file again.
func TestCursorIsOnlyWhatWasWhole(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.put("1", patient("a"))
	var big []byte
	for i := range 20 {
		big = append(append(big, patient(fmt.Sprintf("b%d", i))...), '\n')
	}
	r.put("2", big)
	r.put("3", patient("c"))
	var cursors []string
	for b, err := range r.Fetch(t.Context(), "") {
		if err != nil {
			t.Fatal(err)
		}
		cursors = append(cursors, b.Cursor)
	}
	if len(cursors) < 4 {
		t.Fatalf("%d batches", len(cursors))
	}
	r.cursor = cursors[1] // within file 2
	if ids, _, _ := r.fetch(); !strings.HasPrefix(ids, "b0b1") || !strings.HasSuffix(ids, "b19c") {
		t.Errorf("%q", ids)
	}
	for range r.Fetch(t.Context(), "") {
		break // a caller may stop
	}
}

// One bad file is reported and stops nothing.
func TestFailingFile(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.put("1", packed(patient("a"))[:20])
	r.put("2", []byte("this is no FHIR"))
	r.put("3", append(patient("b"), "\n{\"resourceType\":\n"...))
	r.put("4", patient("c"))
	ids, issues, errs := r.fetch()
	if ids != "bc" || len(issues) != 3 || len(errs) != 0 {
		t.Errorf("%q %+v %v", ids, issues, errs)
	}
	for _, i := range issues {
		if i.File == "" || i.What == "" {
			t.Errorf("%+v", i)
		}
	}
	r.want("") // until its content changes
	r.put("1", packed(patient("a")))
	r.touch("1", r.now.Add(-time.Minute))
	r.want("a")
}

func TestFileWithoutRights(t *testing.T) {
	t.Parallel()
	if os.Getuid() == 0 {
		t.Skip("root may read everything")
	}
	r := start(t)
	r.put("1", patient("a"))
	r.put("2", patient("b"))
	if err := os.Chmod(filepath.Join(r.dir, "1"), 0); err != nil {
		t.Fatal(err)
	}
	ids, _, errs := r.fetch()
	if ids != "b" || len(errs) != 1 || fault.KindOf(errs[0]) != fault.Denied || fault.HintOf(errs[0]) == "" {
		t.Errorf("%q %v", ids, errs)
	}
}

// A folder that is not there (an unmounted share) is an error, and nothing is forgotten.
func TestMissingFolder(t *testing.T) {
	t.Parallel()
	r := start(t)
	r.put("a", patient("a"))
	r.want("a")
	away := r.dir + "-away"
	if err := os.Rename(r.dir, away); err != nil {
		t.Fatal(err)
	}
	before := r.cursor
	_, _, errs := r.fetch()
	if len(errs) != 1 || fault.KindOf(errs[0]) != fault.NotFound || fault.HintOf(errs[0]) == "" || r.cursor != before {
		t.Error(errs)
	}
	if err := os.WriteFile(r.dir, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, errs = r.fetch(); len(errs) != 1 || fault.KindOf(errs[0]) != fault.Invalid || r.cursor != before {
		t.Error(errs)
	}
	os.Remove(r.dir)
	if err := os.Symlink(away, r.dir); err != nil { // a folder that is a link is followed
		t.Fatal(err)
	}
	r.want("")
	if err := os.WriteFile(filepath.Join(away, "b"), patient("b"), 0o644); err != nil {
		t.Fatal(err)
	}
	r.touch("b", r.now.Add(-time.Hour))
	r.want("b")
}

func TestBadCursor(t *testing.T) {
	t.Parallel()
	for _, cursor := range []string{"x", "[]", "null", `{"a":1}`} {
		r := start(t)
		r.cursor = cursor
		if _, _, errs := r.fetch(); len(errs) != 1 || fault.KindOf(errs[0]) != fault.Damaged {
			t.Errorf("%q: %v", cursor, errs)
		}
	}
}

func TestCancelled(t *testing.T) {
	t.Parallel()
	r := start(t)
	for i := range 5 {
		r.put(fmt.Sprint(i), fmt.Appendf(nil, `{"resourceType":"Patient","id":"%d","x":"%s"}`, i, strings.Repeat("x", 300)))
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	n := 0
	var last source.Batch
	for b := range r.Fetch(ctx, "") {
		n++
		last = b
		cancel()
	}
	if n > 1 || strings.Contains(last.Cursor, `"4"`) {
		t.Errorf("%d batches after the end, cursor %s", n, last.Cursor)
	}
}

func FuzzCursor(f *testing.F) {
	f.Add(`{"a":{"size":1,"time":"2026-06-30T12:00:00Z","sha256":"00"}}`)
	f.Fuzz(func(t *testing.T, cursor string) {
		s := folder.New(folder.Options{Name: "drop", Dir: t.TempDir()})
		for range s.Fetch(context.Background(), cursor) {
		}
	})
}
