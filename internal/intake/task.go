package intake

import (
	"cmp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/fhir"
)

// Identifiers of what this program writes itself.
const (
	// WorkSystem is the system of the identifier of a Task that is one of our
	// work items; its value is the item's key.
	WorkSystem = "urn:perennial:work"
	// OwnSystems is how the systems of our own codes begin: a Task whose
	// statusReason has one was closed by this program.
	OwnSystems = "urn:perennial:"
	// VisitSystem and AttemptSystem, each followed by ":" and the id of a site, are
	// the systems of the identifiers of our own ServiceRequests and Communications.
	VisitSystem   = "urn:perennial:visit"
	AttemptSystem = "urn:perennial:attempt"
)

// ownWork says whether a resource is one that this program writes.
func ownWork(list []fhir.Identifier, system string) bool {
	return slices.ContainsFunc(list, func(i fhir.Identifier) bool { return strings.HasPrefix(i.System, system+":") })
}

// task reads what became of one of our work items. The program itself never
// accepts, starts, holds or rejects a Task: who does is a person. Whether a
// closed one was closed by a person tells its statusReason: ours are coded in
// a system of ours.
func (in *input) task(r *fhir.Task) {
	in.of(r.For)
	key := ""
	for i := range r.Identifier {
		if r.Identifier[i].System == WorkSystem {
			key = r.Identifier[i].Value
		}
	}
	if key == "" {
		in.skip = true
		return
	}
	on := in.on(r.LastModified)
	if !on.Known() {
		on = in.on(r.Meta.LastUpdated)
	}
	in.s.WorkState = &chart.WorkState{Source: in.src, Key: key, Status: r.Status, Person: byPerson(r), On: on,
		Owner: cmp.Or(r.Owner.Display, r.Owner.Reference), Business: theirs(&r.BusinessStatus), Why: theirs(&r.StatusReason), Notes: notes(r.Note)}
}

// ownAuthor is the author of the program's own notes.
const ownAuthor = "perennial"

// mostNotes is how many notes of people are kept of a Task: the newest, which stand last.
const mostNotes = 10

// notes are those of people, each after its author where one is named.
func notes(list []fhir.Annotation) (out []string) {
	for i := range list {
		n := &list[i]
		who := n.AuthorString
		if n.AuthorReference != nil && who == "" {
			who = n.AuthorReference.Display
		}
		switch {
		case n.Text == "" || n.AuthorString == ownAuthor:
		case who == "":
			out = append(out, n.Text)
		default:
			out = append(out, who+": "+n.Text)
		}
	}
	return out[max(0, len(out)-mostNotes):]
}

// theirs is what a concept says in words; "" where this program wrote it.
func theirs(c *fhir.CodeableConcept) string {
	said := c.Text
	for i := range c.Coding {
		if strings.HasPrefix(c.Coding[i].System, OwnSystems) {
			return ""
		}
		said = cmp.Or(said, c.Coding[i].Display, c.Coding[i].Code)
	}
	return said
}

func byPerson(r *fhir.Task) bool {
	switch r.Status {
	case "draft", "requested", "ready":
		return false
	case "completed", "cancelled", "entered-in-error":
		for i := range r.StatusReason.Coding {
			if strings.HasPrefix(r.StatusReason.Coding[i].System, OwnSystems) {
				return false
			}
		}
	}
	return true
}
