package intake

import (
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

// ref writes the reference "Type/id", an id that is a UUID in 16 bytes.
func (c *coder) ref(v *string) {
	if c.reading {
		c.readRef(v)
		return
	}
	typ, id, ok := strings.Cut(*v, "/")
	form := uint64(0)
	var uuid [16]byte
	if ok && packUUID(&uuid, id) {
		form = 1
	}
	if c.uint(&form); form == 0 {
		c.text(v)
		return
	}
	c.word(&typ)
	c.out = append(c.out, uuid[:]...)
}

func (c *coder) readRef(v *string) {
	var form uint64
	if c.uint(&form); form == 0 {
		c.text(v)
		return
	}
	var typ string
	c.word(&typ)
	c.texts.begin(len(typ) + 37)
	const digit = "0123456789abcdef"
	out := append(append(c.texts.b, typ...), '/')
	for i, b := range []byte(c.in[c.at : c.at+16]) {
		if i == 4 || i == 6 || i == 8 || i == 10 {
			out = append(out, '-')
		}
		out = append(out, digit[b>>4], digit[b&15])
	}
	c.at += 16
	c.texts.b = out
	*v = c.texts.end()
}

// packUUID reads a UUID in small letters; false for anything else.
func packUUID(to *[16]byte, s string) bool {
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return false
	}
	n := 0
	for i := 0; i < 36; i += 2 {
		if s[i] == '-' {
			i++
		}
		high, low := nibbles[s[i]], nibbles[s[i+1]]
		if (high|low)&0xf0 != 0 {
			return false
		}
		to[n] = high<<4 | low
		n++
	}
	return true
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
	from := len(c.out)
	n := uint64(len(s))<<1 | 1
	c.uint(&n)
	for i := 0; i < len(s); i += 2 {
		high, low := half(s[i]), byte(0)
		if i+1 < len(s) {
			low = half(s[i+1])
		}
		if high > 10 || low > 10 { // no UID
			c.out = c.out[:from]
			n &^= 1
			c.uint(&n)
			c.text(&s)
			return
		}
		c.out = append(c.out, high<<4|low)
	}
}

// half is a sign of a UID in four bits; above 10 for any other.
func half(b byte) byte {
	if b == '.' {
		return 10
	}
	if b -= '0'; b == 10 {
		return 11
	}
	return b
}

func (c *coder) readUID(v *string, n int) {
	if n == 0 {
		*v = ""
		return
	}
	const sign = "0123456789.....?"
	c.texts.begin(n + 1)
	out := c.texts.b
	for _, b := range []byte(c.in[c.at : c.at+(n+1)/2]) {
		out = append(out, sign[b>>4], sign[b&15])
	}
	c.at += (n + 1) / 2
	c.texts.b = out[:c.texts.from+n]
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
