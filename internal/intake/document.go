package intake

import (
	"perennial/internal/fhir"
)

// document reads a document that reports imaging: a study known without its
// images. Other documents are not relevant.
func (in *input) document(r *fhir.DocumentReference) {
	in.of(r.Subject)
	cs, text := in.concept(&r.Type)
	what, rule, ok := in.m.Book.Imaging(cs, text)
	if !ok && !in.imagingCategory(r.Category) && !in.imagingCategory([]fhir.CodeableConcept{r.Type}) {
		in.skip = true
		return
	}
	if r.Status == "superseded" {
		return
	}
	on, minute := in.period(&r.Context.Period)
	if !on.Known() {
		on, minute = in.date(r.Date)
	}
	s := in.reported(on, minute, &r.Type)
	s.UID, s.Accession, s.Orders = fhir.StudyUID(r.Identifier), in.m.accession(r.Identifier), typed(r.Context.Related, "ServiceRequest")
	in.conclude(s, what, rule, ok)
	s.CodedSeparate = ok
	in.s.Study = s
}
