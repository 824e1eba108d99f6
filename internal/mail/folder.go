package mail

import (
	"context"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2"

	"perennial/internal/fault"
)

// Folder takes messages as .eml files, which every mail program opens.
type Folder struct{ Dir string }

// Send writes the message into the folder, whole or not at all, readable by the
// program's user only, and gives the file's name. The same message always has
// the same name, so that sending it again changes nothing.
func (f Folder) Send(ctx context.Context, m Message) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", err
	}
	text, err := m.Bytes()
	if err != nil {
		return "", err
	}
	op, hint := "write a message to "+f.Dir, "Check that the folder exists, may be written to by this program, and has room."
	if err := os.MkdirAll(f.Dir, 0o700); err != nil {
		return "", fault.New(kindOf(err), op, hint, err)
	}
	id, _, _ := strings.Cut(m.ID(), "@")
	name := m.Date.Format("2006-01-02") + "-" + id[:12] + ".eml"
	if err := renameio.WriteFile(filepath.Join(f.Dir, name), text, 0o600, renameio.WithTempDir(f.Dir)); err != nil {
		return "", fault.New(kindOf(err), op, hint, err)
	}
	return name, nil
}

// kindOf keeps a failure of the disk from being final: a full disk or a missing
// right is mended, and the message is written then.
func kindOf(err error) fault.Kind {
	switch k := fault.KindOf(err); k {
	case fault.Denied, fault.Conflict, fault.Invalid:
		return fault.Unavailable
	default:
		return k
	}
}
