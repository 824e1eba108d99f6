// Package fhirrecord keeps what follows from a patient's plan as FHIR resources: on a FHIR server, or in files. Beside
// the Tasks, which package fhirtask carries, these are CarePlan, ServiceRequest, Flag, Communication and Provenance, as
// far as the site wants them.
//
// # A state, not a message
//
// An item of the outbox says only that something changed for a patient. What is there now is rendered when it is sent
// (Options.State), and the server is brought to that: what is missing is made, what is another is updated, what is no
// longer in the state is closed by its status and never deleted. So it does not matter how many changes were missed.
//
// # What is known of the server
//
// For each patient and server a Ledger says what was written: the reference, a hash of the content, the status. What has
// not changed costs no request. Before anything is written the ledger says what is going to be, so that a program that
// dies in between looks before it makes anything a second time.
//
// # Whose it is
//
// A resource whose status or intent is not what was written last was taken over by a person or another system: it is
// left as it is. One that is gone from the server was removed by a person: it is not made again until its own state
// has changed. What others added to a resource of ours stays.
//
// A Provenance has no identifier and is never changed: another one is added when what it says changes. It is found by
// its target and what it says.
package fhirrecord

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"perennial/internal/fault"
	"perennial/internal/outbox"
)

// Kind is the kind of item that is carried: see Note.
const Kind = outbox.KindRecord

// Note is the body of an item.
type Note struct {
	Patient string `json:"patient"` // key
}

// Resource is one resource of a patient's present state.
type Resource struct {
	Type   string
	Key    string // value of its identifier; its id in files
	System string // of its identifier; empty: it has none
	Status string // empty: it has none
	Body   []byte
}

// State is what there is to be for one patient.
type State struct {
	Resources []Resource      // what others refer to comes first
	Finished  map[string]bool // keys of what is not among them because it was done
}

// Entry is what is known of one resource at one receiver.
type Entry struct {
	Type   string `json:"type"`
	System string `json:"system,omitempty"`
	Ref    string `json:"ref,omitempty"`    // "CarePlan/7"
	Hash   string `json:"hash,omitempty"`   // of the content that was last written
	Want   string `json:"want,omitempty"`   // status that it was to have last
	Status string `json:"status,omitempty"` // … that was last written
	Gone   bool   `json:"gone,omitempty"`   // a person removed it there
	Kept   bool   `json:"kept,omitempty"`   // a person, or another system, has taken it over
	// Tried are the statuses with which a write was begun whose end is not known; "-" stands for one of a type without.
	Tried []string `json:"tried,omitempty"`
}

// Ledger is what is known of a patient's resources, by their keys.
type Ledger map[string]Entry

// Options are what both carriers need.
type Options struct {
	Types []string // that are turned on
	State func(ctx context.Context, patient string) (State, error)
	Load  func(ctx context.Context, patient string) (Ledger, error) // of this receiver; not for Files
	Keep  func(ctx context.Context, patient string, l Ledger) error
}

// decode reads the body of an item.
func decode(it outbox.Item) (string, error) {
	var n Note
	if err := json.Unmarshal(it.Body, &n); err != nil || n.Patient == "" {
		return "", fault.New(fault.Invalid, "read a change of a plan", "", fmt.Errorf("the item names nobody"))
	}
	return n.Patient, nil
}

// closed says whether a status asks for nothing more of a type: such a resource is not made only to be closed.
func closed(typ, status string) bool { return status != "" && slices.Contains(closings(typ), status) }

// own are the statuses that the program writes.
func own(typ string) []string {
	return append(closings(typ), map[string][]string{"CarePlan": {"draft"}, "ServiceRequest": {"draft"}, "Flag": {"active"}, "Communication": {"completed", "not-done", "unknown"}}[typ]...)
}

// closings are the statuses by which a resource of ours ends; the first is that of one that is not asked for any more.
func closings(typ string) []string {
	switch typ {
	case "CarePlan", "ServiceRequest":
		return []string{"revoked", "completed"}
	case "Flag":
		return []string{"inactive"}
	case "Communication":
		return []string{"entered-in-error"}
	}
	return nil
}

// ending is the status of a resource that is no longer in the state; "" for a type that does not end.
func (s *State) ending(typ, key string) string {
	all := closings(typ)
	switch {
	case len(all) == 0:
		return ""
	case s.Finished[key] && slices.Contains(all, "completed"):
		return "completed"
	}
	return all[0]
}

// counts say what was done, for a receipt. They name nobody.
type counts struct{ made, updated, closed, same, kept, gone int }

// String is the receipt.
func (c counts) String() string {
	if c == (counts{same: c.same}) {
		return fmt.Sprintf("%s: %d unchanged", outbox.Nothing, c.same)
	}
	text := fmt.Sprintf("%d made, %d updated, %d closed, %d unchanged", c.made, c.updated, c.closed, c.same)
	if c.kept > 0 {
		text += fmt.Sprintf(", %d left to those who took them over", c.kept)
	}
	if c.gone > 0 {
		text += fmt.Sprintf(", %d no longer there", c.gone)
	}
	return text
}
