package fhirtask

import (
	"bufio"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/outbox"
)

// Files carries work items to a folder: one NDJSON file for each item, of one line, which holds its Task as it is now.
// A file is replaced as a whole or not at all, so that an item that is carried twice is there once. The names tell
// nothing about the patient; the files are readable by the owner only.
type Files struct{ dir, site string }

var _ outbox.Carrier = (*Files)(nil)

// NewFiles makes a carrier to a folder, which is made when the first item comes, for a site (the id of its store).
func NewFiles(dir, site string) *Files { return &Files{dir, site} }

// Carries says whether it takes items of a kind: work items.
func (f *Files) Carries(kind string) bool { return kind == outbox.KindTask }

// Carry writes the item's file; the receipt is its name. The Task has the status that a person set, where one did.
func (f *Files) Carry(_ context.Context, it outbox.Item) (string, error) {
	t, err := decode(it)
	if err != nil {
		return "", err
	}
	body, err := Render(f.site, t)
	if err != nil {
		return "", err
	}
	name := "task-" + fhir.Token(f.site, t.Key) + ".ndjson"
	return name, Replace(f.dir, name, append(body, '\n'))
}

// Replace writes a file of a folder as a whole or not at all; the folder is made where it is not there.
func Replace(dir, name string, text []byte) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fileError(dir, err)
	}
	if err := replaceFile(dir, name, text); err != nil {
		return fileError(filepath.Join(dir, name), err)
	}
	return nil
}

// replaceFile writes a file as a whole or not at all. It writes beside the file first, under one name for each file:
// what a process leaves there that is killed meanwhile, the next try takes away. Rights that a site gave to a file stay.
func replaceFile(dir, name string, text []byte) error {
	path, part := filepath.Join(dir, name), filepath.Join(dir, "."+name+".part")
	perm := os.FileMode(0o600)
	if info, err := os.Lstat(path); err == nil && info.Mode().IsRegular() {
		perm = info.Mode().Perm()
	}
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	out, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = out.Write(text)
	if err = errors.Join(err, out.Chmod(perm), out.Sync(), out.Close()); err == nil {
		err = os.Rename(part, path)
	}
	if err != nil {
		_ = os.Remove(part)
	}
	return err
}

// Gather writes all Tasks of the folder into one NDJSON file, as a whole or not at all, in the order of their tokens,
// and says how many there are. A folder that is not there holds none.
func (f *Files) Gather(path string) (n int, err error) {
	names, err := filepath.Glob(filepath.Join(glob(f.dir), "task-*.ndjson"))
	if err != nil {
		return 0, fileError(f.dir, err)
	}
	out, err := renameio.NewPendingFile(path, renameio.WithPermissions(0o600), renameio.WithTempDir(filepath.Dir(path)))
	if err != nil {
		return 0, fileError(path, err)
	}
	defer out.Cleanup() // after success it does nothing
	w := bufio.NewWriter(out)
	for _, name := range names {
		if err := appendFile(w, name); err != nil {
			return 0, fileError(name, err)
		}
	}
	if err := errors.Join(w.Flush(), out.CloseAtomicallyReplace()); err != nil {
		return 0, fileError(path, err)
	}
	return len(names), nil
}

// glob escapes the letters of a path that a pattern would read.
func glob(path string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}

func appendFile(w io.Writer, name string) error {
	in, err := os.Open(name)
	if err != nil {
		return err
	}
	defer in.Close()
	_, err = io.Copy(w, in)
	return err
}

// fileError classifies trouble with a file. All of it can be mended: the item is tried again.
func fileError(path string, err error) error {
	kind := fault.KindOf(err)
	if kind == fault.Denied || kind == fault.Internal || kind == fault.Conflict {
		kind = fault.Unavailable
	}
	return fault.New(kind, "write Tasks to "+path, "Check that the folder is there, that this program may write to it, and that there is room.", err)
}
