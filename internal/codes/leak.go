package codes

import "strings"

// Leak is the type of an endoleak.
type Leak string

// The types. LeakI and LeakIII are those of which the letter is not told;
// LeakUnknown is an endoleak without a type; LeakNone says that there is none,
// which is a finding too.
const (
	LeakIa      Leak = "Ia"
	LeakIb      Leak = "Ib"
	LeakIc      Leak = "Ic"
	LeakI       Leak = "I"
	LeakII      Leak = "II"
	LeakIIIa    Leak = "IIIa"
	LeakIIIb    Leak = "IIIb"
	LeakIIIc    Leak = "IIIc"
	LeakIII     Leak = "III"
	LeakIV      Leak = "IV"
	LeakV       Leak = "V"
	LeakUnknown Leak = "unknown"
	LeakNone    Leak = "none"
)

// Leaks lists every type.
func Leaks() []Leak {
	return []Leak{LeakIa, LeakIb, LeakIc, LeakI, LeakII, LeakIIIa, LeakIIIb, LeakIIIc, LeakIII, LeakIV, LeakV, LeakUnknown, LeakNone}
}

// ParseLeak reads the value of an endoleak observation: "II", "Type IIIa",
// "type 1b endoleak", "none", "type not determined". Only these plain forms:
// a sentence gives false and is a question.
func ParseLeak(value string) (Leak, bool) {
	if len(value) > 64 {
		return "", false
	}
	v := squash(value)
	v = strings.TrimSpace(strings.TrimPrefix(strings.TrimSuffix(v, "endoleak"), "endoleak"))
	switch v {
	case "none", "no", "absent", "negative", "not present", "not detected", "no evidence of":
		return LeakNone, true
	case "unknown", "unspecified", "undetermined", "indeterminate", "not determined", "present", "positive", "yes", "detected",
		"type unknown", "type unspecified", "type undetermined", "type indeterminate", "type not determined", "unknown type":
		return LeakUnknown, true
	}
	v = strings.ReplaceAll(strings.TrimPrefix(v, "type "), " ", "")
	return leakType(v)
}

// leakType reads a Roman or Arabic number with a letter where the type has one.
func leakType(v string) (Leak, bool) {
	number := strings.TrimRight(v, "abc")
	letter := v[len(number):]
	switch number {
	case "1":
		number = "i"
	case "2":
		number = "ii"
	case "3":
		number = "iii"
	case "4":
		number = "iv"
	case "5":
		number = "v"
	}
	want := strings.ToUpper(number) + letter
	for _, l := range Leaks() {
		if string(l) == want && l != LeakUnknown && l != LeakNone {
			return l, true
		}
	}
	return "", false
}

// ParseAnswer reads a plainly worded value: "present", "no", "patent". A
// sentence gives false and is a question.
func ParseAnswer(value string) (Answer, bool) {
	if len(value) > 64 {
		return "", false
	}
	switch squash(value) {
	case "present", "yes", "positive", "detected":
		return Present, true
	case "absent", "no", "none", "negative", "not present", "not detected":
		return Absent, true
	case "patent", "open":
		return Patent, true
	case "occluded", "occlusion", "thrombosed":
		return Occluded, true
	case "stenosed", "stenosis", "stenotic":
		return Stenosed, true
	}
	return "", false
}
