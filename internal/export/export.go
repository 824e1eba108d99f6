// Package export writes protocols and plans as FHIR R4, for those who want to
// read them with FHIR's own means.
//
// # What becomes what
//
//   - A protocol is a PlanDefinition, with an ActivityDefinition for each visit
//     that it asks for (Protocol).
//   - The schedule of an implant is a CarePlan, and each visit that is owed or
//     comes next a ServiceRequest of it. A patient who is presumed lost or lost
//     to follow-up has a Flag. Why each of these is there says a Provenance:
//     the rules, and the facts that they used (Plan).
//
// # Never an order
//
// All that asks for something has the intent proposal and the status draft;
// fhir.Lint refuses anything else, and every resource passes it before it leaves
// this package. The CarePlan of a schedule that has ended is revoked, or completed
// where its last visit is behind it, and asks for nothing.
//
// # Names
//
// The id of what is about a patient is made of the site and the key of the
// implant or visit, in the form of a token that tells nothing about the patient
// (as those of Tasks are): the same visit has the same id in every export.
// Protocols are known by "urn:perennial:protocol:" and their id, with their
// version.
//
// # Why not the generated models
//
// They lack parts that are needed here, or write them wrongly, and the few types
// that are written are short.
//
// Everything is pure: the same input gives the same bytes, in the same order.
package export

import (
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/protocol"
)

// Systems of what is written here, beside those of package fhir. The first four
// are followed by ":" and the id of the site.
const (
	CarePlanSystem   = "urn:perennial:care-plan"
	VisitSystem      = "urn:perennial:visit"
	FlagSystem       = "urn:perennial:flag"
	AttemptSystem    = "urn:perennial:attempt"
	ContentSystem    = "urn:perennial:protocol-content" // a protocol's hash
	ProtocolURL      = "urn:perennial:protocol:"        // and its id
	ActivityURL      = "urn:perennial:activity:"        // and protocol, series and step
	CodesOfImaging   = "urn:perennial:codes:imaging"    // what imaging is wanted
	CodesOfTerritory = "urn:perennial:codes:territory"
	ScheduleURL      = "urn:perennial:schedule"  // extension: offset, window and interval, each an ISO 8601 duration
	ConditionURL     = "urn:perennial:condition" // extension: when an action applies, for people and in short form
)

// Words that stand with every proposal, and with what follows a draft.
const (
	proposalText = "This is a proposal and no order. People order, book, change and cancel imaging."
	draftText    = "Draft protocol: no clinician has signed it off; do not rely on it for care before that is done."
)

// Resource is one resource that was written.
type Resource struct {
	Type, ID string
	Status   string // empty for a type that has none
	Target   string // of a Provenance: what it is about, as type and id
	URL      string // of a definition
	Body     []byte // on one line, without a line break; nil in a list
}

// Options are what all that is exported together has in common.
type Options struct {
	Site      string    // id of the site's store; it is part of every token
	At        time.Time // when the export was made
	Protocols []*protocol.Protocol
	// Bundled says that everything goes into one Bundle: then what is in it is
	// referred to by its fullUrl, else by type and id.
	Bundled bool
	// Served says that a plan is shown for as long as it does not change: nothing in
	// it then depends on the day on which it is read.
	Served bool
	// Listed says that only types, ids, statuses and targets are wanted: no Body.
	Listed bool
	// Emitted says that the resources are kept up to date elsewhere: no text in them
	// changes while what it is about does not.
	Emitted bool
	// ByIdentifier says that they refer to one another by identifier: who takes them
	// gives them ids of its own.
	ByIdentifier bool
	// Version of this program, for the agent of a Provenance; empty: not said.
	Version string
	// Only are the types that are wanted; nil: all. What is not wanted is not
	// referred to either.
	Only []string
}

// wants says whether a type is wanted.
func (o *Options) wants(typ string) bool { return o.Only == nil || slices.Contains(o.Only, typ) }

// with finds a protocol by "id@version", nil where it is not known.
func (o *Options) with(ref string) *protocol.Protocol {
	for _, p := range o.Protocols {
		if p.Ref() == ref {
			return p
		}
	}
	return nil
}

// refer refers to a resource of this export.
func (o *Options) refer(typ, id string) fhir.Reference {
	if o.Bundled {
		return fhir.Reference{Reference: fullURL(typ, id), Type: typ}
	}
	if o.ByIdentifier {
		return fhir.Reference{Type: typ, Identifier: &fhir.Identifier{System: SystemOf(typ, o.Site), Value: id}}
	}
	return fhir.Reference{Reference: typ + "/" + id}
}

// SystemOf is the system of the identifier by which a resource of a site is known;
// empty for a type that has none.
func SystemOf(typ, site string) string {
	base := map[string]string{"CarePlan": CarePlanSystem, "ServiceRequest": VisitSystem, "Flag": FlagSystem, "Communication": AttemptSystem, "Task": fhir.WorkSystem}[typ]
	if base == "" {
		return ""
	}
	return base + ":" + site
}

// fullURL is where a resource stands in a Bundle. It is made of type and id: a
// UUID of version 8 (RFC 9562).
func fullURL(typ, id string) string {
	b, _ := hex.DecodeString(fhir.Token(typ, id)) // it is hexadecimal
	b[6], b[8] = b[6]&0x0f|0x80, b[8]&0x3f|0x80
	s := hex.EncodeToString(b)
	return "urn:uuid:" + strings.Join([]string{s[:8], s[8:12], s[12:16], s[16:20], s[20:]}, "-")
}

// author is the program, as the author of what it writes.
func author() fhir.Reference { return fhir.Reference{Type: "Device", Display: fhir.AuthorName} }

// agent is the program with its version.
func (o *Options) agent() fhir.Reference {
	a := author()
	if o.Version != "" {
		a.Display = fhir.Tidy(a.Display + " " + o.Version)
	}
	return a
}

// canonical refers to a definition.
func canonical(url, version string) string { return url + "|" + version }

// written collects resources, up to the first error.
type written struct {
	list   []Resource
	listed bool // without bodies
	only   []string
	err    error
}

// add writes a resource and looks at it.
func (w *written) add(typ, id string, v any) {
	if w.err != nil || w.unwanted(typ) {
		return
	}
	r := Resource{Type: typ, ID: id}
	r.facts(v)
	if w.listed {
		w.list = append(w.list, r)
		return
	}
	body, err := fhir.Encode(v)
	if err == nil {
		if problems := fhir.Lint(body); len(problems) > 0 {
			err = errors.New(strings.Join(problems, "; "))
		}
	}
	if err != nil {
		w.err = fault.New(fault.Invalid, "write "+typ, "", err)
		return
	}
	r.Body = body
	w.list = append(w.list, r)
}

// unwanted says whether a type is not asked for.
func (w *written) unwanted(typ string) bool { return w.only != nil && !slices.Contains(w.only, typ) }

// facts takes over what is said beside the body.
func (r *Resource) facts(v any) {
	switch v := v.(type) {
	case *definition:
		r.Status, r.URL = v.Status, v.URL
	case *carePlan:
		r.Status = v.Status
	case *serviceRequest:
		r.Status = v.Status
	case *flag:
		r.Status = v.Status
	case *provenance:
		r.Target = v.Target[0].Reference
		if id := v.Target[0].Identifier; id != nil && r.Target == "" {
			r.Target = v.Target[0].Type + "/" + id.Value
		}
	case *communication:
		r.Status = v.Status
	}
}
