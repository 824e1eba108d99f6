package chart

// Options say how a chart is put together.
type Options struct {
	Patient string // id of the surviving record
	KnownAt int64  // milliseconds since 1970: statements received later do not exist; zero: all do
	Rulings []Ruling
	Accept  bool // studies on report only count without a person
}

// Tally counts what became of the statements of a patient.
type Tally struct {
	Used, Superseded, InError, Unreadable, Later int
}

// Assemble makes the chart of one patient from all statements about the
// patient and the records merged into it.
func Assemble(statements []Statement, o Options) (*Chart, Tally) {
	return &Chart{Patient: o.Patient}, Tally{}
}
