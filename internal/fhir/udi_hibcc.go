package fhir

import (
	"strings"
	"time"
)

// hibcc reads a HIBCC text without its first plus: the labeler's code, product and unit, then data after slashes. Two
// one-line symbols may stand one behind the other, and the second may stand alone: it then ends in a link character,
// which is the check character of the first, and its own. A check character that is wrong is told and no more: a
// published worked example has one.
func (u *UDI) hibcc(s string) {
	first, second := hibccLines(s)
	if first != "" {
		u.hibccPrimary(first)
	}
	if second != "" && (first == "" || u.Issuer != "") {
		u.hibccSecondary(second)
	}
}

// hibccLines takes two one-line symbols apart; either may be missing.
func hibccLines(s string) (first, second string) {
	if strings.HasPrefix(s, "$") || len(s) > 5 && digits(s[:5]) {
		return "", s
	}
	head, _, _ := strings.Cut(s, "/")
	for i := 6; i+1 < len(head); i++ {
		if head[i] == '+' && head[i-1] != '$' && (head[i+1] == '$' || head[i+1] == 'S' || head[i+1] >= '0' && head[i+1] <= '9') {
			return s[:i], s[i+1:]
		}
	}
	return s, ""
}

// hibccPrimary reads the line with the model and what stands behind slashes.
func (u *UDI) hibccPrimary(s string) {
	body := s[:len(s)-1]
	parts := strings.Split(body, "/")
	if len(parts[0]) < 6 {
		return
	}
	u.Issuer, u.DI = "hibcc", parts[0]
	for _, p := range parts[1:] {
		u.hibccPart(p)
	}
	if want := hibccCheck("+" + body); want != s[len(s)-1] {
		u.note("the HIBCC check character is wrong: " + string(want) + " was expected")
		u.hibccUnchecked(s, len(parts))
	}
}

// hibccUnchecked notes what the last part would say if the check character had been left out.
func (u *UDI) hibccUnchecked(s string, parts int) {
	if parts == 1 {
		u.Also = append(u.Also, s)
		return
	}
	var other UDI
	other.hibccPart(s[strings.LastIndexByte(s, '/')+1:])
	for _, v := range []string{other.Lot, other.Serial} {
		if v != "" {
			u.Also = append(u.Also, v)
		}
	}
}

// hibccSecondary reads a second line, with its link and check characters; several may follow one another.
func (u *UDI) hibccSecondary(s string) {
	u.Issuer = "hibcc"
	rest := ""
	if i := strings.Index(s, "+S"); i > 2 { // a third line with the serial number
		s, rest = s[:i], s[i+1:]
	}
	if len(s) < 4 {
		u.note("the second line is cut")
		return
	}
	if want := hibccCheck("+" + s[:len(s)-1]); want != s[len(s)-1] {
		u.note("the HIBCC check character is wrong: " + string(want) + " was expected")
	}
	u.hibccPart(s[:len(s)-2])
	if len(rest) > 2 {
		u.hibccSecondary(rest)
	}
}

// hibccCheck is the check character of a text: the sum of the places of its characters in this order, modulo 43. Source:
// ANSI/HIBC 2.6, section 4.3.1 and its worked examples.
func hibccCheck(s string) byte {
	const order = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
	sum := 0
	for i := range len(s) {
		c := s[i]
		if c >= 'a' && c <= 'z' {
			c -= 'a' - 'A'
		}
		sum += max(strings.IndexByte(order, c), 0)
	}
	return order[sum%len(order)]
}

// hibccPart reads one part of the secondary data. Source: ANSI/HIBC 2 (from memory, fairly sure), checked on the
// worked examples in the tests.
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
	case len(p) > 5 && digits(p[:5]): // the oldest form: YYJJJ and the lot
		u.Lot = u.hibccDated("5" + p)
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
		if _, err := time.Parse("0106", s[:min(4, len(s))]); err != nil {
			return s // no date, as behind a quantity
		}
		u.Also = append(u.Also, s)
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
		t = ofCentury(t).AddDate(0, 1, -1)
		u.note("the expiry date names only the month: its last day is taken")
	}
	u.Expires = ofCentury(t).Format(time.DateOnly)
	return s[skip+n:]
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
