package protocol

import (
	"io/fs"
	"strconv"

	"perennial/internal/day"
	"perennial/internal/yamldoc"
)

// Set is protocols by id.
type Set map[string]*Protocol

// Load reads every *.yaml file at the root of a file system. Two files with
// one id are a problem. Protocols without a problem are in the set even where
// other files have some; the caller decides whether to go on.
func Load(files fs.FS) (Set, []yamldoc.Problem) {
	names, err := fs.Glob(files, "*.yaml")
	if err != nil || len(names) == 0 {
		return Set{}, []yamldoc.Problem{{File: ".", Text: "no protocol (*.yaml) is in this folder"}}
	}
	set, from := Set{}, map[string]string{}
	var all []yamldoc.Problem
	for _, name := range names {
		doc, err := fs.ReadFile(files, name)
		if err != nil {
			all = append(all, yamldoc.Problem{File: name, Text: "the file cannot be read: " + err.Error()})
			continue
		}
		p, problems := Parse(name, doc)
		all = append(all, problems...)
		if p == nil {
			continue
		}
		if other, twice := from[p.ID]; twice {
			all = append(all, yamldoc.Problem{File: name, Path: "id", Text: "the protocol id " + strconv.Quote(p.ID) + " is used by " + other + " too; give one of them another"})
			continue
		}
		set[p.ID], from[p.ID] = p, name
	}
	return set, all
}

// IDs are the ids of the set in byte order.
func (s Set) IDs() []string { return sorted(s) }

// ForClass are the ids of the protocols that are for a class, in byte order.
func (s Set) ForClass(class string) []string {
	var out []string
	for _, id := range s.IDs() {
		if s[id].For(class) {
			out = append(out, id)
		}
	}
	return out
}

// RepeatID is the id of the visit of the repeating step at an offset: the
// prefix and the number of whole years, y2 for P24M, aorta5 for P60M.
func (s *Series) RepeatID(at day.Offset) string {
	return s.Prefix + strconv.Itoa(at.Months/12)
}
