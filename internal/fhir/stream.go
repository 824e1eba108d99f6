package fhir

import "io"

// Raw is one resource as it was found in an input.
type Raw struct {
	File string // the name given to Read
	Line int    // the line on which the resource begins, from 1
	// FullURL is the Bundle entry's fullUrl, "" elsewhere: what a urn:uuid reference in that Bundle points to.
	FullURL string
	// Body is the JSON object. It lies in the reader's own buffer and holds only during the call: copy to keep.
	Body []byte
}

// IssueKind says what sort of thing could not be read.
type IssueKind uint8

// The kinds of issue.
const (
	Unreadable IssueKind = iota // not JSON, or not a resource: one resource, line or element lost
	Oversize                    // one resource over the limit, skipped
	Truncated                   // the input ends, or breaks, in the middle: everything after this place is lost
	NotFHIR                     // the whole input is something else
)

// Issue is one thing in an input that could not be read. It holds no patient data beyond ids.
type Issue struct {
	Kind IssueKind
	File string
	Line int    // the line on which the thing begins, from 1
	Ref  string // "Type/id" if known
	What string // what is wrong
	Fix  string // what to do about it
	// Known is what could be found out about the resource, for the question to its patient.
	Known Salvaged
}

// Limits bound what is held in memory.
type Limits struct {
	MaxResource int // bytes of one resource; 0 is 16 MB
	Buffer      int // bytes read at once; 0 is 1 MB
}

// Handler takes what Read finds.
type Handler struct {
	// Each gets every resource in order. An error of its stops the reading and is returned by Read as it is.
	Each func(Raw) error
	// Issue gets every thing that could not be read, in order with the resources. May be nil.
	Issue  func(Issue)
	Limits Limits
}

// Read takes one input apart: see the package comment for what it recognises. It returns an error only when r
// itself fails (a disk, a network) or when Each does; whatever is wrong with the content goes to Issue.
func Read(name string, r io.Reader, h Handler) error { return nil }
