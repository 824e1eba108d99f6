package day

import (
	"fmt"
	"strconv"
)

// Offset is an ISO 8601 duration of whole calendar months and days: P30D is
// 30 days, P1M one month, P5Y sixty months, P2W fourteen days.
type Offset struct {
	Months, Days int
}

// Zero says whether the offset moves nothing.
func (o Offset) Zero() bool { return o == Offset{} }

// String writes the offset as an ISO 8601 duration.
func (o Offset) String() string {
	if o.Zero() {
		return "P0D"
	}
	s := "P"
	if o.Months != 0 {
		s += strconv.Itoa(o.Months) + "M"
	}
	if o.Days != 0 {
		s += strconv.Itoa(o.Days) + "D"
	}
	return s
}

// ParseOffset reads an ISO 8601 duration of years, months, weeks and days.
// Times of day, fractions and signs are refused.
func ParseOffset(text string) (Offset, error) {
	bad := func(why string) (Offset, error) {
		return Offset{}, fmt.Errorf("%q is not a duration in whole years, months, weeks or days: %s (write for example P30D, P6M or P5Y)", text, why)
	}
	if len(text) < 3 || text[0] != 'P' {
		return bad("it must start with P and a number")
	}
	var o Offset
	n, digits, last := 0, 0, -1
	for i := 1; i < len(text); i++ {
		c := text[i]
		if c >= '0' && c <= '9' {
			if n, digits = n*10+int(c-'0'), digits+1; digits > 5 {
				return bad("the number is too large")
			}
			continue
		}
		rank := unitRank(c)
		if rank < 0 || digits == 0 || rank <= last {
			return bad("units are Y, M, W, D, in this order, each after a number")
		}
		o = o.plusUnit(c, n)
		n, digits, last = 0, 0, rank
	}
	if digits > 0 {
		return bad("a unit is missing at the end")
	}
	if o.Months > 12*200 || o.Days > 366*200 {
		return bad("it is longer than 200 years")
	}
	return o, nil
}

func unitRank(c byte) int {
	switch c {
	case 'Y':
		return 0
	case 'M':
		return 1
	case 'W':
		return 2
	case 'D':
		return 3
	}
	return -1
}

func (o Offset) plusUnit(unit byte, n int) Offset {
	switch unit {
	case 'Y':
		o.Months += 12 * n
	case 'M':
		o.Months += n
	case 'W':
		o.Days += 7 * n
	case 'D':
		o.Days += n
	}
	return o
}

// MarshalText writes the offset as an ISO 8601 duration.
func (o Offset) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

// UnmarshalText reads an ISO 8601 duration.
func (o *Offset) UnmarshalText(text []byte) (err error) {
	*o, err = ParseOffset(string(text))
	return err
}
