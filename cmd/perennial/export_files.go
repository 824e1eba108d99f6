package main

import (
	"bufio"
	"errors"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"

	"perennial/internal/export"
	"perennial/internal/fault"
)

// newFile is a file that is written beside the one that it replaces.
type newFile struct {
	path string
	file *renameio.PendingFile
	w    *bufio.Writer
}

// newFileAt begins a file, readable by the owner only.
func newFileAt(path string) (*newFile, error) {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil, cannotExport(path, errors.New("it is a folder"))
	}
	f, err := renameio.NewPendingFile(path, renameio.WithPermissions(0o600), renameio.WithTempDir(filepath.Dir(path)))
	if err != nil {
		return nil, cannotExport(path, err)
	}
	return &newFile{path, f, bufio.NewWriterSize(f, 1<<16)}, nil
}

func cannotExport(path string, err error) error {
	return fault.New(fault.KindOf(err), "writing "+path, "Name a place that may be written to, and that has room. What was there before is still there.", fileReason(err))
}

// full writes all that is still in memory to the disk.
func (f *newFile) full() error {
	if err := errors.Join(f.w.Flush(), f.file.Sync()); err != nil {
		return cannotExport(f.path, err)
	}
	return nil
}

// keep puts the file in its place.
func (f *newFile) keep() error {
	if err := f.file.CloseAtomicallyReplace(); err != nil {
		return cannotExport(f.path, err)
	}
	return nil
}

// drop takes away what was not kept.
func (f *newFile) drop() { _ = f.file.Cleanup() }

// typeFiles are NDJSON files in a folder, one for each type of resource, also for
// those of which there is none.
type typeFiles struct {
	dir   string
	types []string
	files []*newFile // as types
}

func (t *typeFiles) begin() error {
	if err := os.MkdirAll(t.dir, 0o700); err != nil {
		return cannotExport(t.dir, err)
	}
	for _, typ := range t.types {
		f, err := newFileAt(filepath.Join(t.dir, typ+".ndjson"))
		if err != nil {
			return err
		}
		t.files = append(t.files, f)
	}
	return nil
}

func (t *typeFiles) add(r *export.Resource) error {
	for i, typ := range t.types {
		if typ == r.Type {
			if _, err := t.files[i].w.Write(append(r.Body, '\n')); err != nil {
				return cannotExport(t.files[i].path, err)
			}
			return nil
		}
	}
	return fault.New(fault.Internal, "exporting a "+r.Type, "", errors.New("there is no file for it"))
}

// keep puts all files in their places once all are complete.
func (t *typeFiles) keep() error {
	for _, f := range t.files {
		if err := f.full(); err != nil {
			return err
		}
	}
	for _, f := range t.files {
		if err := f.keep(); err != nil {
			return err
		}
	}
	return nil
}

func (t *typeFiles) drop() {
	for _, f := range t.files {
		f.drop()
	}
}

// bundleFile is one Bundle in a file.
type bundleFile struct {
	path   string
	file   *newFile
	bundle *export.Bundle
}

func (b *bundleFile) begin() (err error) {
	if b.file, err = newFileAt(b.path); err == nil {
		b.bundle = export.NewBundle(b.file.w)
	}
	return err
}

func (b *bundleFile) add(r *export.Resource) error {
	if err := b.bundle.Add(r); err != nil {
		return cannotExport(b.path, err)
	}
	return nil
}

func (b *bundleFile) keep() error {
	if err := b.bundle.Close(); err != nil {
		return cannotExport(b.path, err)
	}
	if err := b.file.full(); err != nil {
		return err
	}
	return b.file.keep()
}

func (b *bundleFile) drop() {
	if b.file != nil {
		b.file.drop()
	}
}
