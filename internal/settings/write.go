package settings

import "perennial/internal/yamldoc"

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
