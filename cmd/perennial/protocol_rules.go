package main

import (
	"fmt"
	"io"

	"perennial/internal/protocol"
)

// writeRules says what findings change.
func (s *shown) writeRules(out io.Writer, slots []protocol.Slot) {
	for i := range slots {
		if v := &slots[i]; v.OnlyIf != nil {
			fmt.Fprintf(out, "\n%s only if the first scan shows: %s.\n", v.Step, v.OnlyIf.Text())
		}
		if v := &slots[i]; v.Also != nil {
			fmt.Fprintf(out, "\n%s: the source also asks for %s within %d days; the visit is done without it, and the reasons say so.\n", v.Step, v.Also.Text(), v.Also.Within)
		}
	}
	list := s.rules()
	if len(list) > 0 {
		fmt.Fprintln(out, "\nWhat findings and operations change:")
	}
	for _, t := range list {
		fmt.Fprintf(out, "  %s:\n", t.When.Text())
		for _, part := range t.Then.Parts() {
			fmt.Fprintf(out, "      %s\n", part)
		}
		if kinds := t.Then.Alone(); len(kinds) > 0 {
			fmt.Fprintf(out, "      done by: %s\n", kindsText(kinds))
		}
		fmt.Fprintf(out, "      Source: %s\n", t.Cite)
	}
}

// rules are the triggers for the class.
func (s *shown) rules() (list []*protocol.Trigger) {
	for i := range s.Triggers {
		if t := &s.Triggers[i]; t.For(s.class) {
			list = append(list, t)
		}
	}
	return list
}

// ruleObjects are the triggers for programs.
func (s *shown) ruleObjects() []map[string]any {
	out := []map[string]any{}
	for _, t := range s.rules() {
		out = append(out, map[string]any{"id": t.ID, "when": t.When.Text(), "then": t.Then.Parts(), "cite": t.Cite.Text, "grade": t.Cite.Grade, "evidence": t.Cite.Evidence})
	}
	return out
}
