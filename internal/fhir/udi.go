package fhir

import (
	"encoding/base64"
	"strings"
	"time"
)

// UDI is a unique device identifier taken apart. Dates are YYYY-MM-DD, or YYYY-MM where only the month is known (those
// that a Device says itself stay as sent); a two-digit year is taken to be of this century, since UDIs began in 2013.
type UDI struct {
	Issuer       string   // gs1, hibcc, iccbba; "" if the text has no known form
	DI           string   // device identifier: the model
	Lot          string   // batch
	Serial       string   // the single device
	Manufactured string   // date
	Expires      string   // date
	Reference    string   // additional product identification, GS1 AI 240
	Donation     string   // ICCBBA donation identification number
	Also         []string // other ways to read lot, serial or DI where a separator or a check character may be missing: for a search that must miss nothing
	Notes        []string // what is odd about it; nothing of this makes it useless
}

// note adds a remark.
func (u *UDI) note(s string) { u.Notes = append(u.Notes, s) }

// UDI reads the device's first carrier that can be read, by its human-readable form, else by its scanned form. A
// deviceIdentifier that was sent beside it wins over the one inside it (official examples differ there); lot, serial and
// dates that the carrier lacks are filled from the Device. ok is false where nothing identifies the model.
func (d *Device) UDI() (u UDI, ok bool) {
	for i := range d.UDICarrier {
		c := &d.UDICarrier[i]
		got := c.read()
		if got.DI != "" || got.Issuer != "" {
			u = got
			break
		}
	}
	lot, serial := u.wrongField(d.LotNumber, "lot"), u.wrongField(d.SerialNumber, "serial number")
	u.Lot, u.Serial = first(u.Lot, lot), first(u.Serial, serial)
	u.Manufactured, u.Expires = first(u.Manufactured, d.ManufactureDate), first(u.Expires, d.ExpirationDate)
	return u, u.DI != ""
}

// wrongField gives what a field of the Device says; where that is a whole UDI, its parts fill what is not known, and
// nothing of it is left.
func (u *UDI) wrongField(text, field string) string {
	in := ParseUDI(text)
	if in.Issuer == "" || in.Lot == "" && in.Serial == "" {
		return text
	}
	u.note("a whole UDI stands in the field of the " + field)
	u.Issuer, u.DI, u.Lot, u.Serial = first(u.Issuer, in.Issuer), first(u.DI, in.DI), first(u.Lot, in.Lot), first(u.Serial, in.Serial)
	u.Manufactured, u.Expires = first(u.Manufactured, in.Manufactured), first(u.Expires, in.Expires)
	return ""
}

