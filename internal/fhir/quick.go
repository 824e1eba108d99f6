package fhir

import (
	"encoding/binary"
	"math/bits"
	"unsafe"

	"github.com/bytedance/sonic/decoder"
)

// quick reads the common shape of the commonest resources, several times faster than the decoder that knows every
// shape. It gives up, and that decoder begins anew, at whatever is not plain: an escape in a text, null, a number where
// text belongs, a member given twice, a member that is rare. So it never refuses and never reads anything else than the
// decoder would; a fuzz target compares the two.
//
// All lists of a record lie in rooms that the next record uses again.
type quick struct {
	b  []byte
	at int
	ok bool
	d  *decoder.Decoder // passes over large values
	ex extent

	seen uint32 // members of the body that were met, see once

	codings     []Coding
	concepts    []CodeableConcept
	references  []Reference
	identifiers []Identifier
	texts       []string
	names       []HumanName
	contacts    []ContactPoint
	performers  []Performer
	focal       []FocalDevice
	performed   Period
	active      bool
	dead        bool
}

// begin starts on a body that is valid UTF-8.
func (q *quick) begin(d *decoder.Decoder, body []byte) {
	q.b, q.at, q.ok, q.d, q.seen = body, 0, true, d, 0
	q.names, q.contacts, q.performers, q.focal = q.names[:0], q.contacts[:0], q.performers[:0], q.focal[:0]
	q.codings, q.concepts, q.references, q.identifiers, q.texts = q.codings[:0], q.concepts[:0], q.references[:0], q.identifiers[:0], q.texts[:0]
}

// peek passes blanks and gives the byte that comes then; 0 at the end.
func (q *quick) peek() byte {
	if q.at < len(q.b) && q.b[q.at] > ' ' {
		return q.b[q.at]
	}
	return q.peekOn()
}

// peekOn is peek where blanks may stand, or nothing.
func (q *quick) peekOn() byte {
	for q.at < len(q.b) {
		switch c := q.b[q.at]; c {
		case ' ', '\t', '\r', '\n':
			q.at++
		default:
			return c
		}
	}
	return 0
}

// take passes one byte, which must be c.
func (q *quick) take(c byte) {
	if q.at < len(q.b) && q.b[q.at] == c {
		q.at++
		return
	}
	if q.peek() != c {
		q.ok = false
		return
	}
	q.at++
}

// more says whether another item of a list or object follows: after the first one a comma must come.
func (q *quick) more(end byte, first bool) bool {
	if !q.ok {
		return false
	}
	c := q.peek()
	if c == end {
		q.at++
		return false
	}
	if first {
		return true
	}
	if c != ',' {
		q.ok = false
		return false
	}
	q.at++
	return true
}

// text reads a text without escapes. It lies in the body.
func (q *quick) text() string {
	if q.at >= len(q.b) || q.b[q.at] != '"' && q.peek() != '"' {
		q.ok = false
		return ""
	}
	q.at++
	return q.rest()
}

// rest reads a text whose first quote was passed.
func (q *quick) rest() string {
	from, end := q.at, q.at
	for hit := uint64(0); ; end += 8 {
		if end+8 > len(q.b) {
			end = quoteOrEscape(q.b, end)
			break
		}
		if hit = signs(binary.LittleEndian.Uint64(q.b[end : end+8])); hit != 0 {
			end += bits.TrailingZeros64(hit) / 8
			break
		}
	}
	if end == len(q.b) || q.b[end] != '"' {
		q.ok = false
		return ""
	}
	q.at = end + 1
	return unsafe.String(unsafe.SliceData(q.b[from:]), end-from)
}

// is passes what stands there exactly so. Members mostly come in the order of the standard and without blanks: to try
// that first is faster than to read each name. Where it fails nothing was passed, and the loop over members goes on.
func (q *quick) is(this string) bool {
	if len(q.b)-q.at < len(this) || string(q.b[q.at:q.at+len(this)]) != this {
		return false
	}
	q.at += len(this)
	return true
}

