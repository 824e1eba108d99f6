package notice

import "perennial/internal/day"

// Task is a work item as it is sent: all that a FHIR Task, or a line for
// people, needs. It is the body of an outbox item of the kind "task". Times are
// RFC 3339, in UTC.
type Task struct {
	Key         string   `json:"key"`                   // of the work item: the first one it got, the Task's identifier
	Rev         int      `json:"rev"`                   // counts the changes of the item, from 1
	Turn        int      `json:"turn,omitempty"`        // the change by which it got its state
	Patient     string   `json:"patient"`               // id of the surviving record, without the type
	Identifiers []string `json:"identifiers,omitempty"` // of the patient, "system|value"
	Implant     string   `json:"implant,omitempty"`
	Visit       string   `json:"visit,omitempty"`
	About       string   `json:"about,omitempty"` // reference of the study, report or question
	Kind        string   `json:"kind"`
	Urgency     string   `json:"urgency,omitempty"`
	State       string   `json:"state"`            // of the item: open, completed or cancelled
	Status      string   `json:"status"`           // what the Task should say: a person's, where one has set it
	Human       bool     `json:"human,omitempty"`  // a person set the status: it must not be changed
	Reason      string   `json:"reason,omitempty"` // why completed or cancelled: a word of this package
	Evidence    []string `json:"evidence,omitempty"`
	From        day.Day  `json:"from,omitempty"`
	By          day.Day  `json:"by,omitempty"`
	Text        string   `json:"text"`           // what is to be done and why
	Rule        string   `json:"rule,omitempty"` // the last reason's rule
	Facts       []string `json:"facts,omitempty"`
	Performer   string   `json:"performer,omitempty"`
	Authored    string   `json:"authored"`
	Modified    string   `json:"modified"`
	Notes       []Note   `json:"notes,omitempty"`
}

// Note is a remark on a Task by this program.
type Note struct {
	Text string `json:"text"`
	At   string `json:"at"` // RFC 3339
}
