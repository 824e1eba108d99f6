package notice

import "strings"

// Elsewhere is what people did with the Task of a work item in their own system.
type Elsewhere struct {
	Status   string // that a person set; empty: none has
	Owner    string // who has taken it
	Business string // where it stands, in their words
	Why      string // of the status
	Notes    []string
	Removed  bool // they removed the Task
}

// Closes says whether the status closes a Task: its work item stays all the same,
// for as long as it is needed.
func (e Elsewhere) Closes() bool {
	switch e.Status {
	case "completed", "cancelled", "rejected", "failed", "entered-in-error":
		return true
	}
	return false
}

// Lines say it for people, the most important first. Open says that the work is
// still needed.
func (e Elsewhere) Lines(open bool) (list []string) {
	switch {
	case e.Status == "":
	case open && e.Closes():
		list = append(list, "its Task was closed, it is needed still ("+statusWords(e.Status)+" in the other system)")
	default:
		list = append(list, statusWords(e.Status)+" in the other system")
	}
	if e.Removed {
		list = append(list, "its Task was removed in the other system, and is not made again while this stays as it is")
	}
	for _, part := range [][2]string{{"taken by ", e.Owner}, {"where it stands: ", e.Business}, {"because: ", e.Why}} {
		if part[1] != "" {
			list = append(list, part[0]+part[1])
		}
	}
	for _, n := range e.Notes {
		list = append(list, "note: "+n)
	}
	return list
}

// statusWords is a status of a Task as it is said.
func statusWords(status string) string {
	switch status {
	case "rejected":
		return "declined"
	case "on-hold":
		return "put on hold"
	}
	return strings.ReplaceAll(status, "-", " ")
}
