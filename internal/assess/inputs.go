package assess

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"perennial/internal/fault"
)

// Input is one file to read.
type Input struct {
	Path string // "-" is standard input
	Size int64  // bytes; 0 where not known
}

// Name is what messages call it.
func (in *Input) Name() string {
	if in.Path == "-" {
		return "standard input"
	}
	return in.Path
}

// Find lists the files of all paths, those of folders in the order of their
// names, without hidden ones. What cannot be read comes beside them, one error
// for each file or folder.
func Find(paths []string) ([]Input, []error) {
	var f finder
	for _, path := range paths {
		f.path(path)
	}
	return f.list, f.failed
}

type finder struct {
	list   []Input
	failed []error
}

func (f *finder) fail(path string, err error) { f.failed = append(f.failed, CannotRead(path, err)) }

// path adds what a path of the command line names.
func (f *finder) path(path string) {
	if path == "-" {
		f.list = append(f.list, Input{Path: path})
		return
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		f.fail(path, err)
	case info.IsDir():
		f.folder(path)
	default:
		f.list = append(f.list, Input{path, info.Size()})
	}
}

// folder adds the files of a folder and the folders in it.
func (f *finder) folder(folder string) {
	files, failed := len(f.list), len(f.failed)
	_ = filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			f.fail(path, err)
		case strings.HasPrefix(d.Name(), ".") && path != folder && d.IsDir():
			return fs.SkipDir
		case !strings.HasPrefix(d.Name(), "."):
			f.file(path)
		}
		return nil
	})
	if len(f.list) == files && len(f.failed) == failed {
		f.fail(folder, errEmpty)
	}
}

// file adds a file in a folder; anything else, such as a folder, is passed over.
func (f *finder) file(path string) {
	info, err := os.Stat(path)
	if err != nil {
		f.fail(path, err)
	} else if info.Mode().IsRegular() {
		f.list = append(f.list, Input{path, info.Size()})
	}
}

// CannotRead says that an input cannot be read, and what to do.
func CannotRead(path string, err error) error {
	hint := "Get the input again and try once more."
	switch {
	case errors.Is(err, fs.ErrNotExist):
		hint = "Check the name."
	case errors.Is(err, fs.ErrPermission):
		hint = "Give the user who runs perennial the right to read it (files: read; folders: read and search)."
	case errors.Is(err, errEmpty):
		hint = "Check the name of the folder, and whether the export has arrived."
	}
	if path == "-" {
		path = "standard input"
	}
	return fault.New(fault.KindOf(err), "reading "+path, hint, errText(reason(err)))
}

// errEmpty says that a folder holds nothing to read.
const errEmpty errText = "the folder holds no files"

// reason is an error of the system without its path.
func reason(err error) string {
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err.Error()
	}
	return err.Error()
}