// fill is set for a text whose first quote was passed.
func (q *quick) fill(to *string) {
	if *to != "" {
		q.ok = false
		return
	}
	if *to = q.rest(); *to == "" {
		q.ok = false
	}
}

// begun opens an object and says whether its first member is yet to come: name is the brace, the name of the member that
// is mostly the first, and the quote of its text, which is read.
func (q *quick) begun(name bool, to *string) (first bool) {
	if name {
		q.fill(to)
		return false
	}
	q.take('{')
	return true
}

// quoteOrEscape finds the next quote or backslash, eight bytes at a time; len(b) where there is none.
func quoteOrEscape(b []byte, i int) int {
	for ; i+8 <= len(b); i += 8 {
		if hit := signs(binary.LittleEndian.Uint64(b[i : i+8])); hit != 0 {
			return i + bits.TrailingZeros64(hit)/8
		}
	}
	for i < len(b) && b[i] != '"' && b[i] != '\\' {
		i++
	}
	return i
}

// signs has the top bit of the first byte that is a quote or a backslash; bits above it mean nothing.
func signs(w uint64) uint64 {
	const ones, tops, quotes, slashes = 0x0101010101010101, 0x8080808080808080, 0x2222222222222222, 0x5c5c5c5c5c5c5c5c
	x, y := w^quotes, w^slashes
	return ((x-ones)&^x | (y-ones)&^y) & tops
}

// key reads the name of a member and the colon.
func (q *quick) key() string {
	name := q.text()
	q.take(':')
	return name
}

// set reads a text into a member that is still empty: an empty text, or one given twice, is left to the decoder.
func (q *quick) set(to *string) {
	if *to != "" {
		q.ok = false
		return
	}
	if *to = q.text(); *to == "" {
		q.ok = false
	}
}

// flag reads true or false into room, and makes to point there.
func (q *quick) flag(to **bool, room *bool) {
	q.peek()
	rest := q.b[q.at:]
	switch {
	case *to != nil:
		q.ok = false
	case len(rest) > 4 && string(rest[:4]) == "true":
		q.at, *room = q.at+4, true
	case len(rest) > 5 && string(rest[:5]) == "false":
		q.at, *room = q.at+5, false
	default:
		q.ok = false
	}
	*to = room
}

// once notes a member by number, and gives up where it was there before.
func (q *quick) once(seen *uint32, member uint) {
	if *seen&(1<<member) != 0 {
		q.ok = false
	}
	*seen |= 1 << member
}

// skip passes a value that is not read: as the decoder does, by matching quotes and brackets.
func (q *quick) skip() {
	switch c := q.peek(); {
	case c == '"':
		q.skipText()
	case c == '{':
		q.skipNested('{', '}')
	case c == '[':
		q.skipNested('[', ']')
	case c >= '0' && c <= '9':
		for q.at < len(q.b) && (q.b[q.at] >= '0' && q.b[q.at] <= '9' || q.b[q.at] == '.') {
			q.at++
		}
	default:
		q.ok = false
	}
}

// skipText passes a text, which may have escapes.
func (q *quick) skipText() {
	i := q.at + 1
	for {
		i = quoteOrEscape(q.b, i)
		switch {
		case i >= len(q.b):
			q.ok = false
			return
		case q.b[i] == '"':
			q.at = i + 1
			return
		}
		i += 2
	}
}

func (q *quick) skipNested(open, end byte) {
	for depth := 0; q.at < len(q.b) && q.ok; {
		switch q.b[q.at] {
		case '"':
			q.skipText()
			continue
		case open:
			depth++
		case end:
			if depth--; depth == 0 {
				q.at++
				return
			}
		}
		q.at++
	}
	q.ok = false
}

// extent passes a value, large as it may be, and gives where it lies.
func (q *quick) extent() []byte {
	rest := q.b[q.at:]
	q.d.Reset(unsafe.String(unsafe.SliceData(rest), len(rest)))
	q.ex = nil
	if q.d.Decode(&q.ex) != nil || len(q.ex) == 0 {
		q.ok = false
		return nil
	}
	q.at += q.d.Pos()
	return q.ex
}

