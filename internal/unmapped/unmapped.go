// Package unmapped lists the codes that the code book does not know, so that
// a site can put them into its own map: procedures, imaging, device types and
// the observations and conclusions of imaging. It counts resources and keeps
// codes and their displays, never anything about a patient.
package unmapped

import (
	"cmp"
	"io"
	"slices"

	"perennial/internal/codes"
	"perennial/internal/fhir"
)

// Row is one code that no rule recognised.
type Row struct {
	Count  int    `json:"count"`
	On     string `json:"on"` // operation, imaging, device or finding
	System string `json:"system,omitempty"`
	Code   string `json:"code,omitempty"`
	Text   string `json:"text,omitempty"` // display or text of the first that was seen
}

// Counter counts codes while resources are read. The zero value with a book is
// ready.
type Counter struct {
	Book *codes.Book
	// Refused, if not nil, is told of what cannot be read, and so is not counted.
	Refused func(fhir.Issue)
	seen    map[key]*Row
}

type key struct{ on, system, code string }

// Read counts the codes of everything in one input. What cannot be read is
// passed over and told.
func (c *Counter) Read(name string, in io.Reader) error {
	tell := func(i fhir.Issue) {
		if c.Refused != nil {
			c.Refused(i)
		}
	}
	return fhir.Read(name, in, fhir.Handler{Issue: tell, Each: func(raw fhir.Raw) error {
		r, err := fhir.Decode(raw.Body)
		if err == nil {
			c.Add(r)
			return nil
		}
		what := err.Error()
		if q, ok := err.(*fhir.Quarantine); ok {
			plain := fhir.Quarantine{Field: q.Field, What: q.What}
			what = plain.Error()
		}
		tell(fhir.Issue{File: raw.File, Line: raw.Line, Ref: fhir.Salvage(raw.Body).Ref(), What: what})
		return nil
	}})
}

// Add counts the codes of one resource.
func (c *Counter) Add(r fhir.Resource) {
	switch r := r.(type) {
	case *fhir.Procedure:
		cs, text := concept(&r.Code)
		_, _, operation := c.Book.Operation(cs, text)
		_, _, imaging := c.Book.Imaging(cs, text)
		c.count("operation", &r.Code, operation || imaging)
	case *fhir.ImagingStudy:
		for i := range r.ProcedureCode {
			cs, text := concept(&r.ProcedureCode[i])
			_, _, ok := c.Book.Imaging(cs, text)
			c.count("imaging", &r.ProcedureCode[i], ok)
		}
		if len(r.ProcedureCode) == 0 && r.Description != "" {
			_, _, ok := c.Book.Imaging(nil, r.Description)
			c.count("imaging", &fhir.CodeableConcept{Text: r.Description}, ok)
		}
	case *fhir.DiagnosticReport:
		if cs, text := concept(&r.Code); len(r.ImagingStudy) > 0 {
			_, _, ok := c.Book.Imaging(cs, text)
			c.count("imaging", &r.Code, ok)
		}
		for i := range r.ConclusionCode {
			cs, _ := concept(&r.ConclusionCode[i])
			_, _, ok := c.Book.Finding(cs, "")
			c.count("finding", &r.ConclusionCode[i], ok)
		}
	case *fhir.Device:
		cs, text := concept(&r.Type)
		_, _, ok := c.Book.Device(cs, text)
		c.count("device", &r.Type, ok)
	}
}

// Rows lists what was not recognised, most frequent first, then by code.
func (c *Counter) Rows() []Row {
	rows := make([]Row, 0, len(c.seen))
	for _, r := range c.seen {
		rows = append(rows, *r)
	}
	slices.SortFunc(rows, func(a, b Row) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.On, b.On), cmp.Compare(a.System, b.System), cmp.Compare(a.Code, b.Code), cmp.Compare(a.Text, b.Text))
	})
	return rows
}

// count notes a concept that is not known under its first coding, or its text
// where it has none.
func (c *Counter) count(on string, concept *fhir.CodeableConcept, known bool) {
	if known || concept.IsZero() {
		return
	}
	k := key{on: on, code: concept.Text}
	row := Row{On: on, Text: concept.Text}
	if len(concept.Coding) > 0 {
		first := &concept.Coding[0]
		k = key{on, first.System, first.Code}
		row.System, row.Code = first.System, first.Code
		row.Text = cmp.Or(first.Display, concept.Text)
	}
	if c.seen == nil {
		c.seen = map[key]*Row{}
	}
	if c.seen[k] == nil {
		c.seen[k] = &row
	}
	c.seen[k].Count++
}

func concept(c *fhir.CodeableConcept) ([]codes.Coding, string) {
	list := make([]codes.Coding, len(c.Coding))
	for i := range c.Coding {
		list[i] = codes.Coding{System: c.Coding[i].System, Code: c.Coding[i].Code, Text: c.Coding[i].Display}
	}
	return list, c.Text
}
