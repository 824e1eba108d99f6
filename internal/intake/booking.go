package intake

import (
	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// appointment reads a booking. Whether it is for imaging tell its service, its
// reason or its description, and its order (chart.Assemble).
func (in *input) appointment(r *fhir.Appointment) {
	for i := range r.Participant {
		if key := PatientKey(r.Participant[i].Actor); key != "" && (r.Participant[i].Actor.Type == "Patient" || namesPatient(&r.Participant[i].Actor)) {
			in.s.Patient = key
			break
		}
	}
	b := &chart.Booking{Source: in.src, State: bookingState(r.Status), Orders: plainAll(r.BasedOn)}
	if on := in.on(r.Start); on.Exact() {
		b.On = on.First
	}
	in.service(r, b)
	in.s.Booking = b
	if r.Status == "arrived" && b.On > 0 {
		in.s.Contact = &chart.Contact{Source: in.src, On: day.On(b.On), What: "appointment"}
	}
}

// namesPatient says whether a participant without a type is a patient: other
// participants are people, rooms and devices.
func namesPatient(ref *fhir.Reference) bool { return ref.Parse().Type == "Patient" }

// bookingState is where an appointment stands. Arrived is both: it keeps its
// place in the window until its day is over, and the patient was seen.
func bookingState(status string) chart.BookingState {
	switch status {
	case "proposed", "pending", "booked", "arrived":
		return chart.BookingComing
	case "checked-in", "fulfilled":
		return chart.BookingKept
	case "noshow":
		return chart.BookingMissed
	}
	return chart.BookingOff
}

// service finds out whether the appointment is for imaging, and for which.
func (in *input) service(r *fhir.Appointment, b *chart.Booking) {
	for _, list := range [4][]fhir.CodeableConcept{r.ServiceType, {r.AppointmentType}, r.ReasonCode, {{Text: r.Description}}} {
		for i := range list {
			if list[i].IsZero() {
				continue
			}
			cs, text := in.concept(&list[i])
			s, rule, ok := in.m.Book.Service(cs, text)
			if !ok || !s.Imaging {
				continue
			}
			b.Imaging = true
			if kind := kindOf(s.Study.Kind); b.Kind == chart.KindUnknown && kind != chart.KindUnknown && !s.Study.Never {
				b.Kind, b.Covers, b.How = kind, coversOf(s.Study.Covers), how(rule)
			}
		}
	}
}

// order reads a request for imaging: it can tell what a study or a booking is.
func (in *input) order(r *fhir.ServiceRequest) {
	in.of(r.Subject)
	if ownWork(r.Identifier, VisitSystem) && r.Intent == fhir.Intent { // our own proposal; once a person orders it, it counts
		in.skip = true
		return
	}
	cs, text := in.concept(&r.Code)
	what, rule, ok := in.m.Book.Imaging(cs, text)
	if !ok && !in.imagingCategory(r.Category) {
		in.skip = true
		return
	}
	in.s.Order = &chart.Order{Source: in.src, Kind: kindOf(what.Kind), Covers: coversOf(what.Covers), NeverCounts: what.Never, Unrecognised: !ok, How: how(rule),
		Off: r.Status == "revoked" || r.DoNotPerform != nil && *r.DoNotPerform}
}
