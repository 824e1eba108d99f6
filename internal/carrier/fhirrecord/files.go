package fhirrecord

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/outbox"
)

// Files keeps resources in a folder: of each patient one NDJSON file a type, with a line for each resource as it is now,
// in the order in which they came to be. What is no longer in the state stays, closed. A file is replaced as a whole or
// not at all, and only where something in it changes. The names tell nothing about the patient.
type Files struct {
	o         Options
	dir, site string
}

var _ outbox.Carrier = (*Files)(nil)

// NewFiles makes a carrier to a folder, for a site (the id of its store). Load and Keep are not used: what was written
// stands in the files.
func NewFiles(dir, site string, o Options) *Files { return &Files{o, dir, site} }

// Carries says whether it takes items of a kind: changes of plans.
func (f *Files) Carries(kind string) bool { return kind == Kind }

// Carry brings the files of a patient to the present state. The receipt counts what was done.
func (f *Files) Carry(ctx context.Context, it outbox.Item) (string, error) {
	patient, err := decode(it)
	if err != nil {
		return "", err
	}
	s, err := f.o.State(ctx, patient)
	if err != nil {
		return "", err
	}
	var did counts
	for _, typ := range f.o.Types {
		if err := f.write(patient, typ, &s, &did); err != nil {
			return "", err
		}
	}
	return did.String(), nil
}

// write brings one file to the present state.
func (f *Files) write(patient, typ string, s *State, did *counts) error {
	name := strings.ToLower(typ) + "-" + fhir.Token(f.site, "record|"+patient) + ".ndjson"
	lines, err := f.read(name)
	if err != nil {
		return err
	}
	changed, there := false, map[string]bool{}
	for i := range s.Resources {
		r := &s.Resources[i]
		if r.Type != typ {
			continue
		}
		there[r.Key] = true
		fresh, err := parse(r.Body)
		if err != nil {
			return err
		}
		at := slices.IndexFunc(lines, func(t tree) bool { return t.text("id") == r.Key })
		switch {
		case at < 0 && closed(typ, r.Status):
		case at < 0:
			lines, changed = append(lines, fresh), true
			did.made++
		default:
			wrote, err := renew(typ, lines[at], fresh)
			if err != nil {
				return err
			}
			if wrote == nil {
				did.same++
				continue
			}
			lines[at], changed = wrote, true
			did.updated++
		}
	}
	for i, t := range lines {
		key := t.text("id")
		want := s.ending(typ, key)
		if there[key] || want == "" || closed(typ, t.text("status")) && t.text("status") == want {
			continue
		}
		if _, err := lines[i].close(want); err != nil {
			return err
		}
		changed = true
		did.closed++
	}
	if !changed {
		return nil
	}
	return f.put(name, lines)
}

// renew is a line with what is new in it; nil: nothing is. When it was made stays.
func renew(typ string, before, fresh tree) (tree, error) {
	if hash(typ, before) == hash(typ, fresh) {
		return nil, nil
	}
	if typ != "Provenance" {
		for _, name := range []string{"created", "authoredOn"} {
			if before[name] != nil {
				fresh[name] = before[name]
			}
		}
	}
	return fresh, nil
}

func (f *Files) read(name string) (list []tree, err error) {
	text, err := os.ReadFile(filepath.Join(f.dir, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fault.New(fault.Unavailable, "read "+name, "Check that this program may read what is in its folder.", err)
	}
	for line := range bytes.Lines(text) {
		t, err := parse(line)
		if err != nil {
			return nil, fault.New(fault.Unavailable, "read "+name, "The file is not as it was written: put it right or take it away; it is then written anew.", err)
		}
		list = append(list, t)
	}
	return list, nil
}

func (f *Files) put(name string, lines []tree) error {
	var text bytes.Buffer
	for _, t := range lines {
		body, err := t.body()
		if err != nil {
			return err
		}
		text.Write(append(body, '\n'))
	}
	return fhirtask.Replace(f.dir, name, text.Bytes())
}

// Add adds resources that never change to a file, but for those that are in it already.
func (f *Files) Add(name string, list []Resource) error {
	lines, err := f.read(name)
	if err != nil {
		return err
	}
	have := map[string]bool{}
	for _, t := range lines {
		have[t.text("id")] = true
	}
	before := len(lines)
	for i := range list {
		if have[list[i].Key] {
			continue
		}
		t, err := parse(list[i].Body)
		if err != nil {
			return err
		}
		lines = append(lines, t)
	}
	if len(lines) == before {
		return nil
	}
	return f.put(name, lines)
}
