package settings

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"runtime"
	"strings"

	"perennial/internal/fault"
)

// Secret is a password or a token, named by the file that holds it. Printing
// it in any way never shows the secret, which is not kept in memory here.
type Secret struct{ File string }

// secretBytes is the largest file read as a secret.
const secretBytes = 4096

// Given says whether a file is named.
func (s Secret) Given() bool { return s.File != "" }

// String is a placeholder that names the file.
func (s Secret) String() string {
	if !s.Given() {
		return "none"
	}
	return "secret, kept in " + s.File
}

// Read gives what the file holds, without the line end. A file that others can
// read, an empty or a large one is refused. No file named gives "". An error
// names the file and what to do, never what it holds.
func (s Secret) Read() (string, error) {
	if !s.Given() {
		return "", nil
	}
	op := "read the secret in " + s.File
	f, err := os.Open(s.File)
	if err != nil {
		return "", fault.New(fault.KindOf(err), op, "Write the password or token into that file, alone, and let only the user of this program read it.", plain(err))
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o007 != 0 {
		return "", fault.New(fault.Denied, op, "Take the rights of others away: chmod o-rwx "+s.File, errors.New("every user of this computer can read it"))
	}
	text, err := io.ReadAll(io.LimitReader(f, secretBytes+1))
	if err != nil {
		return "", fault.New(fault.KindOf(err), op, "", plain(err))
	}
	secret := strings.TrimRight(string(text), "\r\n")
	if secret == "" || len(text) > secretBytes || strings.ContainsAny(secret, "\r\n\x00") {
		return "", fault.New(fault.Invalid, op, "Write the password or token into that file, alone, on one line.", errors.New("it is empty, too large or more than one line"))
	}
	return secret, nil
}

// plain drops the path that errors of the file system repeat.
func plain(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}
