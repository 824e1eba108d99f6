package intake

import (
	"encoding/binary"

	"perennial/internal/chart"
	"perennial/internal/day"
)

// coder writes a statement as bytes and reads it back. Each method does both,
// so that the two cannot differ: writing appends what the pointer holds to out,
// reading sets the pointer from in. Strings read are parts of in.
//
// Memory for a million statements is the reason: as structs they take four
// times as much, and the garbage collector would walk them all.
type coder struct {
	reading bool
	out     []byte
	in      string
	at      int
	words   *words
	texts   texts
	s       *chart.Statement // whose reference and version facts usually share
	slab    *slab            // where facts are read to
}

// words are texts that come again and again, numbered.
type words struct {
	number map[string]uint32
	list   []string
	lately [256]uint32 // numbers of words that came lately, plus one: faster than the map
	shapes shapes
}

const (
	mostWords   = 1 << 16
	longestWord = 80
)

// add numbers a text, which is not empty; false where it is to be written out.
func (w *words) add(s string) (uint32, bool) {
	at := &w.lately[(len(s)*5+int(s[0])+int(s[len(s)/2])*3+int(s[len(s)-1])*7)%len(w.lately)]
	if n := *at; n > 0 && w.list[n-1] == s {
		return n - 1, true
	}
	n, ok := w.find(s)
	if ok {
		*at = n + 1
	}
	return n, ok
}

// find is add without the short way.
func (w *words) find(s string) (uint32, bool) {
	if n, ok := w.number[s]; ok {
		return n, true
	}
	if len(s) > longestWord || len(w.list) >= mostWords {
		return 0, false
	}
	if w.number == nil {
		w.number = map[string]uint32{}
	}
	s = string([]byte(s)) // the caller's text may lie in a buffer
	n := uint32(len(w.list))
	w.list = append(w.list, s)
	w.number[s] = n
	return n, true
}

func (c *coder) uint(v *uint64) {
	if !c.reading {
		if *v < 0x80 {
			c.out = append(c.out, byte(*v))
		} else {
			c.out = binary.AppendUvarint(c.out, *v)
		}
		return
	}
	if b := c.in[c.at]; b < 0x80 {
		c.at++
		*v = uint64(b)
		return
	}
	*v = 0
	for shift := 0; ; shift += 7 {
		b := c.in[c.at]
		c.at++
		*v |= uint64(b&0x7f) << shift
		if b < 0x80 {
			return
		}
	}
}

// number writes a whole number; small ones, of either sign, take little room.
func number[T ~int | ~int32 | ~int64 | ~uint8 | ~uint16](c *coder, v *T) {
	u := uint64(int64(*v)<<1) ^ uint64(int64(*v)>>63)
	c.uint(&u)
	*v = T(int64(u>>1) ^ -int64(u&1))
}

func (c *coder) bool(v *bool) {
	n := uint8(0)
	if *v {
		n = 1
	}
	number(c, &n)
	*v = n != 0
}

// text writes a string out.
func (c *coder) text(v *string) {
	n := uint64(len(*v))
	c.uint(&n)
	if !c.reading {
		c.out = append(c.out, *v...)
		return
	}
	*v = c.in[c.at : c.at+int(n)]
	c.at += int(n)
}

// word writes the number of a string that comes often: 0 for the empty one, 1
// for one that is written out.
func (c *coder) word(v *string) {
	if c.reading {
		var n uint64
		c.uint(&n)
		*v = c.numbered(n)
		return
	}
	n := uint64(0)
	if *v != "" {
		n = 1
		if i, ok := c.words.add(*v); ok {
			n = uint64(i) + 2
		}
	}
	if c.uint(&n); n == 1 {
		c.text(v)
	}
}

// numbered is the string whose number was read.
func (c *coder) numbered(n uint64) (s string) {
	switch n {
	case 0:
	case 1:
		c.text(&s)
	default:
		s = c.words.list[n-2]
	}
	return s
}

func named[T ~string](c *coder, v *T) {
	s := string(*v)
	c.word(&s)
	*v = T(s)
}

// span takes one number for a whole day.
func (c *coder) span(v *day.Span) {
	first, more := v.First<<1, v.Last-v.First
	if more != 0 {
		first |= 1
	}
	number(c, &first)
	if first&1 != 0 {
		number(c, &more)
	} else {
		more = 0
	}
	*v = day.Span{First: first >> 1, Last: first>>1 + more}
}

// source takes one byte where it is that of the statement.
func (c *coder) source(v *chart.Source) {
	own := uint64(2)
	if !c.reading {
		switch *v {
		case chart.Source{Ref: c.s.Ref, Version: c.s.Version}:
			own = 1
		case chart.Source{}:
			own = 0
		}
	}
	switch c.uint(&own); {
	case own == 2:
		c.ref(&v.Ref)
		c.word(&v.Version)
	case c.reading && own == 1:
		*v = chart.Source{Ref: c.s.Ref, Version: c.s.Version}
	}
}

// list writes the length of a list, then each item.
func list[T any](c *coder, v *[]T, item func(*T)) {
	n := uint64(len(*v))
	c.uint(&n)
	if c.reading && n > 0 {
		*v = make([]T, n)
	}
	for i := range *v {
		item(&(*v)[i])
	}
}

func (c *coder) list(v *[]string) { list(c, v, c.ref) }

// has writes whether there is a fact, and makes room for it on reading.
func has[T any](c *coder, v **T, room *[]T, item func(*T)) {
	there := *v != nil
	if c.bool(&there); !there {
		return
	}
	one(c, v, room, item)
}