// first gives the first text that is not empty.
func first(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// read reads one carrier.
func (c *UDICarrier) read() UDI {
	u := ParseUDI(c.CarrierHRF)
	if u.Issuer == "" && c.CarrierAIDC != "" {
		if raw, err := base64.StdEncoding.DecodeString(strings.Join(strings.Fields(c.CarrierAIDC), "")); err == nil {
			u = ParseUDI(string(raw))
		} else {
			u.note("the scanned form is not base64")
		}
	}
	if in := ParseUDI(c.DeviceIdentifier); u.Issuer == "" && in.DI != "" && in.DI != c.DeviceIdentifier {
		in.note("a whole UDI stands in the field of the device identifier")
		return in
	}
	switch {
	case c.DeviceIdentifier == "":
	case u.DI == "":
		u.DI, u.Issuer = c.DeviceIdentifier, first(u.Issuer, issuer(c.Issuer))
	case u.DI != c.DeviceIdentifier:
		u.DI = c.DeviceIdentifier
		u.note("the device identifier sent is not the one in the carrier")
	}
	return u
}

// issuer names an issuing agency by its URI in R4 (in either case) or its OID (the OIDs from memory, fairly sure).
func issuer(uri string) string {
	uri = strings.ToLower(strings.TrimPrefix(uri, "urn:oid:"))
	switch {
	case strings.HasSuffix(uri, "/gs1-di"), uri == "2.51.1.1", strings.HasSuffix(uri, "/gs1"):
		return "gs1"
	case strings.HasSuffix(uri, "/hibcc-di"), uri == "1.0.15961.10.816", strings.HasSuffix(uri, "/hibcc"):
		return "hibcc"
	case strings.Contains(uri, "/iccbba-"), strings.HasPrefix(uri, "2.16.840.1.113883.6.18.1."):
		return "iccbba"
	}
	return ""
}

// ParseUDI takes the text of a carrier apart, in its human-readable or its scanned form. It never fails: what it does not
// know has no Issuer.
func ParseUDI(s string) UDI {
	s = plainCarrier(s)
	var u UDI
	switch {
	case s == "":
	case s[0] == '+':
		u.hibcc(s[1:])
	case s[0] == '=' || s[0] == '&':
		u.iccbba(s)
	case s[0] == '(' || s[0] == '{':
		u.gs1Printed(s)
	case strings.HasPrefix(s, "01") && spacedGTIN(s):
		u.gs1Spaced(s)
	case len(s) >= 16 && s[:2] == "01" && digits(s[2:16]):
		u.gs1Scanned(s)
	case strings.Contains(s, "://") && strings.Contains(s, "/01/"):
		u.gs1Link(s)
	case len(s) >= 12 && len(s) <= 14 && digits(s) && GTINValid(strings.Repeat("0", 14-len(s))+s):
		u.Issuer, u.DI = "gs1", s
		u.note("it holds the device identifier only")
	}
	return u
}

// plainCarrier takes off what scanners, label printers and HL7 v2 put around the text.
func plainCarrier(s string) string {
	s = strings.TrimSpace(s)
	if i := strings.Index(s, "^^"); i > 0 {
		s = s[:i] // HL7 v2 puts the assigning authority behind the value
	}
	s = strings.ReplaceAll(s, `\T\`, "&") // how HL7 v2 writes an ampersand
	for _, word := range []string{"<GS>", "[GS]", "{GS}", "<FNC1>", "[FNC1]", "\u241d"} {
		s = strings.ReplaceAll(s, word, "\x1d")
	}
	if len(s) > 3 && s[0] == ']' { // the symbology, such as ]C1, ]d2, ]Q3
		s = s[3:]
	}
	if len(s) > 2 && s[0] == '*' && s[len(s)-1] == '*' { // the frame of Code 39
		s = s[1 : len(s)-1]
	}
	return strings.TrimLeft(s, "\x1d")
}

// digits says whether s is made of digits only.
func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// monthEnd is what to do with a day of 00.
type monthEnd bool

const (
	lastDay   monthEnd = true  // expiry: good to the end of the month
	monthOnly monthEnd = false // otherwise only the month is known
)

// shortDate reads YYMMDD. It gives "" for what is no date.
func (u *UDI) shortDate(s, what string, end monthEnd) string {
	if len(s) != 6 || !digits(s) {
		u.note("the " + what + " date is not six digits")
		return ""
	}
	noDay := s[4:] == "00"
	if noDay {
		s = s[:4] + "01"
	}
	t, err := time.Parse("060102", s)
	t = ofCentury(t)
	switch {
	case err != nil:
		u.note("the " + what + " date does not exist")
		return ""
	case noDay && end == lastDay:
		u.note("the " + what + " date names only the month: its last day is taken")
		return t.AddDate(0, 1, -1).Format(time.DateOnly)
	case noDay:
		return t.Format("2006-01")
	}
	return t.Format(time.DateOnly)
}

// ofCentury puts a date that was read from a two-digit year into its century.
func ofCentury(t time.Time) time.Time {
	const pivot = 80
	switch year := t.Year() % 100; {
	case year < pivot && t.Year() < 2000:
		return t.AddDate(100, 0, 0)
	case year >= pivot && t.Year() >= 2000:
		return t.AddDate(-100, 0, 0)
	}
	return t
}
