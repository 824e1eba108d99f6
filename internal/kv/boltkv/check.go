package boltkv

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime/debug"
	"runtime/metrics"
	"time"

	"go.etcd.io/bbolt"

	"perennial/internal/fault"
)

// checkWait is how long a check waits for a process that writes to the file.
const checkWait = 5 * time.Second

// CheckCommand is the word that makes the program call RunCheck on the file named
// after it. Verify starts it so.
const CheckCommand = "check-store"

// CheckFile reads the whole of a store, or of a backup of one, and says what is wrong
// with it. Where a .id file is beside it, that is compared too. It changes nothing.
//
// A damaged file can end the process it is read in. Call this on files that may be
// damaged through Verify.
func CheckFile(path string) error {
	_, err := Inspect(path)
	return err
}

// Inspect is CheckFile, and says what a good file holds.
func Inspect(path string) (Contents, error) {
	op := "check store " + path
	if err := there(path); err != nil {
		return Contents{}, fault.Wrap(op, err)
	}
	c, err := readThrough(path)
	return c, fault.Wrap(op, err)
}

// readThrough reads all of a file that is there.
func readThrough(path string) (c Contents, err error) {
	if _, err := readHeader(path); err != nil {
		return c, err
	}
	anchored, err := readSide(path)
	if err != nil {
		return c, err
	}
	err = inspect(path, checkWait, func(btx *bbolt.Tx) error {
		id, err := readIdentity(btx)
		if err != nil {
			return err
		}
		have, err := readSeal(btx)
		if err != nil {
			return err
		}
		if anchored != nil {
			if err := anchored.compare(id, have); err != nil {
				return err
			}
		}
		c = Contents{Store: id.Store, Epoch: have.epoch, Count: have.count}
		return readAll(btx, have)
	})
	return c, err
}

// readAll reads every pair, compares their number and sum with the seal, and then
// lets bbolt look at its pages and free list.
func readAll(btx *bbolt.Tx, want seal) error {
	const op = "read all records"
	have := seal{epoch: want.epoch}
	var last []byte
	cursor := btx.Bucket(dataBucket()).Cursor()
	for k, stored := cursor.First(); k != nil && have.count <= want.count; k, stored = cursor.Next() {
		if last != nil && bytes.Compare(k, last) <= 0 {
			return damaged(op, errors.New("the records are out of order"))
		}
		if _, err := unwrapValue(k, stored); err != nil {
			return err
		}
		last = k
		have.count++
		have.sum += checksum(stored)
	}
	if have != want {
		return damaged(op, fmt.Errorf("%d were found where %d belong, or others than belong", have.count, want.count))
	}
	for err := range btx.Check(bbolt.WithKVStringer(silent{})) {
		return damaged("check the pages", err)
	}
	return nil
}

// silent keeps keys and values out of bbolt's error texts.
type silent struct{}

// KeyToString shows nothing.
func (silent) KeyToString([]byte) string { return "(key)" }

// ValueToString shows nothing.
func (silent) ValueToString([]byte) string { return "(value)" }

// verdict is what the child process of Verify writes, one line of JSON.
type verdict struct {
	Verdict  string     `json:"verdict"` // always "checked"
	Kind     fault.Kind `json:"kind"`
	Text     string     `json:"text,omitempty"`
	Hint     string     `json:"hint,omitempty"`
	Contents Contents   `json:"contents"`
}

// RunCheck is the child's side of Verify: it checks the file, writes the verdict as
// a line of JSON and says whether the file is good. It ends the process when the check
// takes more memory than a good file could need.
func RunCheck(out io.Writer, path string) (good bool) {
	debug.SetMaxStack(64 << 20)
	go watchMemory(path)
	c, err := Inspect(path)
	v := verdict{Verdict: "checked", Kind: fault.KindOf(err), Hint: fault.HintOf(err), Contents: c}
	if err != nil {
		v.Text = err.Error()
	}
	line, jsonErr := json.Marshal(v)
	if jsonErr != nil {
		return false
	}
	_, writeErr := out.Write(append(line, '\n'))
	return err == nil && writeErr == nil
}

// watchMemory ends the process without a verdict when pages of a damaged file lead
// round in a circle.
func watchMemory(path string) {
	limit := uint64(1 << 30)
	if info, err := os.Stat(path); err == nil {
		limit += uint64(info.Size())
	}
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	for range time.Tick(20 * time.Millisecond) {
		if metrics.Read(sample); sample[0].Value.Uint64() > limit {
			os.Exit(3)
		}
	}
}

// Verify checks a file in a child process, "self check-store path", where self is
// the program's own file (os.Executable). Any death of the child is fault.Damaged.
// A file of 860 MB that the system had in memory took half a second.
func Verify(ctx context.Context, self, path string) (Contents, error) {
	op := "check store " + path
	cmd := exec.CommandContext(ctx, self, CheckCommand, path)
	cmd.WaitDelay = time.Second
	out, err := cmd.Output()
	var v verdict
	for line := range bytes.Lines(out) {
		if json.Unmarshal(line, &v) == nil && v.Verdict == "checked" {
			return v.result()
		}
	}
	if ctx.Err() != nil {
		return Contents{}, fault.Wrap(op, ctx.Err())
	}
	died, ok := errors.AsType[*exec.ExitError](err)
	if !ok {
		return Contents{}, fault.New(fault.Internal, op, hintInternal,
			errors.Join(errors.New("the check could not be run"), err))
	}
	return Contents{}, damaged(op, fmt.Errorf("the check died of it (%s)", died.ProcessState))
}

// result turns a verdict into what Inspect returned in the child.
func (v verdict) result() (Contents, error) {
	if v.Kind == fault.None {
		return v.Contents, nil
	}
	return Contents{}, fault.New(v.Kind, "", v.Hint, errors.New(v.Text))
}
