package fhir

import (
	"strconv"
)

// verdict says whether an object is a Bundle.
type verdict uint8

const (
	unsure   verdict = iota // the object must be seen further
	isBundle                // an envelope, to be taken apart
	notBundle
)

// bundleOrNot looks at as much of an object as there is. A type of "Bundle" makes it one; where a list named
// "entry" comes before the type, what an entry holds does (a List has a member of that name, too).
func bundleOrNot(b []byte) verdict {
	const bundle = typePrefix + `Bundle"`
	if len(b) >= len(bundle) && string(b[:len(typePrefix)]) == typePrefix {
		if string(b[:len(bundle)]) == bundle {
			return isBundle
		}
		return notBundle
	}
	v := unsure
	ended := walk(b, func(key, value []byte, full bool) bool {
		switch string(key) {
		case "resourceType":
			if full {
				v = notBundle
				if text(value) == "Bundle" {
					v = isBundle
				}
			}
		case "entry":
			v = entryVerdict(value)
		}
		return v == unsure
	})
	if ended && v == unsure {
		return notBundle
	}
	return v
}

// entryVerdict judges by the members of the first entry that tells.
func entryVerdict(list []byte) verdict {
	v := unsure
	walkList(list, func(entry []byte, _ bool) bool {
		walk(entry, func(key, _ []byte, _ bool) bool {
			switch string(key) {
			case "resource", "fullUrl", "search", "request", "response":
				v = isBundle
			case "item", "flag", "deleted", "date":
				v = notBundle
			}
			return v == unsure
		})
		return v == unsure
	})
	return v
}

// classify is bundleOrNot for the object at r, reading on as far as is needed and allowed.
func (s *stream) classify() verdict {
	for {
		v := bundleOrNot(s.buf[s.r:s.w])
		have := s.w - s.r
		if v != unsure || have > s.h.Limits.MaxResource {
			return v
		}
		for s.w-s.r < 2*have || s.w == s.r {
			if !s.more() {
				return bundleOrNot(s.buf[s.r:s.w])
			}
		}
	}
}

// megabytes says a size in words.
func megabytes(n int) string {
	if n < 1<<20 {
		return decimal(n) + " bytes"
	}
	return decimal(n>>20) + " MB"
}

// decimal writes a number.
func decimal(n int) string { return strconv.Itoa(n) }

// plural writes a number of things.
func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return decimal(n) + " " + thing + "s"
}
