package intake

import (
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
)

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
	in.s.WorkState = &chart.WorkState{Source: in.src, Key: key, Status: r.Status, Person: byPerson(r), On: on}
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
