package fhir

import (
	"strings"
	"time"
)

// hibcc reads a HIBCC text without its plus: the labeler's code, product and unit, then data after slashes. The check
// character at the end is taken off unseen: a published worked example has a wrong one.
func (u *UDI) hibcc(s string) {
	if s == "" {
		return
	}
	s = s[:len(s)-1] // the check character
	parts := strings.Split(s, "/")
	if len(parts[0]) < 6 {
		return
	}
	u.Issuer, u.DI = "hibcc", parts[0]
	u.note("the HIBCC check character was not checked")
	for _, p := range parts[1:] {
		u.hibccPart(p)
	}
}

// hibccPart reads one part of the secondary data. Source: ANSI/HIBC 2 (from memory, fairly sure), checked on the
// worked example in the tests.
func (u *UDI) hibccPart(p string) {
	switch {
	case strings.HasPrefix(p, "$$+"):
		u.Serial = u.hibccDated(p[3:])
	case strings.HasPrefix(p, "$$"):
		u.Lot = u.hibccDated(p[2:])
	case strings.HasPrefix(p, "$+"):
		u.Serial = p[2:]
	case strings.HasPrefix(p, "$"):
		u.Lot = p[1:]
	case strings.HasPrefix(p, "S"):
		u.Serial = p[1:]
	case strings.HasPrefix(p, "16D"):
		u.Manufactured = u.longDate(p[3:], "manufacture")
	case strings.HasPrefix(p, "14D"):
		u.Expires = u.longDate(p[3:], "expiry")
	}
}

// hibccDated reads an expiry date in the form that its first digit names and gives what follows it.
func (u *UDI) hibccDated(s string) (rest string) {
	s = hibccQuantity(s)
	if s == "" {
		return ""
	}
	skip, n, layout := 1, 0, ""
	switch s[0] {
	case '0', '1':
		skip, n, layout = 0, 4, "0106"
	case '2':
		n, layout = 6, "010206"
	case '3':
		n, layout = 6, "060102"
	case '4':
		n, layout = 8, "06010215"
	case '5':
		n, layout = 5, "06002"
	case '6':
		n, layout = 7, "0600215"
	case '7':
		return s[1:]
	default:
		return s
	}
	if len(s) < skip+n {
		u.note("the expiry date is cut")
		return ""
	}
	t, err := time.Parse(layout, s[skip:skip+n])
	if err != nil {
		u.note("the expiry date does not exist")
		return s[skip+n:]
	}
	if layout == "0106" {
		t = t.AddDate(0, 1, -1)
		u.note("the expiry date names only the month: its last day is taken")
	}
	u.Expires = t.AddDate(century(t), 0, 0).Format(time.DateOnly)
	return s[skip+n:]
}

// century is how many years to add so that a two-digit year is one of this century.
func century(t time.Time) int {
	if t.Year() < 2000 {
		return 100
	}
	return 0
}

// hibccQuantity passes over a quantity: 8 and two digits, or 9 and five.
func hibccQuantity(s string) string {
	switch {
	case len(s) >= 3 && s[0] == '8' && digits(s[1:3]):
		return s[3:]
	case len(s) >= 6 && s[0] == '9' && digits(s[1:6]):
		return s[6:]
	}
	return s
}

// longDate reads YYYYMMDD.
func (u *UDI) longDate(s, what string) string {
	t, err := time.Parse("20060102", s[:min(8, len(s))])
	if err != nil {
		u.note("the " + what + " date does not exist")
		return ""
	}
	return t.Format(time.DateOnly)
}

// iccbba reads ISBT 128 data structures, each with two characters before it. Source: ICCBBA ISBT 128 Standard (from
// memory, fairly sure), checked on the worked example in the tests.
func (u *UDI) iccbba(s string) {
	for s != "" {
		end := len(s)
		for i := 2; i < len(s); i++ {
			if s[i] == '=' || s[i] == '&' {
				end = i
				break
			}
		}
		u.iccbbaPart(s[:end])
		s = s[end:]
	}
	if u.DI != "" {
		u.Issuer = "iccbba"
	}
}

// iccbbaPart reads one data structure.
func (u *UDI) iccbbaPart(p string) {
	if len(p) < 3 {
		return
	}
	v := p[2:]
	switch p[:2] {
	case "=/", "=)":
		u.DI = v
	case "=,":
		u.Serial = v
	case "=>":
		u.Expires = u.julian(v, "expiry")
	case "=}":
		u.Manufactured = u.julian(v, "manufacture")
	case "&,":
		u.Lot = strings.TrimPrefix(v, "1")
	case "&)":
		u.Lot = v
	default:
		if p[0] == '=' && (p[1] >= 'A' && p[1] <= 'Z' || p[1] >= '1' && p[1] <= '9') {
			u.Donation = p[1:]
		}
	}
}

// julian reads cYYJJJ: century digit (0 is 20xx, 9 is 19xx), year, day of the year. A time of day may follow.
func (u *UDI) julian(s, what string) string {
	year := "20"
	if strings.HasPrefix(s, "9") {
		year = "19"
	}
	if len(s) >= 6 {
		if t, err := time.Parse("2006002", year+s[1:6]); err == nil {
			return t.Format(time.DateOnly)
		}
	}
	u.note("the " + what + " date does not exist")
	return ""
}
