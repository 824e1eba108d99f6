package boltkv_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
)

// sample is a closed store of some thousand pages and what is in it.
func sample(t *testing.T) (image []byte, id string, want map[string]string) {
	t.Helper()
	path := create(t)
	fill(t, path, 6000)
	db := open(t, path)
	must(t, db.Update(t.Context(), func(tx kv.Tx) error { // leaves free pages and overflow pages
		from, to := kv.Key("row", uint64(1000)), kv.Key("row", uint64(2000))
		err := tx.Scan(from, to, func(k, _ []byte) error { return tx.Delete(k) })
		return errors.Join(err, tx.Put([]byte("big"), bytes.Repeat([]byte("invented "), 3000)))
	}))
	want, err := content(t.Context(), db)
	must(t, err)
	must(t, db.Close())
	image, err = os.ReadFile(path)
	must(t, err)
	text, err := os.ReadFile(path + ".id")
	must(t, err)
	return image, string(text), want
}

// judge puts a damaged image in place and checks it in a child. It must be refused,
// or hold all that was put; and this process must survive opening and reading it.
func judge(t *testing.T, path string, image []byte, id string, want map[string]string) (refused bool) {
	t.Helper()
	write(t, path, string(image))
	write(t, path+".id", id)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	_, err := boltkv.Verify(ctx, self(t), path)
	if err != nil {
		wantFault(t, err, fault.Damaged)
		return true
	}
	db, err := small().Open(path)
	if err != nil {
		t.Errorf("a store that passed the check does not open: %v", err)
		return false
	}
	defer db.Close()
	got, err := content(ctx, db)
	if err != nil || !maps.Equal(got, want) {
		t.Errorf("a store that passed the check holds %d pairs of %d, or others: %v", len(got), len(want), err)
	}
	return false
}

func TestFlippedBytes(t *testing.T) {
	t.Parallel()
	image, id, want := sample(t)
	places := []int{}
	for i := range 40 { // anywhere
		places = append(places, i*(len(image)-64)/39)
	}
	for page := range 12 { // the first pages: headers, root, free list, branches
		places = append(places, page*4096, page*4096+16, page*4096+60)
	}
	var refused, done atomic.Int64
	var group sync.WaitGroup
	work := make(chan int)
	for worker := range 3 {
		path := filepath.Join(t.TempDir(), fmt.Sprintf("store%d.db", worker))
		group.Go(func() {
			for place := range work {
				spoilt := bytes.Clone(image)
				for i := range 64 {
					spoilt[place+i] ^= 0xa5
				}
				done.Add(1)
				if judge(t, path, spoilt, id, want) {
					refused.Add(1)
				}
			}
		})
	}
	for _, place := range places {
		work <- place
	}
	close(work)
	group.Wait()
	t.Logf("%d images, %d refused, the others whole", done.Load(), refused.Load())
	if refused.Load() < done.Load()/2 {
		t.Error("most damage should be found; the places miss the content")
	}
}

// TestFlippedBits changes single bits where a bbolt page keeps its numbers.
func TestFlippedBits(t *testing.T) {
	t.Parallel()
	image, id, want := sample(t)
	path := filepath.Join(t.TempDir(), "store.db")
	refused, done := 0, 0
	for i := range 40 {
		page := 2 + i*7%(len(image)/4096-2)
		at := page*4096 + [...]int{0, 8, 10, 12, 16, 20, 24, 30, 33, 4000}[i%10]
		spoilt := bytes.Clone(image)
		spoilt[at] ^= 1 << (i % 8)
		done++
		if judge(t, path, spoilt, id, want) {
			refused++
		}
	}
	t.Logf("%d images, %d refused, the others whole", done, refused)
}

func TestTruncations(t *testing.T) {
	t.Parallel()
	image, id, want := sample(t)
	path := filepath.Join(t.TempDir(), "store.db")
	refused := 0
	for i := range 25 {
		if judge(t, path, image[:i*len(image)/25+i%2], id, want) {
			refused++
		}
	}
	if refused < 15 {
		t.Errorf("%d of 25 truncated files refused", refused)
	}
}

// TestFreeListNamesAPageInUse spoils nothing that is read: the next commits would.
func TestFreeListNamesAPageInUse(t *testing.T) {
	t.Parallel()
	image, id, want := sample(t)
	spoilt := bytes.Clone(image)
	for page := range 2 { // for each header, in its free list, the first page becomes its root page
		header := spoilt[page*4096+16:]
		root, list := binary.NativeEndian.Uint64(header[16:]), binary.NativeEndian.Uint64(header[32:])
		if binary.NativeEndian.Uint16(spoilt[list*4096+10:]) == 0 {
			continue // an empty list
		}
		binary.NativeEndian.PutUint64(spoilt[list*4096+16:], root)
	}
	if bytes.Equal(spoilt, image) {
		t.Fatal("the test changes nothing")
	}
	if !judge(t, filepath.Join(t.TempDir(), "store.db"), spoilt, id, want) {
		t.Error("a free list that names a page in use passed the check")
	}
}

func TestChecksumKnowsKeyFromValue(t *testing.T) {
	t.Parallel()
	a, b := boltkv.WrapValue([]byte("ab"), []byte("c")), boltkv.WrapValue([]byte("a"), []byte("bc"))
	if bytes.Equal(a[1:], b[2:]) {
		t.Error("a byte moved from the key to the value has the same checksum")
	}
}

