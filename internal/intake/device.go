package intake

import (
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
	return d
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
