package fhir

import (
	"net/url"
	"strings"
)

// gs1Printed reads (01)...(17)... with round or curly brackets around the application identifiers.
func (u *UDI) gs1Printed(s string) {
	for s != "" {
		ai, rest, ok := bracketed(strings.TrimLeft(s, " "))
		if !ok {
			u.note("something stands outside the application identifiers")
			return
		}
		end := len(rest)
		for i := 1; i < len(rest); i++ { // a value may hold brackets too: only an identifier that is known ends it
			if next, _, ok := bracketed(rest[i:]); ok && gs1Length(next) != 0 {
				end = i
				break
			}
		}
		u.gs1Element(ai, strings.Trim(rest[:end], " \x1d"))
		s = rest[end:]
	}
}

// bracketed reads an application identifier of 2 to 4 digits in brackets at the start of s.
func bracketed(s string) (ai, rest string, ok bool) {
	if s == "" || s[0] != '(' && s[0] != '{' {
		return "", "", false
	}
	shut := byte(')')
	if s[0] == '{' {
		shut = '}'
	}
	i := strings.IndexByte(s[:min(len(s), 6)], shut)
	if i < 3 || !digits(s[1:i]) {
		return "", "", false
	}
	return s[1:i], s[i+1:], true
}

// gs1Length is the length of an application identifier's value: fixed if positive, up to its negative if negative, 0 for an
// identifier that is not known. Source: GS1 General Specifications, section 3 (from memory, sure).
func gs1Length(ai string) int {
	switch ai {
	case "00":
		return 18
	case "01", "02", "03":
		return 14
	case "11", "12", "13", "15", "16", "17":
		return 6
	case "20":
		return 2
	case "10", "21", "22", "243", "254", "8008", "8012":
		return -20
	case "30", "37":
		return -8
	case "235":
		return -28
	case "240", "241", "250", "251", "253", "8004":
		return -30
	case "422", "424", "425", "426":
		return 3
	case "410", "411", "412", "413", "414", "415", "416", "417":
		return 13
	case "7003":
		return 10
	case "8013":
		return -25
	}
	switch {
	case len(ai) == 4 && ai[0] == '3' && ai[1] >= '1' && ai[1] <= '6':
		return 6
	case len(ai) == 3 && ai[:2] == "71":
		return -20
	case len(ai) == 2 && ai[0] == '9':
		return -90
	}
	return 0
}

// gs1Identifier reads the application identifier at the start of s, of 2 to 4 digits; "" where none is known.
func gs1Identifier(s string) string {
	for n := 2; n <= min(4, len(s)); n++ {
		if digits(s[:n]) && gs1Length(s[:n]) != 0 {
			return s[:n]
		}
	}
	return ""
}

// gs1Scanned reads the elements one after the other: fixed lengths, the others up to a group separator (FNC1, 0x1D).
func (u *UDI) gs1Scanned(s string) {
	for s != "" {
		ai := gs1Identifier(s)
		if ai == "" {
			u.note("an application identifier is not known: what stands behind it was not read")
			return
		}
		rest, n := s[len(ai):], gs1Length(ai)
		end := strings.IndexByte(rest, 0x1d)
		switch {
		case n > 0 && end < 0, n > 0 && end > n:
			end = min(n, len(rest))
		case end < 0:
			end = len(rest)
			u.gs1Run(ai, rest, -n)
		}
		u.gs1Element(ai, rest[:end])
		s = strings.TrimLeft(rest[end:], "\x1d")
	}
}

// gs1Run looks for a separator that a scanner swallowed, in a value that runs to the end: it is too long, or may hold the
// next identifier.
func (u *UDI) gs1Run(ai, v string, most int) {
	if ai != "10" && ai != "21" {
		return
	}
	if len(v) > most {
		u.note("the value behind " + ai + " is too long: a separator may be missing")
	}
	for i := 1; i < min(len(v), most+1); i++ {
		next := gs1Identifier(v[i:])
		if (next == "10" || next == "21" || next == "17" || next == "11" || next == "240") && len(v) > i+len(next) {
			u.Also = append(u.Also, v[:i], v[i+len(next):])
		}
	}
}

// spacedGTIN says whether s begins with 01, blanks and the digits of a GTIN.
func spacedGTIN(s string) bool {
	parts := strings.Fields(s)
	return len(parts) > 1 && parts[0] == "01" && digits(parts[1])
}

// gs1Spaced reads identifiers and values with blanks between them, as people type them from a label without brackets.
func (u *UDI) gs1Spaced(s string) {
	parts := strings.Fields(s)
	for i := 0; i+1 < len(parts); i += 2 {
		if gs1Identifier(parts[i]) != parts[i] {
			u.note("an application identifier is not known: what stands behind it was not read")
			return
		}
		u.gs1Element(parts[i], parts[i+1])
	}
}

// gs1Link reads a web address that carries the elements: /01/GTIN/10/lot/21/serial?17=date. Source: GS1 Digital Link URI
// syntax (from memory, sure).
func (u *UDI) gs1Link(s string) {
	path, query, _ := strings.Cut(s[strings.Index(s, "/01/")+1:], "?")
	parts := strings.Split(path, "/")
	for _, pair := range strings.Split(query, "&") {
		ai, v, _ := strings.Cut(pair, "=")
		parts = append(parts, ai, v)
	}
	for i := 0; i+1 < len(parts); i += 2 {
		v, err := url.PathUnescape(parts[i+1])
		if err != nil {
			v = parts[i+1]
		}
		if parts[i] == "01" && len(v) < 14 && digits(v) {
			v = strings.Repeat("0", 14-len(v)) + v
		}
		u.gs1Element(parts[i], v)
	}
}

// gs1Element notes one value.
func (u *UDI) gs1Element(ai, v string) {
	switch ai {
	case "01":
		u.Issuer, u.DI = "gs1", v
		if !GTINValid(v) {
			u.note("the check digit of the GTIN is wrong")
		}
	case "10":
		u.Lot = v
	case "21":
		u.Serial = v
	case "240":
		u.Reference = v
	case "11":
		u.Manufactured = u.shortDate(v, "manufacture", monthOnly)
	case "17":
		u.Expires = u.shortDate(v, "expiry", lastDay)
	}
}

// GTINValid says whether s is 14 digits with the right check digit: the sum of the digits, from the left times 3 and 1 in turn,
// ends in 0. Source: GS1 General Specifications, section 7.9.
func GTINValid(s string) bool {
	if len(s) != 14 || !digits(s) {
		return false
	}
	sum := 0
	for i := range len(s) {
		sum += int(s[i]-'0') * (3 - 2*(i%2))
	}
	return sum%10 == 0
}
