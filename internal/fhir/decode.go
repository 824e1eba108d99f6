package fhir

import (
	"strings"
	"unsafe"

	"github.com/bytedance/sonic/decoder"
	"github.com/bytedance/sonic/utf8"
)

// Quarantine is why a resource cannot be trusted. It holds no patient data beyond the resource's id.
type Quarantine struct {
	Type  string // the resource's type, "" if unknown
	ID    string // the resource's id, "" if unknown
	Field string // the field, as a path without indexes: "status", "series.modality"; "" is the whole resource
	What  string // what is wrong with it, in a few words that follow the field
}

// Error says "Type/id: field what".
func (q *Quarantine) Error() string {
	var b strings.Builder
	if q.Type != "" {
		b.WriteString(q.Type)
		if q.ID != "" {
			b.WriteString("/" + q.ID)
		}
		b.WriteString(": ")
	}
	if q.Field != "" {
		b.WriteString(q.Field + " ")
	}
	b.WriteString(q.What)
	return b.String()
}

// The two ways to decode: without copies, so that strings lie in the text that was given, and with copies.
const (
	noCopy  = decoder.OptionNoValidateJSON | decoder.OptionCaseSensitive
	copying = noCopy | decoder.OptionCopyString
)

// unmarshal decodes body, which must be one JSON value and nothing more. The decoder is one that is used again.
func unmarshal(d *decoder.Decoder, body []byte, to any) error {
	d.Reset(unsafe.String(unsafe.SliceData(body), len(body)))
	if err := d.Decode(to); err != nil {
		return err
	}
	return d.CheckTrailings()
}

// newDecoder makes a decoder for unmarshal.
func newDecoder(o decoder.Options) *decoder.Decoder {
	d := decoder.NewDecoder("")
	d.SetOptions(o)
	return d
}

// Decode reads one body into the record of its type, with series, its strings copied: safe to keep after body
// changes. The error is always a *[Quarantine]. A type that is not used gives *[Skipped].
func Decode(body []byte) (Resource, error) {
	typ, err := admit(body)
	if err != nil {
		return nil, err
	}
	t, d := fresh(readAs(typ, body)), newDecoder(copying)
	if err := t.fill(d, typ, body); err != nil {
		return nil, err
	}
	if s, ok := t.record.(*ImagingStudy); ok {
		err = s.loadSeries(d)
		s.raw = nil
	}
	if err != nil {
		return nil, err
	}
	return t.record, nil
}

// Decoder reads bodies without copying and into its own records: a result is valid until the next call and while
// the body is unchanged. Strings taken from it must be copied (strings.Clone) to be kept. Not for use by several
// goroutines at once. The zero Decoder is ready.
type Decoder struct {
	json  *decoder.Decoder
	slots map[string]target
	typ   string // the type of last
	last  target
	quick quick
}

// Decode is as the function Decode, but without copies and without the series of an ImagingStudy.
func (d *Decoder) Decode(body []byte) (Resource, error) {
	typ, err := admit(body)
	if err != nil {
		return nil, err
	}
	d.choose(readAs(typ, body))
	if d.quickly(typ, body) {
		return d.last.record, nil
	}
	d.last.reset()
	if err := d.last.fill(d.json, typ, body); err != nil {
		return nil, err
	}
	return d.last.record, nil
}

// quickly reads a body of the common shape that nothing is wrong with; false where it must be decoded.
func (d *Decoder) quickly(typ string, body []byte) bool {
	r := d.last.record
	if !d.quick.resource(d.json, body, d.last.wire) || r.Head().ResourceType != typ || r.check() != nil {
		return false
	}
	if w, ok := d.last.wire.(*studyWire); ok {
		w.raw = w.RawSeries
	}
	return true
}

// choose makes last the target for a type. The types that are not used share one.
func (d *Decoder) choose(typ string) {
	if typ == d.typ {
		return
	}
	if d.json == nil {
		d.json = newDecoder(noCopy)
		d.slots = map[string]target{"": fresh("")}
	}
	t, ok := d.slots[typ]
	if !ok {
		t = fresh(typ)
		if _, skipped := t.record.(*Skipped); skipped {
			t = d.slots[""]
		} else {
			d.slots[typ] = t
		}
	}
	d.typ, d.last = typ, t
}

// LoadSeries fills s.Series, for the study that the last call of Decode gave; the body must be unchanged still.
// The error is always a *[Quarantine].
func (d *Decoder) LoadSeries(s *ImagingStudy) error { return s.loadSeries(d.json) }

// admit looks at a body before it is decoded, and says of which type it is.
func admit(body []byte) (typ string, err error) {
	typ = peekType(body)
	switch {
	case typ == "" && (len(body) == 0 || body[spaces(body)%len(body)] != '{'):
		return "", &Quarantine{What: "is not a JSON object"}
	case !utf8.Validate(body):
		_, id := Peek(body)
		return "", &Quarantine{Type: typ, ID: id, What: "is not UTF-8 text"}
	case typ == "":
		_, id := Peek(body)
		return "", &Quarantine{ID: id, Field: "resourceType", What: "is missing"}
	}
	return typ, nil
}
