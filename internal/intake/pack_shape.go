package intake

import (
	"strings"

	"perennial/internal/chart"
)

// shape is what many studies have in common: what sort of study it is and how
// that is known. It is kept once and then told by its number.
type shape struct {
	kind          chart.Kind
	covers        chart.Territory
	state         chart.StudyState
	marks         uint8
	how, modality string
}

// shapes are numbered from 1.
type shapes struct {
	number map[shape]uint32
	list   []shape
	lately [64]uint32 // numbers of shapes that came lately: faster than the map
}

// mostShapes is how many are numbered; further ones are written out.
const mostShapes = 1 << 12

// add numbers a shape; 0 where it is to be written out.
func (l *shapes) add(s *shape) uint32 {
	at := &l.lately[(uint(s.kind)*7+uint(s.covers)*3+uint(s.state)*5+uint(s.marks)+uint(len(s.how)))%uint(len(l.lately))]
	if n := *at; n > 0 && l.list[n-1] == *s {
		return n
	}
	n, ok := l.number[*s]
	if !ok {
		if len(l.list) == mostShapes || len(s.how)+len(s.modality) > 2*longestWord {
			return 0
		}
		kept := *s
		kept.how, kept.modality = strings.Clone(s.how), strings.Clone(s.modality) // they may lie in a buffer
		l.list = append(l.list, kept)
		n = uint32(len(l.list))
		if l.number == nil {
			l.number = map[shape]uint32{}
		}
		l.number[kept] = n
	}
	*at = n
	return n
}

// shape writes the number of a study's shape, or 0 and the shape.
func (c *coder) shape(s *chart.Study) {
	var f shape
	var n uint64
	if !c.reading {
		f = shape{s.Kind, s.Covers, s.State, studyMarks(s), s.How, s.Modality}
		n = uint64(c.words.shapes.add(&f))
	}
	c.uint(&n)
	switch {
	case n == 0:
		number(c, &f.kind)
		number(c, &f.covers)
		number(c, &f.state)
		number(c, &f.marks)
		c.word(&f.how)
		c.word(&f.modality)
	case c.reading:
		f = c.words.shapes.list[n-1]
	}
	if c.reading {
		s.Kind, s.Covers, s.State, s.How, s.Modality = f.kind, f.covers, f.state, f.how, f.modality
		setStudyMarks(s, f.marks)
	}
}

func studyMarks(s *chart.Study) (marks uint8) {
	for i, is := range [...]bool{s.NonImage, s.NeverCounts, s.Unrecognised, s.ReportOnly, s.Accepted, s.CodedSeparate} {
		if is {
			marks |= 1 << i
		}
	}
	return marks
}

func setStudyMarks(s *chart.Study, marks uint8) {
	for i, to := range [...]*bool{&s.NonImage, &s.NeverCounts, &s.Unrecognised, &s.ReportOnly, &s.Accepted, &s.CodedSeparate} {
		*to = marks&(1<<i) != 0
	}
}
