package fhir

import "strings"

// gs1Printed reads (01)...(17)... with round or curly brackets around the application identifiers.
func (u *UDI) gs1Printed(s string) {
	for s != "" {
		ai, rest, ok := bracketed(s)
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
	case "01", "02":
		return 14
	case "11", "12", "13", "15", "16", "17":
		return 6
	case "20":
		return 2
	case "10", "21", "22":
		return -20
	case "30", "37":
		return -8
	case "240", "241", "250", "251":
		return -30
	}
	return 0
}

// gs1Scanned reads the elements one after the other: fixed lengths, the others up to a group separator (FNC1, 0x1D).
func (u *UDI) gs1Scanned(s string) {
	for s != "" {
		ai := s[:min(2, len(s))]
		if gs1Length(ai) == 0 {
			ai = s[:min(3, len(s))]
		}
		rest, n := s[len(ai):], gs1Length(ai)
		end := strings.IndexByte(rest, 0x1d)
		if end < 0 {
			end = len(rest)
		}
		if n > 0 {
			end = min(n, end)
		}
		if n == 0 {
			u.note("an application identifier is not known")
		}
		u.gs1Element(ai, rest[:end])
		s = strings.TrimLeft(rest[end:], "\x1d")
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
