package cases_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"perennial/internal/notice"
)

// lines are what is expected beside the visits, and what is not.
func (p *page) lines() []string {
	var list []string
	for _, w := range p.plan.Work {
		list = append(list, "To do: "+workText(w)+".")
	}
	for _, q := range p.plan.Questions {
		list = append(list, "Question: "+p.questionText(q))
	}
	for _, s := range p.plan.Scans {
		var visits []string
		for _, key := range s.Serves {
			at := strings.LastIndexByte(key, '/')
			visits = append(visits, stepText(key[at+1:])+" of the "+notice.ClassName(p.facts.class[key[:at]]))
		}
		list = append(list, "One scan day serves "+strings.Join(visits, " and ")+": any day from "+date(s.From)+" to "+date(s.To)+".")
	}
	if not := p.notExpected(); len(not) > 0 {
		list = append(list, "Not expected: "+strings.Join(not, "; ")+".")
	}
	return list
}

// notExpected are the things that must not be there.
func (p *page) notExpected() []string {
	var list []string
	for _, m := range p.plan.Implants {
		for _, raw := range m.AbsentVisits {
			var v visit
			step := asText(raw)
			if step == "" && json.Unmarshal(raw, &v) == nil {
				step = v.Step
			}
			text := `the visit "` + stepText(step) + `"`
			if v.Target != "" {
				text += " due " + date(v.Target)
			}
			list = append(list, text)
		}
		if slices.Contains(m.Absent, "next") {
			list = append(list, "a next visit")
		}
		if slices.Contains(m.Absent, "visits") {
			list = append(list, "any visit")
		}
		if slices.Contains(m.Absent, "clock") {
			list = append(list, "a new count of the visits")
		}
	}
	for _, raw := range p.plan.AbsentWork {
		var w work
		if kind := asText(raw); kind != "" {
			w.Kind = kind
		} else if json.Unmarshal(raw, &w) != nil {
			continue
		}
		list = append(list, "to "+lower(workText(w)))
	}
	for _, raw := range p.plan.AbsentQuestions {
		if kind := asText(raw); kind == "*" {
			list = append(list, "any question")
		} else {
			list = append(list, `the question "`+questionWords(kind)+`"`)
		}
	}
	return list
}

// asText is the text that a JSON value is; empty where it is something else.
func asText(raw json.RawMessage) string {
	var text string
	if json.Unmarshal(raw, &text) != nil {
		return ""
	}
	return text
}

func workText(w work) string {
	text := notice.Title(w.Kind)
	if w.Kind == "*" {
		text = "Do anything"
	}
	if w.Visit != "" {
		text += " (" + stepText(w.Visit) + ")"
	}
	switch w.Urgency {
	case "routine":
		text += ", without hurry"
	case "asap":
		text += ", as soon as possible"
	case "urgent":
		text += ", urgently"
	case "stat":
		text += ", at once"
	}
	if w.From != "" {
		text += ", from " + date(w.From)
	}
	if w.By != "" {
		text += ", by " + date(w.By)
	}
	return text
}

func (p *page) questionText(q question) string {
	about := p.facts.text(q.About)
	switch {
	case q.Kind == "":
		return "A person is asked about this: " + about + "."
	case q.About == "":
		return questionWords(q.Kind)
	}
	return questionWords(q.Kind) + " (" + about + ")"
}

// questionWords is what a kind of question asks.
func questionWords(kind string) string {
	switch kind {
	case "index-date":
		return "When was the operation?"
	case "implant-class":
		return "What kind of implant is it?"
	case "study-kind":
		return "What kind of examination was it?"
	case "study-acceptance":
		return "May this examination count?"
	case "study-early":
		return "This examination came too early for its visit; is it to count?"
	case "partial-date":
		return "On which day was it?"
	case "finding-text":
		return "Do these words mean a finding?"
	case "identity":
		return "Are these one person?"
	case "unreadable":
		return "This record cannot be used; what does it say?"
	case "death-date":
		return "Has the patient died, and when?"
	}
	return "A person is asked about this."
}

// stepText is the id of a step in words: "1 month", "whole aorta, 5 years". An
// id that is no such pattern stays as it is.
func stepText(step string) string {
	prefix := strings.TrimRight(step, "0123456789")
	n, err := strconv.Atoi(step[len(prefix):])
	if err != nil {
		return step
	}
	switch prefix {
	case "d":
		return fmt.Sprintf("day %d", n)
	case "m":
		return count(n, "month")
	case "y", "low":
		return count(n, "year")
	case "aorta":
		return "whole aorta, " + count(n, "year")
	case "half":
		return fmt.Sprintf("%d½ years", n)
	case "check":
		return "added check"
	}
	if rest, ok := strings.CutSuffix(prefix, "-m"); ok {
		return rest + ", " + count(n, "month")
	}
	return prefix + ", " + count(n, "year")
}

func count(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// plain is a word of the program without its hyphens.
func plain(word string) string { return strings.ReplaceAll(word, "-", " ") }

func lower(text string) string { return strings.ToLower(text[:1]) + text[1:] }

// The words of steps are those that a nurse uses.
func TestStepText(t *testing.T) {
	t.Parallel()
	for step, want := range map[string]string{"m1": "1 month", "m18": "18 months", "y1": "1 year", "y2": "2 years", "aorta5": "whole aorta, 5 years",
		"check2": "added check", "d42": "day 42", "half1": "1½ years", "vessels-m6": "vessels, 6 months", "vessels1": "vessels, 1 year", "odd": "odd"} {
		if got := stepText(step); got != want {
			t.Errorf("%s: %q, want %q", step, got, want)
		}
	}
}
