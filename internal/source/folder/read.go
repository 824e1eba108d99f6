package folder

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"hash"
	"io"
	"os"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/source"
)

// errEnough is how the caller's wish to stop leaves fhir.Read.
var errEnough = errors.New("enough")

// pass is one call of Fetch. Small files share a batch.
type pass struct {
	ctx   context.Context
	s     *Source
	known *memory
	yield func(source.Batch, error) bool

	batch source.Batch
	bytes int
}

// files goes through the files; it says whether the caller wants more.
func (p *pass) files(files []found, problems []error) bool {
	for _, err := range problems {
		if !p.fail(err) {
			return false
		}
	}
	if len(problems) == 0 { // a part of the folder that cannot be seen is not gone
		p.known.forget(files)
		p.s.forget(files)
	}
	for _, f := range files {
		if p.ctx.Err() != nil || !p.file(f) {
			return false
		}
	}
	return true
}

// file reads one file if it must be.
func (p *pass) file(f found) bool {
	if p.known.same(f) || !p.s.still(f) {
		return true
	}
	hash, err := digest(f.path)
	if err != nil {
		return p.fail(err)
	}
	if !p.known.has(hash) {
		if err := p.read(f, hash); errors.Is(err, errEnough) || p.ctx.Err() != nil {
			return false
		} else if err != nil {
			return p.fail(err)
		}
	}
	p.known.note(f, hash)
	return true
}

// read reads the content of one file; an error means that it does not count as read.
func (p *pass) read(f found, hash string) error {
	in, err := os.Open(f.path)
	if err != nil {
		return fileError(f.path, err)
	}
	defer in.Close()
	sum := &summing{r: in, h: sha256.New()}
	err = fhir.Read(f.path, sum, fhir.Handler{Each: p.each, Issue: func(i fhir.Issue) { p.batch.Issues = append(p.batch.Issues, i) }})
	if errors.Is(err, errEnough) {
		return err
	}
	if err == nil {
		_, err = io.Copy(io.Discard, sum) // what fhir.Read had no use for
	}
	if err != nil {
		return fileError(f.path, err)
	}
	if hex.EncodeToString(sum.h.Sum(nil)) != hash {
		return fault.New(fault.Unavailable, "read file "+f.path, "It is read again at the next run.", errors.New("it changed while it was read"))
	}
	return nil
}

// each keeps one resource.
func (p *pass) each(raw fhir.Raw) error {
	if err := p.ctx.Err(); err != nil {
		return err
	}
	raw.Body = append([]byte(nil), raw.Body...)
	p.batch.Resources = append(p.batch.Resources, raw)
	p.bytes += len(raw.Body)
	if p.bytes >= p.s.o.Batch && !p.flush() {
		return errEnough
	}
	return nil
}

// flush hands over what is there, with the cursor as it stands: it counts the files that were read to their end.
func (p *pass) flush() bool {
	if len(p.batch.Resources) == 0 && len(p.batch.Issues) == 0 && !p.known.changed {
		return true
	}
	p.batch.Cursor = p.known.String()
	ok := p.yield(p.batch, nil)
	p.batch, p.bytes = source.Batch{}, 0
	return ok
}

func (p *pass) fail(err error) bool {
	return p.yield(source.Batch{}, fault.Wrap("source "+p.s.o.Name, err))
}

// summing hashes what goes through it.
type summing struct {
	r io.Reader
	h hash.Hash
}

// Read reads on.
func (s *summing) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	s.h.Write(p[:n])
	return n, err
}

// memory is the cursor: the files that were read.
type memory struct {
	files   map[string]entry
	hashes  map[string]bool // of the files, and of those that were forgotten in this call
	changed bool            // since String
}

// entry is one file as it was read.
type entry struct {
	Size int64  `json:"size"`
	Time string `json:"time"` // modification, RFC 3339 with nanoseconds
	Hash string `json:"sha256"`
}

// parse reads a cursor.
func parse(cursor string) (*memory, error) {
	m := &memory{files: map[string]entry{}, hashes: map[string]bool{}}
	if cursor == "" {
		return m, nil
	}
	if err := json.Unmarshal([]byte(cursor), &m.files); err != nil || m.files == nil {
		return nil, fault.New(fault.Damaged, "read cursor", "Forget the cursor of this source: all files are then read again.", err)
	}
	for _, e := range m.files {
		m.hashes[e.Hash] = true
	}
	return m, nil
}

// String writes the cursor, files by name.
func (m *memory) String() string {
	m.changed = false
	b, _ := json.Marshal(m.files) // texts and numbers never fail
	return string(b)
}

func (m *memory) has(hash string) bool { return m.hashes[hash] }

// same says whether a file looks as it did when it was read.
func (m *memory) same(f found) bool {
	e, ok := m.files[f.name]
	return ok && e.Size == f.info.Size() && e.Time == stamp(f)
}

// note counts a file as read.
func (m *memory) note(f found, hash string) {
	m.files[f.name] = entry{f.info.Size(), stamp(f), hash}
	m.hashes[hash] = true
	m.changed = true
}

// forget drops the files that are gone; their contents are still known in this call, as they may have been renamed.
func (m *memory) forget(files []found) {
	there := names(files)
	for name := range m.files {
		if !there[name] {
			delete(m.files, name)
			m.changed = true
		}
	}
}

func stamp(f found) string { return f.info.ModTime().UTC().Format(time.RFC3339Nano) }
