package kv

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"reflect"
)

// Marks that begin each part of a key. 0x00 and 0xff are kept free: they end and
// escape strings.
const (
	markString byte = 0x02
	markUint64 byte = 0x03
	markInt32  byte = 0x04
)

// Key builds a key of parts whose byte order is the order of the parts: strings
// as bytes, uint64 and int32 as numbers (int32 is for day numbers). Named types
// of these three kinds are taken too. Key panics at any other type, which is a
// defect of the caller and shows on the first call.
//
// Each part begins with a mark for its type. A string has its zero bytes written
// as 00 ff and ends in 00, so no string is a prefix of another's encoding and
// Key("a", "b") differs from Key("ab"). Numbers are big-endian, an int32 with its
// sign bit turned.
func Key(parts ...any) []byte {
	key := make([]byte, 0, 48)
	for _, p := range parts {
		key = appendPart(key, p)
	}
	return key
}

// appendPart adds one part to a key.
func appendPart(key []byte, part any) []byte {
	switch v := part.(type) {
	case string:
		return appendString(key, v)
	case uint64:
		return binary.BigEndian.AppendUint64(append(key, markUint64), v)
	case int32:
		return binary.BigEndian.AppendUint32(append(key, markInt32), uint32(v)^1<<31)
	}
	v := reflect.ValueOf(part)
	switch v.Kind() {
	case reflect.String:
		return appendString(key, v.String())
	case reflect.Uint64:
		return appendPart(key, v.Uint())
	case reflect.Int32:
		return appendPart(key, int32(v.Int()))
	}
	panic(fmt.Sprintf("kv.Key: a part of type %T", part))
}

// appendString adds a string part.
func appendString(key []byte, s string) []byte {
	key = append(key, markString)
	for i := range len(s) {
		key = append(key, s[i])
		if s[i] == 0 {
			key = append(key, 0xff)
		}
	}
	return append(key, 0)
}

// Prefix returns the range of all keys that begin with these whole parts, for
// Scan. Prefix() is the range of everything: nil, nil.
//
// After a whole part comes a mark or the end of the key, never ff; after a zero
// byte within a string comes ff. So the range ends where ff would follow.
func Prefix(parts ...any) (from, to []byte) {
	from = Key(parts...)
	if len(from) == 0 {
		return nil, nil
	}
	return from, append(bytes.Clone(from), 0xff)
}

// Split takes a key apart into the parts Key made it of: string, uint64 or int32.
// It gives an error for bytes that Key does not make.
func Split(key []byte) ([]any, error) {
	var parts []any
	for len(key) > 0 {
		part, rest, err := splitPart(key)
		if err != nil {
			return nil, err
		}
		parts, key = append(parts, part), rest
	}
	return parts, nil
}

// splitPart takes the first part off a key that is not empty.
func splitPart(key []byte) (part any, rest []byte, err error) {
	mark, rest := key[0], key[1:]
	switch {
	case mark == markString:
		return splitString(rest)
	case mark == markUint64 && len(rest) >= 8:
		return binary.BigEndian.Uint64(rest), rest[8:], nil
	case mark == markInt32 && len(rest) >= 4:
		return int32(binary.BigEndian.Uint32(rest) ^ 1<<31), rest[4:], nil
	}
	return nil, nil, fmt.Errorf("kv: no key part begins with %#02x and %d bytes", mark, len(rest))
}

// splitString takes a string off a key whose mark has been taken.
func splitString(key []byte) (part any, rest []byte, err error) {
	var s []byte
	for i := 0; i < len(key); i++ {
		if key[i] != 0 {
			s = append(s, key[i])
			continue
		}
		if i+1 == len(key) || key[i+1] != 0xff {
			return string(s), key[i+1:], nil
		}
		s = append(s, 0)
		i++
	}
	return nil, nil, errors.New("kv: a string part has no end")
}
