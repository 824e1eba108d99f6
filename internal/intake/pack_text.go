package intake

import (
	"math/bits"
	"slices"
	"strings"
	"unsafe"
)

// texts cuts strings from long ones: one allocation for hundreds. Its bytes are
// never changed once written.
type texts struct {
	b    []byte
	from int // where the present string begins
}

// How long the long ones are: the first of a few resources is short.
const (
	firstChunk = 512
	chunk      = 16 << 10
)

// begin begins a string of at most n bytes.
func (t *texts) begin(n int) {
	if cap(t.b)-len(t.b) < n {
		t.b = make([]byte, 0, max(n, firstChunk, min(4*cap(t.b), chunk)))
	}
	t.from = len(t.b)
}

// end gives the string that was appended since begin.
func (t *texts) end() string {
	s := t.b[t.from:]
	return unsafe.String(unsafe.SliceData(s), len(s))
}

// join cuts "a/b", or with another sign between them.
func (t *texts) join(a string, sign byte, b string) string {
	t.begin(len(a) + 1 + len(b))
	t.b = append(append(append(t.b, a...), sign), b...)
	return t.end()
}

// ref writes the reference "Type/id", an id that is a UUID in 16 bytes behind
// the word of the type; any other reference as a text behind a zero.
func (c *coder) ref(v *string) {
	if c.reading {
		c.readRef(v)
		return
	}
	typ, id, ok := strings.Cut(*v, "/")
	var uuid [16]byte
	if ok && typ != "" && packUUID(&uuid, id) {
		c.word(&typ)
		c.out = append(c.out, uuid[:]...)
		return
	}
	var none uint64
	c.uint(&none)
	c.text(v)
}

func (c *coder) readRef(v *string) {
	var n uint64
	if c.uint(&n); n == 0 {
		c.text(v)
		return
	}
	typ := c.numbered(n)
	c.texts.begin(len(typ) + 37)
	from := len(c.texts.b) + len(typ) + 1
	out := append(append(c.texts.b, typ...), "/00000000-0000-0000-0000-000000000000"...)
	const digit = "0123456789abcdef"
	id, in := out[from:from+36], c.in[c.at:c.at+16]
	for i := range 16 {
		p := uuidPairs[i]
		id[p], id[p+1] = digit[in[i]>>4], digit[in[i]&15]
	}
	c.at += 16
	c.texts.b = out
	*v = c.texts.end()
}

// uuidPairs has the place of each pair of digits in a UUID.
const uuidPairs = "\x00\x02\x04\x06\x09\x0b\x0e\x10\x13\x15\x18\x1a\x1c\x1e\x20\x22"

// packUUID reads a UUID in small letters; false for anything else.
func packUUID(to *[16]byte, s string) bool {
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return false
	}
	var odd byte
	for i := range 16 {
		p := uuidPairs[i]
		high, low := nibbles[s[p]], nibbles[s[p+1]]
		odd |= high | low
		to[i] = high<<4 | low
	}
	return odd&0xf0 == 0
}

// nibbles has the value of each hexadecimal digit at its place, 0xff elsewhere.
// A table, because what comes next cannot be foreseen.
const (
	none16  = "\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff"
	nibbles = none16 + none16 + none16 + "\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09\xff\xff\xff\xff\xff\xff" + none16 + none16 + "\xff\x0a\x0b\x0c\x0d\x0e\x0f\xff\xff\xff\xff\xff\xff\xff\xff\xff" + none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16
)

// uid writes a text of digits and dots, two in a byte; other texts as they are.
func (c *coder) uid(v *string) {
	if !c.reading {
		c.writeUID(*v)
		return
	}
	var n uint64
	if c.uint(&n); n&1 == 0 {
		c.text(v)
	} else {
		c.readUID(v, int(n>>1))
	}
}

func (c *coder) writeUID(s string) {
	n := uint64(len(s))<<1 | 1
	c.uint(&n)
	from, size := len(c.out), (len(s)+1)/2
	c.out = slices.Grow(c.out, size)[:from+size]
	var odd byte
	for i, to := 0, c.out[from:]; i < len(to); i++ {
		high, low := halves[s[2*i]], byte(0)
		if 2*i+1 < len(s) {
			low = halves[s[2*i+1]]
		}
		odd |= high | low
		to[i] = high<<4 | low
	}
	if odd&0xf0 == 0 {
		return
	}
	c.out = c.out[:from-uintLen(n)] // no UID
	n &^= 1
	c.uint(&n)
	c.text(&s)
}

// uintLen is how many bytes coder.uint writes.
func uintLen(v uint64) int { return max(1, (bits.Len64(v)+6)/7) }

// halves has each sign of a UID in four bits, digits and the dot; 0xff for any
// other.
const halves = none16 + none16 + "\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\x0a\xff" + "\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09\xff\xff\xff\xff\xff\xff" +
	none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16 + none16

func (c *coder) readUID(v *string, n int) {
	if n == 0 {
		*v = ""
		return
	}
	const sign = "0123456789.....?"
	c.texts.begin(n + 1)
	from, size := c.texts.from, (n+1)/2
	out, in := c.texts.b[from:from+2*size], c.in[c.at:c.at+size]
	for i := range len(in) {
		out[2*i], out[2*i+1] = sign[in[i]>>4], sign[in[i]&15]
	}
	c.at += size
	c.texts.b = c.texts.b[:from+n]
	*v = c.texts.end()
}

// idOf writes an id that is mostly that of the statement itself.
func (c *coder) idOf(v *string) {
	_, own, _ := strings.Cut(c.s.Ref, "/")
	same := *v == own
	c.bool(&same)
	switch {
	case !same:
		c.text(v)
	case c.reading:
		*v = own
	}
}
