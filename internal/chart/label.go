package chart

import (
	"strings"
	"unicode"
)

// MarkSort says what a mark on a label is.
type MarkSort string

// Sorts of marks.
const (
	MarkModel  MarkSort = "di" // device identifier: the model
	MarkLot    MarkSort = "lot"
	MarkSerial MarkSort = "serial"
	MarkText   MarkSort = "text" // a word in some other field, or one that may be read in another way
)

// Mark is a text by which a device is looked for, in the form of MarkForm.
type Mark struct {
	Sort  MarkSort `json:"sort"`
	Value string   `json:"value"`
}

// Label is a device as one version of a resource describes it, with
// everything by which it can be looked for.
type Label struct {
	Ref     string `json:"ref"` // "Device/1", "Procedure/1#d" of a contained one
	Name    string `json:"name,omitempty"`
	UDI     string `json:"udi,omitempty"` // device identifier
	Lot     string `json:"lot,omitempty"`
	Serial  string `json:"serial,omitempty"`
	Expiry  string `json:"expiry,omitempty"`  // YYYY-MM-DD or YYYY-MM
	Mention bool   `json:"mention,omitempty"` // words in another resource, no device record
	Marks   []Mark `json:"marks,omitempty"`
}

// Has says whether there is a mark of a sort.
func (l *Label) Has(sort MarkSort) bool {
	for i := range l.Marks {
		if l.Marks[i].Sort == sort {
			return true
		}
	}
	return false
}

// Labels are all that one version of a resource says of devices.
type Labels struct {
	List []Label
	Uses []string // references of devices that it names
	Back bool     // the resource is marked entered in error
	Of   string   // key of the patient of whom it says so, where it is filed under none
}

// None says whether it says nothing of any.
func (l *Labels) None() bool { return l == nil || len(l.List) == 0 && len(l.Uses) == 0 }

// MarkForm is a text in a form for comparing: capital letters and digits only,
// without the zeros in front, and device identifiers of digits with 14 of them.
func MarkForm(sort MarkSort, text string) string {
	var b strings.Builder
	plain := true
	for _, r := range text {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			b.WriteRune(unicode.ToUpper(r))
			plain = plain && r >= '0' && r <= '9'
		}
	}
	form := b.String()
	if short := strings.TrimLeft(form, "0"); short != "" {
		form = short
	}
	if sort == MarkModel && plain && len(form) >= 7 && len(form) < 14 {
		form = strings.Repeat("0", 14-len(form)) + form
	}
	return form
}
