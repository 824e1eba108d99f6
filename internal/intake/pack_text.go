package intake

import "strings"

// texts cuts strings from long ones: one allocation for hundreds.
type texts struct {
	b strings.Builder
}

// chunk is how long the long ones are.
const chunk = 16 << 10

// room makes sure that n more bytes fit, and gives where they begin.
func (t *texts) room(n int) int {
	if t.b.Cap()-t.b.Len() < n {
		t.b = strings.Builder{}
		t.b.Grow(max(n, chunk))
	}
	return t.b.Len()
}

// since is what was written from a place on.
func (t *texts) since(from int) string { return t.b.String()[from:] }

// join cuts "a/b".
func (t *texts) join(a, b string) string {
	from := t.room(len(a) + 1 + len(b))
	t.b.WriteString(a)
	t.b.WriteByte('/')
	t.b.WriteString(b)
	return t.since(from)
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
	from := c.texts.room(len(typ) + 37)
	c.texts.b.WriteString(typ)
	c.texts.b.WriteByte('/')
	const digit = "0123456789abcdef"
	for i := range 16 {
		if i == 4 || i == 6 || i == 8 || i == 10 {
			c.texts.b.WriteByte('-')
		}
		b := c.in[c.at+i]
		c.texts.b.WriteByte(digit[b>>4])
		c.texts.b.WriteByte(digit[b&15])
	}
	c.at += 16
	*v = c.texts.since(from)
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
		high, low := nibble(s[i]), nibble(s[i+1])
		if (high|low)&0xf0 != 0 {
			return false
		}
		to[n] = high<<4 | low
		n++
	}
	return true
}

func nibble(c byte) byte {
	if n := c - '0'; n <= 9 {
		return n
	}
	if n := c - 'a'; n <= 5 {
		return n + 10
	}
	return 0xff
}

// uid writes a text of digits and dots, two in a byte; other texts as they are.
func (c *coder) uid(v *string) {
	n := uint64(len(*v))<<1 | 1
	if !c.reading {
		for i := range len(*v) {
			if b := (*v)[i]; b != '.' && (b < '0' || b > '9') {
				n &^= 1
				break
			}
		}
	}
	c.uint(&n)
	switch {
	case n&1 == 0:
		c.text(v)
	case c.reading:
		c.readUID(v, int(n>>1))
	default:
		for i := 0; i < len(*v); i += 2 {
			b := half((*v)[i]) << 4
			if i+1 < len(*v) {
				b |= half((*v)[i+1])
			}
			c.out = append(c.out, b)
		}
	}
}

// half is a sign of a UID in four bits.
func half(b byte) byte {
	if b == '.' {
		return 10
	}
	return b - '0'
}

func (c *coder) readUID(v *string, n int) {
	if n == 0 {
		*v = ""
		return
	}
	const sign = "0123456789.....?"
	from := c.texts.room(n)
	for i := range n {
		b := c.in[c.at+i/2]
		if i%2 == 0 {
			b >>= 4
		}
		c.texts.b.WriteByte(sign[b&15])
	}
	c.at += (n + 1) / 2
	*v = c.texts.since(from)
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