// list reads a list into a room behind what lies there. An empty list is left to the decoder.
func list[T any](q *quick, to, room *[]T, item func(*quick, *T)) {
	q.take('[')
	from := len(*room)
	for first := true; q.more(']', first); first = false {
		var zero T
		*room = append(*room, zero)
		item(q, &(*room)[len(*room)-1])
	}
	if len(*room) == from {
		q.ok = false
	}
	*to = (*room)[from:len(*room):len(*room)]
}

func (q *quick) coding(c *Coding) {
	first := q.begun(q.is(`{"system":"`), &c.System)
	if !first && q.is(`,"code":"`) {
		q.fill(&c.Code)
	}
	if !first && q.is(`,"display":"`) {
		q.fill(&c.Display)
	}
	for ; q.more('}', first); first = false {
		switch q.key() {
		case "system":
			q.set(&c.System)
		case "code":
			q.set(&c.Code)
		case "display":
			q.set(&c.Display)
		default:
			q.skip()
		}
	}
}

func (q *quick) concept(c *CodeableConcept) {
	first := true
	if q.is(`{"coding":`) {
		list(q, &c.Coding, &q.codings, (*quick).coding)
		first = false
	} else {
		q.take('{')
	}
	for ; q.more('}', first); first = false {
		switch q.key() {
		case "coding":
			q.ok = q.ok && len(c.Coding) == 0
			list(q, &c.Coding, &q.codings, (*quick).coding)
		case "text":
			q.set(&c.Text)
		default:
			q.skip()
		}
	}
}

func (q *quick) reference(r *Reference) {
	first := q.begun(q.is(`{"reference":"`), &r.Reference)
	if !first && q.is(`,"display":"`) {
		q.fill(&r.Display)
	}
	for ; q.more('}', first); first = false {
		switch q.key() {
		case "reference":
			q.set(&r.Reference)
		case "type":
			q.set(&r.Type)
		case "display":
			q.set(&r.Display)
		case "identifier":
			q.ok = false
		default:
			q.skip()
		}
	}
}

func (q *quick) identifier(i *Identifier) {
	var seen uint32
	first := q.begun(q.is(`{"use":"`), &i.Use)
	if !first && q.is(`,"system":"`) {
		q.fill(&i.System)
	}
	if !first && q.is(`,"value":"`) {
		q.fill(&i.Value)
	}
	for ; q.more('}', first); first = false {
		switch q.key() {
		case "use":
			q.set(&i.Use)
		case "system":
			q.set(&i.System)
		case "value":
			q.set(&i.Value)
		case "type":
			q.once(&seen, 0)
			q.concept(&i.Type)
		case "period", "assigner":
			q.ok = false
		default:
			q.skip()
		}
	}
}

func (q *quick) period(p *Period) {
	q.take('{')
	for first := true; q.more('}', first); first = false {
		switch q.key() {
		case "start":
			q.set(&p.Start)
		case "end":
			q.set(&p.End)
		default:
			q.skip()
		}
	}
}

func (q *quick) meta(m *Meta) {
	first := q.begun(q.is(`{"versionId":"`), &m.VersionID)
	if !first && q.is(`,"lastUpdated":"`) {
		q.fill(&m.LastUpdated)
	}
	if !first && q.is(`,"source":"`) {
		q.fill(&m.Source)
	}
	for ; q.more('}', first); first = false {
		switch q.key() {
		case "versionId":
			q.set(&m.VersionID)
		case "lastUpdated":
			q.set(&m.LastUpdated)
		case "source":
			q.set(&m.Source)
		case "profile":
			q.ok = q.ok && len(m.Profile) == 0
			list(q, &m.Profile, &q.texts, (*quick).set)
		case "security":
			q.ok = false
		default:
			q.skip()
		}
	}
}
