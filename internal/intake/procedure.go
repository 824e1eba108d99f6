package intake

import (
	"strings"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// procedure reads an operation, imaging that was recorded as a procedure, or a
// record of history. Only status completed says that something was done.
func (in *input) procedure(r *fhir.Procedure) {
	in.of(r.Subject)
	if r.Status != "completed" && !in.s.Retracted {
		return
	}
	cs, text := in.concept(&r.Code)
	what, rule, ok := in.m.Book.Operation(cs, text)
	switch {
	case ok && what.Role == codes.RoleImaging:
		in.imagingProcedure(r)
		return
	case ok && what.Role == codes.RoleHistory:
		in.history(what, &r.Code, r.BodySite)
		return
	case !ok:
		if in.imagingProcedure(r); in.s.Study != nil {
			return
		}
	}
	in.operation(r, what, rule)
	in.s.Parts = in.containedDevices(r)
}

// operation reads what was done, where and when.
func (in *input) operation(r *fhir.Procedure, what codes.Operation, rule codes.Rule) {
	on, minute := in.performed(r)
	op := fact(in.m, &in.m.room.operation)
	op.Source, op.On, op.Minute, op.Role, op.How, op.Performer = in.src, on, minute, roleOf(what.Role), how(rule), performer(r)
	if op.Role != chart.RoleOther {
		op.Class = className(what.Class)
		op.Zone, op.Side, op.Sided = in.place(what, &r.Code, r.BodySite)
		op.Devices = in.usedDevices(r)
		op.Doubtful = in.unsuccessful(r)
		if what.Ask != "" {
			in.doubt("other", what.Ask, on)
		}
	}
	in.s.Operation = op
}

// history reads a record which says only that there is an implant.
func (in *input) history(what codes.Operation, code *fhir.CodeableConcept, sites []fhir.CodeableConcept) {
	zone, side, _ := in.place(what, code, sites)
	in.s.History = &chart.History{Source: in.src, Class: className(what.Class), Zone: zone, Side: side}
}

// performed is when it was done. A text, an age or a range of ages is no date.
func (in *input) performed(r *fhir.Procedure) (day.Span, int) {
	if r.PerformedDateTime != "" {
		return in.date(r.PerformedDateTime)
	}
	return in.period(r.PerformedPeriod)
}

// roleOf is a role in the words of the chart.
func roleOf(r codes.Role) chart.Role {
	switch r {
	case codes.RoleImplant:
		return chart.RoleImplant
	case codes.RoleRelining:
		return chart.RoleRelining
	case codes.RoleExplant:
		return chart.RoleExplant
	case codes.RoleOcclusion:
		return chart.RoleOcclusion
	}
	return chart.RoleOther
}

// className is a class in the words of the chart: an unknown one is empty.
func className(c codes.Class) string {
	if c == codes.ClassUnknown {
		return ""
	}
	return string(c)
}

// place is the zone and side of an operation: what its code tells, else its
// class, else the body site; the side, where the zone has one, at last from the
// words left and right.
func (in *input) place(what codes.Operation, code *fhir.CodeableConcept, sites []fhir.CodeableConcept) (zone, side string, sided bool) {
	z, s := what.Zone, what.Side
	if z == "" {
		z = what.Class.Zone()
	}
	for i := range sites {
		site := in.site(&sites[i])
		if z == "" {
			z = site.Zone
		}
		if s == "" {
			s = site.Side
		}
	}
	if s == "" && z.Sided() {
		words := wordsOf(code)
		for i := range sites {
			words += wordsOf(&sites[i])
		}
		s = sideOf(words)
	}
	if !z.Sided() {
		s = "" // the side of an access, not of the place
	}
	return string(z), string(s), z.Sided()
}

// wordsOf are all words of a concept, each text behind a blank.
func wordsOf(c *fhir.CodeableConcept) string {
	words := " " + c.Text
	for i := range c.Coding {
		words += " " + c.Coding[i].Display
	}
	return words
}

// site is what the first known coding of a body site tells.
func (in *input) site(c *fhir.CodeableConcept) codes.Site {
	for i := range c.Coding {
		if site, _, ok := in.m.Book.BodySite(c.Coding[i].System, c.Coding[i].Code); ok {
			return site
		}
	}
	return codes.Site{}
}

// sideOf finds the side in words; both words mean both sides.
func sideOf(text string) codes.Side {
	left, right := false, false
	for word := range strings.FieldsFuncSeq(strings.ToLower(text), func(r rune) bool { return (r < 'a' || r > 'z') }) {
		switch word {
		case "left":
			left = true
		case "right":
			right = true
		case "bilateral", "both":
			left, right = true, true
		}
	}
	switch {
	case left && right:
		return codes.Bilateral
	case left:
		return codes.Left
	case right:
		return codes.Right
	}
	return ""
}

// usedDevices are the devices that the operation names.
func (in *input) usedDevices(r *fhir.Procedure) []string {
	var out []string
	add := func(ref *fhir.Reference) {
		if s := plain(ref); strings.HasPrefix(s, "#") {
			out = append(out, in.s.Ref+s)
		} else if s != "" {
			out = append(out, s)
		}
	}
	for i := range r.FocalDevice {
		add(&r.FocalDevice[i].Manipulated)
	}
	for i := range r.UsedReference {
		add(&r.UsedReference[i])
	}
	return out
}

// containedDevices are the devices inside the resource; their references are
// made of that of the procedure.
func (in *input) containedDevices(r *fhir.Procedure) []chart.Device {
	var out []chart.Device
	for i := range r.Contained {
		d := in.part(&r.Contained[i])
		d.Source = chart.Source{Ref: in.s.Ref + "#" + r.Contained[i].ID, Version: in.s.Version}
		out = append(out, d)
		if op := in.s.Operation; op != nil && op.Role != chart.RoleOther {
			op.Devices = appendNew(op.Devices, d.Ref)
		}
	}
	return out
}

func appendNew(list []string, s string) []string {
	for _, have := range list {
		if have == s {
			return list
		}
	}
	return append(list, s)
}

// unsuccessful says why a completed operation may not have left an implant in
// place; empty where nothing says so. The codes of outcomes are those of the R4
// value set procedure-outcome.
func (in *input) unsuccessful(r *fhir.Procedure) string {
	switch {
	case hasCode(&r.Outcome, "385671000"):
		return "its outcome is coded as unsuccessful"
	case hasCode(&r.Outcome, "385670004"):
		return "its outcome is coded as partly successful"
	case saysFailed(&r.Outcome):
		return "its outcome: " + said(&r.Outcome)
	case !r.StatusReason.IsZero():
		return "it has a reason for its status: " + said(&r.StatusReason)
	}
	return ""
}

// saysFailed looks for words of failure.
func saysFailed(c *fhir.CodeableConcept) bool {
	words := strings.ToLower(c.Text)
	for i := range c.Coding {
		words += " " + strings.ToLower(c.Coding[i].Display)
	}
	for _, w := range []string{"unsuccessful", "not successful", "aborted", "abandoned", "failed", "failure to", "not deployed", "not implanted", "not placed", "no graft", "converted to open", "conversion to open"} {
		if strings.Contains(words, w) {
			return true
		}
	}
	return false
}

// performer is who did it, by name where one was sent.
func performer(r *fhir.Procedure) string {
	for i := range r.Performer {
		a := &r.Performer[i].Actor
		if a.Display != "" {
			return a.Display
		}
		if s := plain(a); s != "" {
			return s
		}
	}
	return ""
}
