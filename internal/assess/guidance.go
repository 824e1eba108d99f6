package assess

import (
	"io/fs"

	"perennial/internal/fault"
	"perennial/internal/protocol"
)

// Guidance is what is shown beside protocols: all that are known by id, the
// profiles of windows, and the questions on which the sources differ.
type Guidance struct {
	Protocols protocol.Set
	Profiles  protocol.Profiles
	Conflicts protocol.Conflicts
}

// LoadGuidance reads the shipped protocols, profiles and conflicts.
func LoadGuidance(shipped fs.FS) (Guidance, error) {
	var g Guidance
	folders := map[string]fs.FS{}
	for _, name := range []string{"protocols", "windows", "conflicts"} {
		f, err := fs.Sub(shipped, name)
		if err != nil {
			return g, fault.Wrap("reading the folder "+name, err)
		}
		folders[name] = f
	}
	set, problems := protocol.Load(folders["protocols"])
	profiles, more := protocol.LoadProfiles(folders["windows"])
	conflicts, rest := protocol.LoadConflicts(folders["conflicts"], set)
	if problems = append(append(problems, more...), rest...); len(problems) > 0 {
		return g, fault.Wrap("reading what is shipped about protocols", badDocuments("a shipped document has mistakes", problems))
	}
	return Guidance{set, profiles, conflicts}, nil
}

// Protocol finds a protocol by its id, else reads the file.
func (g *Guidance) Protocol(name string) (*protocol.Protocol, error) {
	return findProtocol(g.Protocols, name)
}
