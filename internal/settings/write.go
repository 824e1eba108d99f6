package settings

import (
	"slices"

	"perennial/internal/yamldoc"
)

// Write is how Tasks are written to the FHIR server of out.rest. Its keys stand beside the server's address.
type Write struct {
	Create  string   // create: auto, conditional, plain or none
	Batch   bool     // batch: several at once, where the server offers it
	Aliases []string // aliases: other names that the server gives itself in links
}

// Words of Write.Create.
const (
	CreateAuto        = "auto"        // as the server's CapabilityStatement says
	CreateConditional = "conditional" // on condition that the Task is not there
	CreatePlain       = "plain"       // after a search
	CreateNone        = "none"        // the server takes no Tasks
)

// Words of Out.Also: what is written beside Tasks.
const (
	AlsoCarePlan       = "care-plan"
	AlsoServiceRequest = "service-request"
	AlsoFlag           = "flag"
	AlsoCommunication  = "communication"
	AlsoProvenance     = "provenance"
	AlsoAuditEvent     = "audit-event"
)

// alsoWords are those words.
func alsoWords() []string {
	return []string{AlsoCarePlan, AlsoServiceRequest, AlsoFlag, AlsoCommunication, AlsoProvenance, AlsoAuditEvent}
}

// also reads what is written beside Tasks.
func (p parser) also(m *yamldoc.Section, o *Out) {
	for _, word := range m.SomeOf("also", alsoWords()...) {
		if slices.Contains(o.Also, word) {
			m.Report("also", "%s stands here twice", word)
			continue
		}
		o.Also = append(o.Also, word)
	}
	if len(o.Also) > 0 && o.Mode == ModeOff {
		m.Report("also", "is of no use while the mode is off: nothing is written")
	}
}

// defaultWrite is what holds where nothing is said.
func defaultWrite() Write { return Write{Create: CreateAuto, Batch: true} }

func (p parser) write(m *yamldoc.Section, w *Write) {
	if m == nil {
		return
	}
	if word := m.OneOf("create", CreateAuto, CreateConditional, CreatePlain, CreateNone); word != "" {
		w.Create = word
	}
	w.Batch, w.Aliases = m.Bool("batch", w.Batch), p.aliases(m)
}

// write writes the keys that stand beside the address of out.rest.
func (p printer) write(w Write) {
	p.list(4, "aliases", w.Aliases)
	p.raw(4, "create", quote(w.Create))
	p.raw(4, "batch", yesNo(w.Batch))
}

// Types are the types of FHIR that Also names and that follow from a plan: all but AuditEvent, see Audits.
func (o Out) Types() (list []string) {
	types := map[string]string{AlsoCarePlan: "CarePlan", AlsoServiceRequest: "ServiceRequest", AlsoFlag: "Flag", AlsoCommunication: "Communication", AlsoProvenance: "Provenance"}
	for _, word := range o.Also {
		if typ := types[word]; typ != "" {
			list = append(list, typ)
		}
	}
	return list
}

// Audits says whether AuditEvents are written.
func (o Out) Audits() bool { return slices.Contains(o.Also, AlsoAuditEvent) }