// TestNewestHeaderDamaged is bbolt's silent fall back by one commit.
func TestNewestHeaderDamaged(t *testing.T) {
	t.Parallel()
	image, id, want := sample(t)
	outcomes := map[bool]int{}
	for page := range 2 {
		spoilt := bytes.Clone(image)
		spoilt[page*4096+16+48] ^= 1 // the transaction number
		outcomes[judge(t, filepath.Join(t.TempDir(), "store.db"), spoilt, id, want)]++
	}
	if outcomes[true] != 1 || outcomes[false] != 1 {
		t.Errorf("refused %d, opened %d; want the newest refused and the other opened", outcomes[true], outcomes[false])
	}
}

func TestOldHeaderDamagedIsNoted(t *testing.T) {
	t.Parallel()
	image, id, _ := sample(t)
	noted := 0
	for page := range 2 {
		path := filepath.Join(t.TempDir(), "store.db")
		spoilt := bytes.Clone(image)
		spoilt[page*4096+16+48] ^= 1
		write(t, path, string(spoilt))
		write(t, path+".id", id)
		if db, err := small().Open(path); err == nil {
			noted += len(db.Notes())
			must(t, db.Close())
		}
	}
	if noted != 1 {
		t.Errorf("%d notes, want 1", noted)
	}
}

// TestDamageWhileOpen changes the file under an open store. Reading says so, writing
// stops, and the process lives on.
func TestDamageWhileOpen(t *testing.T) {
	t.Parallel()
	path := create(t)
	fill(t, path, 3000)
	db := open(t, path)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	must(t, err)
	defer f.Close()
	image, err := os.ReadFile(path)
	must(t, err)
	for at := bytes.Index(image, []byte(`{"n":1500,`)); at >= 0; { // every copy of the row
		_, err := f.WriteAt([]byte("X"), int64(at)+6)
		must(t, err)
		next := bytes.Index(image[at+1:], []byte(`{"n":1500,`))
		if next < 0 {
			break
		}
		at += 1 + next
	}
	get := func(n uint64) error {
		return db.View(t.Context(), func(r kv.Reader) error { _, err := r.Get(kv.Key("row", n)); return err })
	}
	wantFault(t, get(1500), fault.Damaged)
	must(t, get(1501))
	_, err = content(t.Context(), db)
	wantFault(t, err, fault.Damaged)
	err = db.Update(t.Context(), func(tx kv.Tx) error {
		_, _ = tx.Get(kv.Key("row", uint64(1500))) // carelessly
		return tx.Put([]byte("new"), nil)
	})
	wantFault(t, err, fault.Damaged)
	err = db.Update(t.Context(), func(tx kv.Tx) error { return tx.Put([]byte("new"), nil) })
	wantFault(t, err, fault.Damaged)
	_, err = db.Backup(t.Context(), discard{})
	wantFault(t, err, fault.Damaged)
}

// TestCutWhileOpen takes away the pages the map points at: the system sends SIGBUS.
func TestCutWhileOpen(t *testing.T) {
	t.Parallel()
	path := create(t)
	fill(t, path, 3000)
	db := open(t, path)
	must(t, os.Truncate(path, 4096*4))
	_, err := content(t.Context(), db)
	wantFault(t, err, fault.Damaged)
	wantFault(t, boltkv.CheckFile(path), fault.Damaged)
}

func TestVerify(t *testing.T) {
	t.Parallel()
	path := create(t)
	fill(t, path, 250)
	got, err := boltkv.Verify(t.Context(), self(t), path)
	must(t, err)
	db := open(t, path)
	if want := (boltkv.Contents{Store: db.ID(), Epoch: 4, Count: 250}); got != want {
		t.Errorf("Verify = %+v, want %+v", got, want)
	}
	must(t, db.Close())

	_, err = boltkv.Verify(t.Context(), self(t), path+".missing")
	wantFault(t, err, fault.Empty)
	if n := strings.Count(err.Error(), "check store"); n != 1 {
		t.Errorf("%v\nnames the operation %d times", err, n)
	}
	_, err = boltkv.Verify(t.Context(), path+".missing", path)
	wantFault(t, err, fault.Internal)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err = boltkv.Verify(ended, self(t), path); !errors.Is(err, context.Canceled) {
		t.Errorf("Verify with an ended context = %v", err)
	}
}

// TestVerifySurvivesTheChild starts programs that die instead of checking.
func TestVerifySurvivesTheChild(t *testing.T) {
	t.Parallel()
	if _, err := os.Stat("/bin/sh"); err != nil {
		t.Skip("needs /bin/sh to make a child that dies")
	}
	path := create(t)
	for name, body := range map[string]string{
		"signal":         "kill -BUS $$",
		"exit without":   "exit 3",
		"silent success": "exit 0",
		"panic":          "echo 'panic: page 7' >&2; exit 2",
		"other words":    `echo '{"verdict":"something"}'; exit 1`,
	} {
		script := filepath.Join(t.TempDir(), "child")
		must(t, os.WriteFile(script, []byte("#!/bin/sh\n"+body+"\n"), 0o700))
		_, err := boltkv.Verify(t.Context(), script, path)
		want := fault.Damaged
		if name == "silent success" {
			want = fault.Internal
		}
		if fault.KindOf(err) != want {
			t.Errorf("%s: %v, want %v", name, err, want)
		}
	}
}
