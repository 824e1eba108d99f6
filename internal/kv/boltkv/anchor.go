package boltkv

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/renameio/v2"

	"perennial/internal/fault"
)

// sidePath is the file that holds the anchor of a store.
func sidePath(path string) string { return path + ".id" }

// side is the anchor: what is known of a store outside of it.
type side struct {
	Note  string `json:"note"`
	Store string `json:"store"`
	Epoch uint64 `json:"epoch"` // the store has reached at least this
}

// readSide reads the anchor; nil if there is none.
func readSide(path string) (*side, error) {
	const op = "read the .id file of the store"
	text, err := os.ReadFile(sidePath(path))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, translate(op, err)
	}
	var s side
	if err := json.Unmarshal(text, &s); err != nil || s.Store == "" {
		return nil, fault.New(fault.Damaged, op,
			"Copy the store to another place, move the .id file away and run: perennial restore COPY.",
			errors.New("it cannot be read"))
	}
	return &s, nil
}

// writeSide writes the anchor, whole or not at all.
func writeSide(path string, s side) error {
	s.Note = "Belongs to the store of the same name; keep both together."
	text, err := json.Marshal(s)
	if err != nil {
		return err
	}
	err = renameio.WriteFile(sidePath(path), append(text, '\n'), 0o600, renameio.WithTempDir(filepath.Dir(path)))
	return translate("write the .id file of the store", err)
}

// sweepSide removes what processes left behind that were killed while they wrote
// the anchor. The lock must be held. What cannot be removed does no harm.
func sweepSide(path string) {
	dir, name := filepath.Dir(path), filepath.Base(sidePath(path))
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		number, ok := strings.CutPrefix(e.Name(), "."+name)
		if _, err := strconv.ParseUint(number, 10, 64); ok && err == nil {
			_ = os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// compare refuses a store that is not the one the anchor is of, or is older.
func (s *side) compare(id identity, have seal) error {
	const op = "compare the store with its .id file"
	if s.Store != id.Store {
		return fault.New(fault.Foreign, op, hintSwapped, errors.New("they are of different stores"))
	}
	if have.epoch < s.Epoch {
		return fault.New(fault.Damaged, op, hintOlder, errors.New("the store is older than it was"))
	}
	return nil
}

// anchor keeps the .id file of an open store up to date, behind the commits.
type anchor struct {
	path  string
	every time.Duration

	mu      sync.Mutex
	now     side        // as it should be
	written uint64      // epoch in the file
	timer   *time.Timer // of the writing that is due; nil if none is
	begun   bool        // something was written since opening
	closed  bool
}

// reached notes a commit. The first one is written at once: from then on the
// store is not new.
func (a *anchor) reached(epoch uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.now.Epoch = epoch
	switch {
	case !a.begun:
		a.begun = true
		_ = a.write() // tried again at the next occasion; the commit stands
	case a.timer == nil:
		a.timer = time.AfterFunc(a.every, a.tick)
	}
}

// tick writes what has come up since the last writing.
func (a *anchor) tick() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.timer = nil
	if !a.closed {
		_ = a.write()
	}
}

// write writes the file if it is behind.
func (a *anchor) write() error {
	if a.now.Epoch == a.written {
		return nil
	}
	if err := writeSide(a.path, a.now); err != nil {
		return err
	}
	a.written = a.now.Epoch
	return nil
}

// close writes the file a last time.
func (a *anchor) close() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.closed = true
	if a.timer != nil {
		a.timer.Stop()
	}
	return a.write()
}
