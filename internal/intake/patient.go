package intake

import (
	"strings"

	"perennial/internal/chart"
	"perennial/internal/fhir"
)

// patient reads who the patient is, and which records are the same person.
func (in *input) patient(r *fhir.Patient) {
	in.s.Patient = r.ID
	p := fact(in.m, &in.m.room.person)
	p.ID, p.Name, p.Born, p.Sex, p.Phone = r.ID, nameOfPerson(r.Name), r.BirthDate, r.Gender, phone(r.Telecom)
	p.Test, p.Restricted = r.Meta.Test(), r.Meta.Restricted()
	p.Inactive = r.Active != nil && !*r.Active
	for i := range r.Identifier {
		if r.Identifier[i].Value != "" {
			p.Identifiers = append(p.Identifiers, r.Identifier[i].Key())
		}
	}
	for i := range r.Link {
		key := PatientKey(r.Link[i].Other)
		switch {
		case key == "" || key == r.ID:
		case r.Link[i].Type == "replaced-by":
			p.ReplacedBy = append(p.ReplacedBy, key)
		case r.Link[i].Type == "replaces":
			p.Replaces = append(p.Replaces, key)
		}
	}
	p.Dead.Source = in.src
	switch {
	case r.DeceasedDateTime != "":
		p.Dead.Known, p.Dead.On = true, in.on(r.DeceasedDateTime)
	case r.DeceasedBoolean != nil && *r.DeceasedBoolean, r.DeceasedMasked != nil:
		p.Dead.Known = true
	default:
		p.Dead.Source = chart.Source{}
	}
	in.s.Person = p
}

// nameOfPerson is the official name, else the usual one, else the first that
// is not an old one.
func nameOfPerson(list []fhir.HumanName) string {
	best := -1
	for i := range list {
		if best < 0 || rankOfName(list[i].Use) < rankOfName(list[best].Use) {
			best = i
		}
	}
	if best < 0 {
		return ""
	}
	n := &list[best]
	if n.Text != "" {
		return n.Text
	}
	return strings.TrimSpace(strings.Join(n.Given, " ") + " " + n.Family)
}

func rankOfName(use string) int {
	switch use {
	case "official":
		return 0
	case "usual":
		return 1
	case "":
		return 2
	case "old", "maiden", "temp":
		return 4
	}
	return 3
}

// phone is the telephone number to try first.
func phone(list []fhir.ContactPoint) string {
	best := -1
	for i := range list {
		c := &list[i]
		if (c.System == "phone" || c.System == "sms") && c.Value != "" && c.Use != "old" && (best < 0 || before(c, &list[best])) {
			best = i
		}
	}
	if best < 0 {
		return ""
	}
	return list[best].Value
}

func before(a, b *fhir.ContactPoint) bool {
	if a.Rank != b.Rank {
		return b.Rank == "" || a.Rank != "" && len(a.Rank) <= len(b.Rank) && a.Rank < b.Rank
	}
	return a.Use == "mobile" && b.Use != "mobile"
}
