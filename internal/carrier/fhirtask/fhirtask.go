// Package fhirtask carries work items as FHIR Tasks: to files, or to a FHIR server.
//
// # One item, one Task
//
// A Task is found again by its identifier, a token made of the site and the item's key, in a system of the site. On a
// server it is searched for first and, where the server bears it, created on condition that it is not there, so that an
// item that is sent twice makes no second Task; if there are two all the same (two writers once raced), the one that a person touched, else
// the one with the lowest id, is kept, and the others are marked entered-in-error. A Task that is gone from the
// server although it was there was removed by a person: it is not made again until its item was closed and is open anew.
//
// # The way
//
// How a Task is made, and whether several go at once, follows from the server's CapabilityStatement and the settings. A
// server that takes no Tasks closes the way: see outbox.Closed.
//
// # Whose status
//
// An open item is requested, a completed one completed, a cancelled one cancelled, with a statusReason in a system of
// ours. Each Task carries a stamp of what was last written into the elements that people change too (status, priority,
// restriction.period). What on the server differs from the stamp was set by a person, and is kept; so is a closing
// status without a reason of ours, and all that the program never writes. Where a kept status says something else than
// the item, a note says what became of the item. A Task marked entered-in-error is not touched at all.
//
// Updates are made on the server's own JSON, element by element, with If-Match: what this program does not know stays
// as it is, to the last digit.
//
// # Errors
//
// As outbox.Carrier asks: Invalid is final. What a person can mend without touching the item (a token, a right, a
// server that is away, another writer at the same moment) is Unavailable, with a hint.
package fhirtask

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/notice"
	"perennial/internal/outbox"
	"perennial/internal/surveil"
)

// States of an item, as notice.Task has them.
const (
	open      = "open"
	completed = "completed"
	cancelled = "cancelled"
)

// decode reads the body of an item.
func decode(it outbox.Item) (*notice.Task, error) {
	var t notice.Task
	if err := json.Unmarshal(it.Body, &t); err != nil {
		return nil, fault.New(fault.Invalid, "read work item", "", err)
	}
	if statusOf(&t) == "" {
		return nil, fault.New(fault.Invalid, "read work item", "", fmt.Errorf("a state that there is none of"))
	}
	return &t, nil
}

// statusOf is the status that the item's own state asks for.
func statusOf(t *notice.Task) string {
	return map[string]string{open: "requested", completed: "completed", cancelled: "cancelled"}[t.State]
}

// Render writes the item as a Task of a site (the id of its store). The error is of kind Invalid.
func Render(site string, t *notice.Task) ([]byte, error) {
	authored, err1 := time.Parse(time.RFC3339, t.Authored)
	modified, err2 := time.Parse(time.RFC3339, t.Modified)
	if err1 != nil || err2 != nil {
		return nil, fault.New(fault.Invalid, "render work item", "", fmt.Errorf("authored or modified is no time"))
	}
	if modified.Before(authored) { // the clock was put back in between
		modified = authored
	}
	s := fhir.TaskSpec{
		Site: site, Key: t.Key, Group: fhir.Tidy(t.Implant), Status: t.Status, Priority: t.Urgency, Patient: fhir.PointToPatient(t.Patient, t.Identifiers), Performer: fhir.Tidy(t.Performer),
		BusinessStatus: business(t), Code: fhir.Word{Code: t.Kind, Text: notice.Title(t.Kind)}, ReasonCode: fhir.Word{Code: t.Rule},
		Description: fhir.Tidy(dayCount.ReplaceAllString(t.Text, "")), Authored: authored, Modified: modified,
		From: t.From.String(), By: t.By.String(),
	}
	if s.Status == "" || !t.Human {
		s.Status = statusOf(t)
	}
	if t.State != open && !t.Human {
		s.StatusReason = fhir.Word{Code: t.Reason, Text: ended(t)}
	}
	if t.By > 0 && t.By < t.From {
		s.By = s.From
	}
	s.Focus, s.Reason = about(t)
	if s.Notes, err1 = notes(t); err1 != nil {
		return nil, err1
	}
	return fhir.NewTask(s)
}

// dayCount is a count of days in a text, which would be wrong tomorrow; the dates beside it stay.
var dayCount = regexp.MustCompile(`, \d+ days? ago`)

// ended says why an item ended, and what shows it.
func ended(t *notice.Task) string {
	text := notice.ReasonText(t.Reason)
	if len(t.Evidence) > 0 {
		text += " (" + strings.Join(t.Evidence, ", ") + ")"
	}
	return fhir.Tidy(text)
}

// business says where the item stands, in words of ours.
func business(t *notice.Task) fhir.Word {
	switch {
	case t.State == completed:
		return fhir.Word{Code: "done", Text: "Done"}
	case t.State == cancelled:
		return fhir.Word{Code: "not-needed", Text: "No longer needed"}
	case t.Kind == surveil.WorkArrange:
		return fhir.Word{Code: "due", Text: "Due"}
	case t.Kind == surveil.WorkChase:
		return fhir.Word{Code: "overdue", Text: "Overdue"}
	case t.Kind == surveil.WorkTrace && t.Rule == "rung-lost":
		return fhir.Word{Code: "lost", Text: "Lost to follow-up"}
	case t.Kind == surveil.WorkTrace:
		return fhir.Word{Code: "presumed-lost", Text: "Presumed lost to follow-up"}
	}
	return fhir.Word{Code: "waiting", Text: "Waiting for a person"}
}

// about is what the item is about, and the reason for it: the study or report, and the operation; or the operation,
// and the first fact that led to it.
func about(t *notice.Task) (focus, reason fhir.Reference) {
	switch {
	case t.About != "" && t.Implant != "":
		return fhir.PointTo(t.About), fhir.PointTo(t.Implant)
	case t.About != "":
		return fhir.PointTo(t.About), fhir.PointTo(first(t.Facts))
	case t.Implant != "" && len(t.Facts) > 0:
		return fhir.PointTo(t.Implant), fhir.PointTo(first(t.Facts))
	}
	return fhir.PointTo(t.Implant), fhir.PointTo(t.Implant)
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// notes are the item's notes.
func notes(t *notice.Task) ([]fhir.TaskNote, error) {
	var list []fhir.TaskNote
	for _, n := range t.Notes {
		at, err := time.Parse(time.RFC3339, n.At)
		if err != nil {
			return nil, fault.New(fault.Invalid, "render work item", "", fmt.Errorf("a note without a time"))
		}
		if text := fhir.Tidy(n.Text); text != "" {
			list = append(list, fhir.TaskNote{Text: text, Time: at})
		}
	}
	return list, nil
}

// keptNote says what became of an item whose Task keeps the status that a person set.
func keptNote(t *notice.Task, kept string) (fhir.TaskNote, bool) {
	at, err := time.Parse(time.RFC3339, t.Modified)
	if err != nil || t.State == open || kept == statusOf(t) {
		return fhir.TaskNote{}, false
	}
	return fhir.TaskNote{Time: at, Text: fhir.Tidy(fmt.Sprintf("The work item is %s: %s. The status %s was set by a person and is kept.", t.State, ended(t), kept))}, true
}
