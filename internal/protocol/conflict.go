package protocol

import (
	"fmt"
	"io/fs"
	"slices"

	"perennial/internal/yamldoc"
)

// Conflict is a question on which the sources differ. It is shown where a
// protocol is chosen and where it is followed; nothing ever merges the sides.
type Conflict struct {
	ID      string
	About   string   // the question
	Classes []string // that it is about
	Sides   []Side
}

// Side is one answer to the question.
type Side struct {
	Says      string
	Protocols []string // ids of the protocols that do so; empty: none is shipped
	Cites     []Cite
}

// Takes says whether a protocol is on the side.
func (s *Side) Takes(id string) bool { return slices.Contains(s.Protocols, id) }

// Own is the side on which a protocol stands; nil where it stands on none.
func (c *Conflict) Own(id string) *Side {
	for i := range c.Sides {
		if c.Sides[i].Takes(id) {
			return &c.Sides[i]
		}
	}
	return nil
}

// Others are the sides on which a protocol does not stand.
func (c *Conflict) Others(id string) []Side {
	return slices.DeleteFunc(slices.Clone(c.Sides), func(s Side) bool { return s.Takes(id) })
}

// Conflicts are all that are known, in the order of their documents.
type Conflicts []Conflict

// For are the conflicts about a class of implants.
func (cs Conflicts) For(class string) Conflicts {
	return slices.DeleteFunc(slices.Clone(cs), func(c Conflict) bool { return !slices.Contains(c.Classes, class) })
}

// LoadConflicts reads every *.yaml file at the root of a file system as a list
// of conflicts. A protocol that the set does not have is a problem.
func LoadConflicts(files fs.FS, set Set) (Conflicts, []yamldoc.Problem) {
	var list Conflicts
	problems := eachDocument(files, func(name string, doc []byte) []yamldoc.Problem {
		some, problems := ParseConflicts(name, doc, set)
		list = append(list, some...)
		return problems
	})
	return list, problems
}

// ParseConflicts reads one list of conflicts. With any problem it is empty.
func ParseConflicts(name string, doc []byte, set Set) (Conflicts, []yamldoc.Problem) {
	r, top := yamldoc.Open(name, doc)
	if len(r.Problems()) > 0 {
		return nil, r.Problems()
	}
	p := &parser{r: r, file: name, sources: map[string]string{}, known: Classes()}
	top.NeedText("about")
	p.readSources(top)
	var list Conflicts
	for _, s := range top.Maps("conflicts") {
		c := Conflict{ID: p.id(s, "id"), About: s.NeedText("about"), Classes: p.needWords(s, "classes", "class", Classes())}
		for _, one := range s.Maps("sides") {
			c.Sides = append(c.Sides, p.side(one, set))
		}
		p.twoSides(s, &c)
		s.Done()
		list = append(list, c)
	}
	top.Done()
	if ps := yamldoc.Sort(append(r.Problems(), p.own...)); len(ps) > 0 {
		return nil, ps
	}
	return list, nil
}

func (p *parser) side(s *yamldoc.Section, set Set) Side {
	out := Side{Says: s.NeedText("says"), Protocols: p.words(s, "protocols", "protocol", set.IDs())}
	for _, c := range s.Maps("cites") {
		out.Cites = append(out.Cites, p.citation(c))
	}
	if len(out.Cites) == 0 {
		s.Report("cites", "is missing; every side says where it comes from")
	}
	s.Done()
	return out
}

// twoSides wants a question with two sides at least, and no protocol on both.
func (p *parser) twoSides(s *yamldoc.Section, c *Conflict) {
	if len(c.Sides) < 2 {
		s.Report("sides", "a conflict has two sides at least")
	}
	on := map[string]bool{}
	for _, side := range c.Sides {
		for _, id := range side.Protocols {
			if on[id] {
				p.report(at(s, "sides"), "", "%s stands on two sides", id)
			}
			on[id] = true
		}
	}
}

// String is the source with its grade and its evidence mark.
func (c Cite) String() string {
	if c.Grade == "" {
		return fmt.Sprintf("%s [%s]", c.Text, c.Evidence)
	}
	return fmt.Sprintf("%s (%s) [%s]", c.Text, c.Grade, c.Evidence)
}
