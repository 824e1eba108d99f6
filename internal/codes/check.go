package codes

import (
	"errors"
	"fmt"
	"strings"
)

// forms are the ways that codes look, for a system's "form".
func forms() []string {
	return []string{"loinc", "snomed", "icd10pcs", "icd10cm", "icd9", "cpt", "opcs", "dcm", "any"}
}

// Check says what is wrong with the form of a code: its length, its signs, its
// check digit. form is loinc, snomed, icd10pcs, icd10cm, icd9, cpt, opcs, dcm
// or any. A code that passes may still not exist.
func Check(form, code string) error {
	switch form {
	case "loinc":
		return checkLOINC(code)
	case "snomed":
		return checkSNOMED(code)
	case "icd10pcs":
		return checkPCS(code)
	case "icd10cm":
		return shape(code, "A9X[.DDDX]", "an ICD-10-CM code is a letter, two signs, and after a point up to four more")
	case "icd9":
		return shape(code, "99.9[9]", "an ICD-9-CM procedure code is two digits, a point, and one or two digits")
	case "cpt":
		return shape(code, "9999X", "a CPT code is five digits, or four and a letter")
	case "opcs":
		return shape(code, "A99.9", "an OPCS-4 code is a letter, two digits, a point and a digit")
	case "dcm":
		return checkDCM(code)
	}
	if code == "" || strings.TrimSpace(code) != code {
		return errors.New("a code is neither empty nor has space around it")
	}
	return nil
}

// shape compares a code with a mask: A is a letter, 9 a digit, X either, D a
// digit or the filler X; the part in brackets is optional sign by sign.
func shape(code, mask, text string) error {
	bad := fmt.Errorf("%q is no such code: %s", cut(code), text)
	fixed, more, _ := strings.Cut(strings.TrimSuffix(mask, "]"), "[")
	full := fixed + more
	if len(code) < len(fixed) || len(code) > len(full) || strings.HasSuffix(code, ".") {
		return bad
	}
	for i := range len(code) {
		if !fits(code[i], full[i]) {
			return bad
		}
	}
	return nil
}

func fits(c, mask byte) bool {
	digit, letter := c >= '0' && c <= '9', c >= 'A' && c <= 'Z'
	switch mask {
	case '9':
		return digit
	case 'D':
		return digit || c == 'X'
	case 'A':
		return letter
	case 'X':
		return digit || letter
	}
	return c == mask
}

// cut keeps a code in a message short.
func cut(code string) string {
	if len(code) > 24 {
		return code[:24] + "…"
	}
	return code
}

// checkLOINC: up to seven digits, a dash and a check digit by the Mod 10
// (Luhn) rule (LOINC Users' Guide, appendix on check digits). Part and answer
// codes (LP…, LA…) are checked for their signs only.
func checkLOINC(code string) error {
	bad := fmt.Errorf("%q is no LOINC code: digits, a dash and a check digit are expected", cut(code))
	part := strings.HasPrefix(code, "LP") || strings.HasPrefix(code, "LA")
	number, check, ok := strings.Cut(strings.TrimLeft(code, "LPA"), "-")
	if !ok || len(check) != 1 || number == "" || len(number) > 7 || !digits(number+check) || !part && code[0] == 'L' {
		return bad
	}
	if want := mod10(number); !part && check[0] != want {
		return fmt.Errorf("%q is no LOINC code: its check digit must be %c", code, want)
	}
	return nil
}

func digits(s string) bool {
	return strings.Trim(s, "0123456789") == ""
}

// mod10 is the check digit of a number: every second digit from the right,
// the last first, is doubled; the digits are added; the sum is filled up to
// a ten.
func mod10(number string) byte {
	sum := 0
	for i := range len(number) {
		d := int(number[len(number)-1-i] - '0')
		if i%2 == 0 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return byte('0' + (10-sum%10)%10)
}

// checkSNOMED: 6 to 18 digits, no leading zero, the partition of a concept (00,
// or 10 in an extension) and the Verhoeff check digit (SNOMED CT Release File
// Specifications, sections on SCTID and check digit).
func checkSNOMED(code string) error {
	switch {
	case len(code) < 6 || len(code) > 18 || !digits(code) || code[0] == '0':
		return fmt.Errorf("%q is no SNOMED CT code: 6 to 18 digits are expected", cut(code))
	case verhoeff(code) != 0:
		return fmt.Errorf("%q is no SNOMED CT code: its check digit is wrong", code)
	}
	switch code[len(code)-3 : len(code)-1] {
	case "00":
		return nil
	case "10":
		if len(code) > 10 {
			return nil
		}
	}
	return fmt.Errorf("%q is not the code of a SNOMED CT concept: its partition is neither 00 nor 10", code)
}

// verhoeff is 0 for a number whose last digit is its right check digit
// (J. Verhoeff, Error Detecting Decimal Codes, 1969: the dihedral group of
// order 10 and a permutation).
func verhoeff(number string) int {
	d := [10]string{"0123456789", "1234067895", "2340178956", "3401289567", "4012395678",
		"5987604321", "6598710432", "7659821043", "8765932104", "9876543210"}
	p := [8]string{"0123456789", "1576283094", "5803796142", "8916043527", "9453126870", "4286573901", "2793806415", "7046913258"}
	c := 0
	for i := range len(number) {
		n := number[len(number)-1-i] - '0'
		c = int(d[c][p[i%8][n]-'0'] - '0')
	}
	return c
}

// checkPCS: seven digits and letters without I and O (ICD-10-PCS Reference
// Manual, on the alphabet of codes).
func checkPCS(code string) error {
	bad := fmt.Errorf("%q is no ICD-10-PCS code: seven digits and letters without I and O are expected", cut(code))
	if len(code) != 7 {
		return bad
	}
	for i := range len(code) {
		if c := code[i]; !fits(c, 'X') || c == 'I' || c == 'O' {
			return bad
		}
	}
	return nil
}

// checkDCM: a modality word or a six-digit number.
func checkDCM(code string) error {
	if len(code) == 6 && digits(code) || len(code) >= 2 && len(code) <= 16 && !digits(code) && strings.ToUpper(code) == code {
		return nil
	}
	return fmt.Errorf("%q is no DICOM code: six digits or a word in capitals are expected", cut(code))
}
