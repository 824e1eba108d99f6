package intake

import (
	"encoding/base64"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"perennial/internal/chart"
	"perennial/internal/fhir"
)

// Labels gives all by which the devices in a resource can be looked for, in
// whatever field it stands; nil where there is nothing. It reads more than a
// schedule needs: whoever recalls a device must miss none.
func Labels(ref string, r fhir.Resource) *chart.Labels {
	out := &chart.Labels{Back: fhir.InError(r)}
	switch r := r.(type) {
	case *fhir.Device:
		out.List = append(out.List, labelOf(ref, r))
	case *fhir.Procedure:
		labelsOfProcedure(out, ref, r)
	case *fhir.DeviceUseStatement:
		out.Of = PatientKey(r.Subject)
		addUse(out, ref, &r.Device)
	}
	if out.None() {
		return nil
	}
	return out
}

// labelsOfProcedure reads contained devices, and those that are named.
func labelsOfProcedure(out *chart.Labels, ref string, r *fhir.Procedure) {
	for i := range r.Contained {
		out.List = append(out.List, labelOf(ref+"#"+r.Contained[i].ID, &r.Contained[i]))
	}
	for i := range r.FocalDevice {
		addUse(out, ref, &r.FocalDevice[i].Manipulated)
	}
	for i := range r.UsedReference {
		addUse(out, ref, &r.UsedReference[i])
	}
	for i := range r.UsedCode {
		addMention(out, ref, r.UsedCode[i].Text)
	}
}

// addUse notes a device that is named, and the words with which it is.
func addUse(out *chart.Labels, ref string, device *fhir.Reference) {
	if name := plain(device); name != "" && !strings.HasPrefix(name, "#") {
		out.Uses = appendNew(out.Uses, name)
	}
	addMention(out, ref, device.Display)
	if device.Identifier != nil {
		addMention(out, ref, device.Identifier.Value)
	}
}

// Mention gives by which words a device can be found of which a person wrote;
// nil where there are none.
func Mention(ref, text string) *chart.Labels {
	out := &chart.Labels{}
	if addMention(out, ref, text); out.None() {
		return nil
	}
	return out
}

// addMention notes words about a device in another resource.
func addMention(out *chart.Labels, ref, text string) {
	l := labeller{label: chart.Label{Ref: ref, Name: short(text), Mention: true}}
	l.text(text)
	if len(l.label.Marks) > 0 {
		out.List = append(out.List, l.label)
	}
}

// labelOf reads a device.
func labelOf(ref string, d *fhir.Device) chart.Label {
	udi, _ := d.UDI()
	l := labeller{label: chart.Label{Ref: ref, UDI: udi.DI, Lot: udi.Lot, Serial: udi.Serial, Expiry: udi.Expires, Name: deviceName(d)}}
	for i := range d.UDICarrier {
		l.carrier(&d.UDICarrier[i])
	}
	l.field(chart.MarkLot, d.LotNumber)
	l.field(chart.MarkSerial, d.SerialNumber)
	for i := range d.Identifier {
		l.identifier(&d.Identifier[i])
	}
	for i := range d.DeviceName {
		l.text(d.DeviceName[i].Name)
	}
	for i := range d.Note {
		l.text(d.Note[i].Text)
	}
	for _, text := range []string{d.DistinctIdentifier, d.ModelNumber, d.Manufacturer, d.Type.Text} {
		l.text(text)
	}
	for i := range d.StatusReason {
		l.text(d.StatusReason[i].Text)
	}
	return l.label
}

// deviceName is what a device is called.
func deviceName(d *fhir.Device) string {
	if len(d.DeviceName) > 0 && d.DeviceName[0].Name != "" {
		return short(d.DeviceName[0].Name)
	}
	return said(&d.Type)
}

// labeller collects the marks of one label.
type labeller struct{ label chart.Label }

// mostMarks is how many marks one label may have: a text of any length makes no
// more. Those of its own fields come first.
const mostMarks = 250

// mostText is how much of one text is read.
const mostText = 64 << 10

func (l *labeller) mark(sort chart.MarkSort, text string) {
	m := chart.Mark{Sort: sort, Value: chart.MarkForm(sort, text)}
	if m.Value == "" || len(l.label.Marks) >= mostMarks || slices.Contains(l.label.Marks, m) {
		return
	}
	l.label.Marks = append(l.label.Marks, m)
}

// udi notes all parts of a UDI; false where the text is none.
func (l *labeller) udi(text string) bool {
	u := fhir.ParseUDI(text)
	l.mark(chart.MarkModel, u.DI)
	l.mark(chart.MarkLot, u.Lot)
	l.mark(chart.MarkSerial, u.Serial)
	for _, other := range append(u.Also, u.Donation) {
		l.mark(chart.MarkText, other)
	}
	return u.Issuer != ""
}

// carrier reads all forms of one carrier: they may differ.
func (l *labeller) carrier(c *fhir.UDICarrier) {
	l.mark(chart.MarkModel, c.DeviceIdentifier)
	for _, text := range []string{c.CarrierHRF, scannedForm(c.CarrierAIDC), c.DeviceIdentifier} {
		if !l.udi(text) {
			l.text(text)
		}
	}
}

