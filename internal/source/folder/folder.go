// Package folder watches a folder for FHIR files: resources, Bundles and NDJSON, each also gzipped, told apart by
// content (fhir.Read).
//
// # Which files, and when
//
// All regular files in the folder and below it, in the order of their names; not those whose name begins with a dot,
// nor those that by their ending are still being copied (~ .tmp .part .partial .filepart .crdownload). A file is read
// when it has been still for a while (ten seconds by default), by its own time or by what earlier calls saw; a file
// that changes while it is read is left for the next call. Better still is to copy under another name and rename.
//
// # What is remembered
//
// The cursor lists the files that were read, each with size, time and SHA-256 of its content. Size and time as before:
// not opened again. Another time or name but the same content: not read again. Another content: read again as a whole.
// A file that is gone is forgotten. Files are never changed, moved or deleted.
//
// A file that cannot be read is an error about that file, the others go on, and it is tried again at each call. What
// is wrong inside a file is an Issue of its batch, and the file counts as read until its content changes.
package folder

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"time"

	"perennial/internal/fault"
	"perennial/internal/source"
)

// Options of a source.
type Options struct {
	Name   string
	Dir    string
	Settle time.Duration    // how long a file must have been still; 0: ten seconds; negative: not at all
	Now    func() time.Time // nil: time.Now
	Batch  int              // bytes of resources in one batch; 0: 8 MB
}

// Source watches one folder. Fetch must not be called by two goroutines at once.
type Source struct {
	o    Options
	mu   sync.Mutex
	seen map[string]sight
}

// sight is how a file looked, and since when.
type sight struct {
	size  int64
	mtime time.Time
	since time.Time
}

var _ source.Source = (*Source)(nil)

// New makes a source. The folder is looked at only by Fetch.
func New(o Options) *Source {
	if o.Settle == 0 {
		o.Settle = 10 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Batch <= 0 {
		o.Batch = 8 << 20
	}
	return &Source{o: o, seen: map[string]sight{}}
}

// Name is the source's name.
func (s *Source) Name() string { return s.o.Name }

// Fetch reads the files that are new or changed since the cursor. See source.Source; an error is about one file, or
// about the folder. When the context is done it ends early.
func (s *Source) Fetch(ctx context.Context, cursor string) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		s.mu.Lock()
		defer s.mu.Unlock()
		known, err := parse(cursor)
		if err != nil {
			yield(source.Batch{}, fault.Wrap("source "+s.o.Name, err))
			return
		}
		p := &pass{ctx: ctx, s: s, known: known, yield: yield}
		if p.files(s.list()) {
			p.flush()
		}
	}
}

// found is a file in the folder.
type found struct {
	name string // below the folder, with /
	path string
	info fs.FileInfo
}

// list finds the files, by name, and the parts of the folder that cannot be read. Links to files are followed, links to
// folders only for the folder itself.
func (s *Source) list() (files []found, problems []error) {
	trouble := func(path string, err error) {
		problems = append(problems, fault.New(fault.KindOf(err), "read folder "+path, "Check that the folder exists and that this program may read it.", plain(err)))
	}
	root, err := filepath.EvalSymlinks(s.o.Dir)
	if err != nil {
		trouble(s.o.Dir, err)
		return nil, problems
	}
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			trouble(path, err)
		case path == root && !d.IsDir():
			trouble(path, fault.New(fault.Invalid, "open", "", errors.New("it is not a folder")))
		case path != root && strings.HasPrefix(d.Name(), "."):
			if d.IsDir() {
				return fs.SkipDir
			}
		case !d.IsDir() && !unfinished(d.Name()):
			info, err := os.Stat(path)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				trouble(path, err)
			} else if err == nil && info.Mode().IsRegular() {
				name, _ := filepath.Rel(root, path)
				files = append(files, found{filepath.ToSlash(name), path, info})
			}
		}
		return nil
	})
	if err != nil {
		trouble(root, err)
	}
	sort.Slice(files, func(i, j int) bool { return files[i].name < files[j].name })
	return files, problems
}

// plain takes the path, which the message holds already, off an error.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// unfinished says whether a name is one that copying programs give to what is not yet whole.
func unfinished(name string) bool {
	for _, end := range []string{"~", ".tmp", ".part", ".partial", ".filepart", ".crdownload"} {
		if strings.HasSuffix(strings.ToLower(name), end) {
			return true
		}
	}
	return false
}

// still says whether a file has not changed for long enough, and notes how it looks.
func (s *Source) still(f found) bool {
	now := s.o.Now()
	was, ok := s.seen[f.name]
	if !ok || was.size != f.info.Size() || !was.mtime.Equal(f.info.ModTime()) {
		was = sight{f.info.Size(), f.info.ModTime(), now}
		s.seen[f.name] = was
	}
	return s.o.Settle < 0 || now.Sub(f.info.ModTime()) >= s.o.Settle || now.Sub(was.since) >= s.o.Settle
}

func (s *Source) forget(files []found) {
	there := names(files)
	for name := range s.seen {
		if !there[name] {
			delete(s.seen, name)
		}
	}
}

func names(files []found) map[string]bool {
	there := make(map[string]bool, len(files))
	for _, f := range files {
		there[f.name] = true
	}
	return there
}

// digest is the SHA-256 of a file's content.
func digest(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fileError(path, err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fileError(path, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func fileError(path string, err error) error {
	return fault.New(fault.KindOf(err), "read file "+path, "Check that the file can be read by this program; it is tried again at the next run.", plain(err))
}
