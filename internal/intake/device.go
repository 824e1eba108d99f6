package intake

import (
	"strings"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// device reads a device that a patient has. One without a patient is of use
// only to whoever names it.
func (in *input) device(r *fhir.Device) {
	in.of(r.Patient)
	d := in.part(r)
	d.Source = in.src
	in.s.Device = &d
}

// part reads what a device is.
func (in *input) part(r *fhir.Device) chart.Device {
	cs, text := in.concept(&r.Type)
	what, _, known := in.m.Book.Device(cs, text)
	d := chart.Device{IsImplant: known && what.Role == codes.RoleImplant}
	if d.IsImplant {
		d.Class, d.Zone = className(what.Class), string(what.Zone)
		if d.Zone == "" {
			d.Zone = string(what.Class.Zone())
		}
	}
	udi, _ := r.UDI()
	d.UDI, d.Lot, d.Serial = udi.DI, udi.Lot, udi.Serial
	d.Made, d.Expiry = in.plainDate(udi.Manufactured), in.plainDate(udi.Expires)
	d.MR = magnet(r.Safety)
	if d.Name = said(&r.Type); len(r.DeviceName) > 0 && r.DeviceName[0].Name != "" {
		d.Name = short(r.DeviceName[0].Name)
	}
	d.Issuer, d.Odd, d.Parent = udi.Issuer, strings.Join(udi.Notes, "; "), plain(&r.Parent)
	d.Part = partOf(r, d.Name)
	return d
}

// partOf tells by its names which part of a cluster a device is: for people only,
// nothing is decided by it.
func partOf(r *fhir.Device, name string) string {
	words := strings.ToLower(name + wordsOf(&r.Type))
	for i := range r.DeviceName {
		words += " " + strings.ToLower(r.DeviceName[i].Name)
	}
	part := ""
	for _, p := range [][2]string{{"main body", "main body"}, {"bifurcat", "main body"}, {"limb", "limb"}, {"iliac leg", "limb"}, {"contralateral", "limb"},
		{"ipsilateral", "limb"}, {"cuff", "cuff"}, {"branch", "branch"}, {"bridging", "branch"}, {"extension", "extension"}} {
		if part == "" && strings.Contains(words, p[0]) {
			part = p[1]
		}
	}
	if side := sideOf(words); part != "" && part != "main body" && side != "" && side != codes.Bilateral {
		part += ", " + string(side)
	}
	return part
}

// plainDate is a date of a label, as written: a label knows no time zone.
func (in *input) plainDate(text string) day.Span {
	if len(text) > 10 {
		text = text[:10]
	}
	on, err := day.ParseDate(text)
	if err != nil {
		return day.Span{}
	}
	return on
}