// scannedForm decodes the scanned form; what is no base64 stays as it is.
func scannedForm(text string) string {
	raw, err := base64.StdEncoding.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		return text
	}
	return string(raw)
}

// field reads the field of a lot or a serial number.
func (l *labeller) field(sort chart.MarkSort, text string) {
	l.mark(sort, text)
	l.mark(sort, withoutWords(text))
	l.text(text)
}

// identifier reads an identifier: by its type a serial number, else anything.
func (l *labeller) identifier(id *fhir.Identifier) {
	if hasCode(&id.Type, "SNO") {
		l.field(chart.MarkSerial, id.Value)
		return
	}
	if hasCode(&id.Type, "LOT", "LN") {
		l.field(chart.MarkLot, id.Value)
		return
	}
	l.text(id.Value)
}

// text reads any text: a UDI in it, the whole of it if it is short, its words
// that hold a digit, and what stands behind the words lot and serial.
func (l *labeller) text(text string) {
	text = text[:min(len(text), mostText)]
	if !strings.ContainsFunc(text, unicode.IsDigit) {
		return
	}
	if !bare(text) {
		l.udi(text)
	}
	for _, found := range udiInText.FindAllString(text, 8) {
		l.udi(found)
	}
	words := strings.FieldsFunc(text, between)
	if len(words) <= 4 {
		l.word(text)
		l.word(withoutWords(text))
	}
	for i, w := range words {
		if len(l.label.Marks) >= mostMarks {
			return
		}
		l.word(w)
		if strings.ContainsFunc(w, unicode.IsDigit) && strings.ContainsFunc(w, unicode.IsLetter) {
			l.word(withoutWords(w))
		}
		if i > 0 { // a number with a blank in it
			l.word(words[i-1] + w)
		}
	}
}

// bare says whether a text is a number alone, which may be anything: only a
// carrier makes a device identifier of it.
func bare(text string) bool {
	return len(text) < 16 && !strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsDigit(r) })
}

// word notes a word of at least three letters with a digit among them.
func (l *labeller) word(w string) {
	if form := chart.MarkForm(chart.MarkText, w); len(form) >= 3 && len(form) <= 60 && strings.ContainsFunc(form, unicode.IsDigit) {
		l.mark(chart.MarkText, w)
	}
}

// between says whether a letter stands between words. Hyphens, points and
// strokes may be part of a number.
func between(r rune) bool {
	return unicode.IsSpace(r) || strings.ContainsRune(",;:|()[]{}=#^\"'<>\x1d", r)
}

// udiInText finds a printed UDI within a text.
var udiInText = regexp.MustCompile(`\(01\)[^\s]+|\+[A-Z][0-9A-Z]{3}[0-9A-Z/$+. -]{3,}|=/[0-9A-Z]{6,}[0-9A-Z=&,>})]*`)

// labelWords are what people write before a number.
var labelWords = regexp.MustCompile(`(?i)\b(lot|batch|charge|ch\.?-?b|serial|ser|s/?n|sn|ref|no|nr|number|num|udi|di|gtin|l/?n)\b[.:#]*|^(lot|sn|s/n|batch)[.:#-]*`)

// withoutWords takes such words off.
func withoutWords(text string) string { return labelWords.ReplaceAllString(text, "") }

// RawLabels gives what can be looked for in a body that could not be read: all
// its texts. Type and id are what could be told of it.
func RawLabels(ref string, body []byte) *chart.Labels {
	if !strings.HasPrefix(ref, "Device/") && !deviceInRaw.Match(body) {
		return nil
	}
	l := labeller{label: chart.Label{Ref: ref, Name: "a record that cannot be read"}}
	for _, f := range namedField.FindAllSubmatch(body, 50) {
		sort := map[string]chart.MarkSort{"lotNumber": chart.MarkLot, "serialNumber": chart.MarkSerial, "deviceIdentifier": chart.MarkModel}[string(f[1])]
		l.mark(sort, unquoted(f[2]))
	}
	for _, quoted := range quotedText.FindAll(body, 400) {
		text := unquoted(quoted)
		l.text(text)
		if raw, err := base64.StdEncoding.DecodeString(text); err == nil && len(raw) >= 12 {
			l.udi(string(raw))
		}
	}
	return &chart.Labels{List: []chart.Label{l.label}}
}

var (
	deviceInRaw = regexp.MustCompile(`"resourceType"\s*:\s*"Device(UseStatement)?"|"(udiCarrier|udi|lotNumber|serialNumber|carrierHRF)"`)
	quotedText  = regexp.MustCompile(`"(?:[^"\\]|\\.)*"?`)
	namedField  = regexp.MustCompile(`"(lotNumber|serialNumber|deviceIdentifier)"\s*:\s*\[?\s*("(?:[^"\\]|\\.)*"?|\d+)`) // a lot may have been sent as a number
)

// unquoted is the text of a JSON string, also where it is cut, or of a number.
func unquoted(quoted []byte) string {
	var text string
	if json.Unmarshal(quoted, &text) != nil {
		text = strings.Trim(string(quoted), `"`)
	}
	return text
}
