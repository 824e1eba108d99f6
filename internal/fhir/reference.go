package fhir

// Kind says how a reference names its target.
type Kind uint8

// The kinds of reference.
const (
	NoRef     Kind = iota // nothing there, or only a display text
	Relative              // Patient/1
	Absolute              // https://host/fhir/Patient/1
	URN                   // urn:uuid:..., urn:oid:...
	Contained             // #d
	Logical               // by identifier only
	Odd                   // something else: a bare id, a search
)

// Ref is a reference taken apart.
type Ref struct {
	Kind    Kind
	Type    string // Relative, Absolute; for Logical the type that was sent
	ID      string // Relative, Absolute; the fragment of Contained; the whole of URN and Odd
	Base    string // Absolute: the server's base, without a slash at the end
	Version string // of a versioned reference
	Key     string // Logical: IdentifierKey of the identifier
}
