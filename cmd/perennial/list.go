package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"perennial/internal/assess"
	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/protocol"
)

// importList enters the patients of an old list as implants by hand. A row that
// is there already is passed over, so that a list may be given again.
func importList(ctx context.Context, e *env, cl *clinic.Clinic, o importOptions) error {
	name := o.list
	if o.who == "" {
		return usageError("who answers for the list is not said", "Add --who NAME.")
	}
	f, err := openInput(e, name)
	if err != nil {
		return assess.CannotRead(name, err)
	}
	defer f.Close()
	l := oldList{name: name, who: o.who, today: cl.Today()}
	if err := l.read(f); err != nil {
		return err
	}
	fresh, err := notEntered(ctx, cl, l.rows)
	if err != nil {
		return err
	}
	strangers, err := unknownTo(ctx, cl, fresh)
	if err != nil {
		return err
	}
	stored, err := cl.RuleAll(ctx, fresh)
	if err != nil {
		return err
	}
	for _, id := range strangers {
		fmt.Fprintf(e.stderr, "%s: no source knows the patient %s, who was entered all the same; is it the record number in place of the id of the FHIR Patient?\n", name, id)
	}
	before := len(l.rows) - len(stored)
	return confirm(e, o.format, map[string]any{"file": name, "implants": len(stored), "before": before}, "%s: %d implants entered by hand, %d were there before", name, len(stored), before)
}

// notEntered are the rows that nobody has entered yet, each once.
func notEntered(ctx context.Context, cl *clinic.Clinic, rows []chart.Ruling) ([]chart.Ruling, error) {
	key := func(r *chart.Ruling) [4]string { return [4]string{r.Patient, r.Class, r.Value, r.Device} }
	there := map[[4]string]bool{}
	err := cl.Rulings(ctx, func(r chart.Ruling) error {
		if r.Kind == chart.RuleImplant && r.TakenBack == nil {
			there[key(&r)] = true
		}
		return nil
	})
	var fresh []chart.Ruling
	for i := range rows {
		if k := key(&rows[i]); !there[k] {
			there[k] = true
			fresh = append(fresh, rows[i])
		}
	}
	return fresh, err
}

// unknownTo are the patients of the rows whom no source knows.
func unknownTo(ctx context.Context, cl *clinic.Clinic, rows []chart.Ruling) ([]string, error) {
	var list []string
	for i := range rows {
		_, err := cl.Patient(ctx, rows[i].Patient)
		switch {
		case fault.KindOf(err) != fault.NotFound && err != nil:
			return nil, err
		case err != nil && !slices.Contains(list, rows[i].Patient):
			list = append(list, rows[i].Patient)
		}
	}
	return list, nil
}

// oldList reads an old list.
type oldList struct {
	name, who string
	today     day.Day
	rows      []chart.Ruling
	wrong     []string
}

// read reads the rows; all mistakes are told at once. Spreadsheets put a mark
// before the first letter, and in many countries semicolons between columns.
func (l *oldList) read(in io.Reader) error {
	text := bufio.NewReader(in)
	if mark, _ := text.Peek(3); string(mark) == "\xef\xbb\xbf" {
		_, _ = text.Discard(3)
	}
	r := csv.NewReader(text)
	r.FieldsPerRecord = 4
	if start, _ := text.Peek(64); strings.Contains(firstLine(string(start)), ";") {
		r.Comma = ';'
	}
	for n := 0; ; n++ {
		row, err := r.Read()
		switch line, _ := r.FieldPos(0); {
		case errors.Is(err, io.EOF) && n > 0:
			return l.mistakes()
		case err != nil:
			return usageError(l.name+": "+err.Error(), "Give four columns, with commas or semicolons between them: patient, class, date, device.")
		case n > 0:
			l.row(line, row)
		case !strings.EqualFold(strings.Join(row, ","), "patient,class,date,device"):
			return usageError(l.name+":1: the heading is not patient,class,date,device", "Put that heading on the first line.")
		}
	}
}

// row takes one row, or notes what is wrong with it.
func (l *oldList) row(line int, cells []string) {
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	r := chart.Ruling{Patient: strings.TrimPrefix(cells[0], "Patient/"), Kind: chart.RuleImplant, Class: strings.ToLower(cells[1]), Value: cells[2], Device: cells[3], Who: l.who, Why: "from the old list " + l.name}
	wrong := func(why string) { l.wrong = append(l.wrong, fmt.Sprintf("%s:%d: %s", l.name, line, why)) }
	if r.Patient == "" {
		wrong("the patient is missing")
	}
	if !slices.Contains(protocol.Classes(), r.Class) {
		wrong(fmt.Sprintf("the class %q is none of %s", cells[1], strings.Join(protocol.Classes(), ", ")))
	}
	if why := r.Problem(); why != "" {
		wrong(why)
	} else if on, err := day.ParseDate(r.Value); err == nil && on.First > l.today {
		wrong("the date " + r.Value + " has not come yet")
	}
	l.rows = append(l.rows, r)
}

// mistakes are those of all rows.
func (l *oldList) mistakes() error {
	if len(l.wrong) == 0 {
		return nil
	}
	return usageError(strings.Join(l.wrong, "\n"), "Correct these lines; nothing was entered.")
}

// firstLine is a text up to its first line break.
func firstLine(text string) string {
	line, _, _ := strings.Cut(text, "\n")
	return line
}
