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

// Secret is a password, a token or a private key, named by the file that holds it. Printing
// it in any way never shows the secret, which is not kept in memory here.
type Secret struct{ File string }

// The largest files read as a password or token, and as a key.
const (
	secretBytes = 4096
	keyBytes    = 64 << 10
)

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
	const hint = "Write the password or token into that file, alone, on one line."
	text, err := s.read(secretBytes, "Write the password or token into that file, alone, and let only the user of this program read it.", hint)
	secret := strings.TrimRight(string(text), "\r\n")
	if err == nil && s.Given() && (secret == "" || strings.ContainsAny(secret, "\r\n\x00")) {
		return "", fault.New(fault.Invalid, s.op(), hint, errors.New("it is empty, too large or more than one line"))
	}
	return secret, err
}

// ReadKey gives the whole file, such as that of a private key. Otherwise it is
// as Read.
func (s Secret) ReadKey() ([]byte, error) {
	const hint = "Put the private key into that file, as PEM or JWK."
	text, err := s.read(keyBytes, "Put the private key into that file, and let only the user of this program read it.", hint)
	if err == nil && s.Given() && len(text) == 0 {
		return nil, fault.New(fault.Invalid, s.op(), hint, errors.New("it is empty"))
	}
	return text, err
}

func (s Secret) op() string { return "read the secret in " + s.File }

// read gives a file of at most so many bytes that others cannot read.
func (s Secret) read(most int64, absent, large string) ([]byte, error) {
	if !s.Given() {
		return nil, nil
	}
	f, err := os.Open(s.File)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), s.op(), absent, plain(err))
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o007 != 0 {
		return nil, fault.New(fault.Denied, s.op(), "Take the rights of others away: chmod o-rwx "+s.File, errors.New("every user of this computer can read it"))
	}
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	switch {
	case err != nil:
		return nil, fault.New(fault.KindOf(err), s.op(), "", plain(err))
	case int64(len(text)) > most:
		return nil, fault.New(fault.Invalid, s.op(), large, errors.New("it is empty, too large or more than one line"))
	}
	return text, nil
}

// plain drops the path that errors of the file system repeat.
func plain(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}
