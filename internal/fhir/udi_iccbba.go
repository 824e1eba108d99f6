package fhir

import (
	"strings"
	"time"
)

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
	case "=>", "&>":
		u.Expires = u.julian(v, "expiry")
	case "=}", "&}":
		u.Manufactured = u.julian(v, "manufacture")
	case "&,":
		u.Lot = strings.TrimPrefix(v, "1")
	case "&)":
		u.Lot = v
	default:
		if p[0] == '=' && (p[1] >= 'A' && p[1] <= 'Z' || p[1] >= '1' && p[1] <= '9') {
			u.Donation = p[1:]
			u.donationCheck()
		}
	}
}

// donationCheck looks at the flags behind a donation number of 13 characters: from 60 on they carry its check character.
// Source: ICCBBA ISBT 128 Standard, flag characters of type 3 (from memory, fairly sure).
func (u *UDI) donationCheck() {
	d := u.Donation
	if len(d) != 15 || !digits(d[13:]) {
		return
	}
	flag := int(d[13]-'0')*10 + int(d[14]-'0')
	if flag >= 60 && flag <= 96 && flag-60 != mod37(d[:13]) {
		u.note("the check character of the donation number is wrong")
	}
}

// mod37 is the check value of ISO/IEC 7064, MOD 37-2: the place of the check character among 0-9, A-Z and *. Its worked
// example is G123489654321, with Y.
func mod37(s string) int {
	sum := 0
	for i := range len(s) {
		v := int(s[i] - '0')
		if s[i] >= 'A' {
			v = int(s[i]-'A') + 10
		}
		sum = (sum + v) * 2 % 37
	}
	return (38 - sum) % 37
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
