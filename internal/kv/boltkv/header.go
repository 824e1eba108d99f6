package boltkv

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"

	"perennial/internal/fault"
)

// A bbolt file begins with two header ("meta") pages, written in turn. Each is a page
// header of 16 bytes, then: magic, version, page size, flags (4 bytes each), root
// bucket (16), free list (8), number of pages in use (8), transaction (8), FNV-1a sum of
// all before it (8), in the byte order of the machine. They are read here first
// because bbolt maps the file without looking whether it is long enough.
const (
	headerMagic   = 0xED0CDAED
	headerVersion = 2
	headerOffset  = 16
	headerSize    = 64
	minPage       = 1 << 10
	maxPage       = 16 << 20
)

// header is what one header page says.
type header struct{ pageSize, pages uint64 }

// readHeader checks that a file begins like a store and is as long as it says. It
// returns how many of the two header pages are good. A file of length zero is Empty.
func readHeader(path string) (good int, err error) {
	const op = "read the beginning of the store"
	f, err := os.Open(path)
	if err != nil {
		return 0, translate(op, err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return 0, translate(op, err)
	case !info.Mode().IsRegular():
		return 0, fault.New(fault.Invalid, op, hintForeign, errors.New("it is not a plain file"))
	case info.Size() == 0:
		return 0, fault.New(fault.Empty, op, hintVacant, errors.New("the file has no content"))
	}
	headers := findHeaders(f)
	if len(headers) == 0 {
		return 0, damaged(op, errors.New("this is not a store, or its beginning is damaged"))
	}
	for _, h := range headers { // files never shrink, so both must fit
		if have := uint64(info.Size()) / h.pageSize; h.pages > have {
			return 0, damaged(op, fmt.Errorf("the file was cut: %d pages of %d are there", have, h.pages))
		}
	}
	return len(headers), nil
}

// findHeaders returns the good header pages, none, one or two.
func findHeaders(f io.ReaderAt) (found []header) {
	first, ok := parseHeader(f, 0)
	if ok {
		found = append(found, first)
		if second, ok := parseHeader(f, int64(first.pageSize)); ok {
			found = append(found, second)
		}
		return found
	}
	for size := int64(minPage); size <= maxPage; size *= 2 {
		if second, ok := parseHeader(f, size); ok && second.pageSize == uint64(size) {
			return append(found, second)
		}
	}
	return nil
}

// parseHeader reads the header page at an offset and says whether it is good.
func parseHeader(f io.ReaderAt, at int64) (h header, ok bool) {
	var b [headerSize]byte
	if _, err := f.ReadAt(b[:], at+headerOffset); err != nil {
		return h, false
	}
	order := binary.NativeEndian
	sum := fnv.New64a()
	sum.Write(b[:56])
	h = header{uint64(order.Uint32(b[8:])), order.Uint64(b[40:])}
	ok = order.Uint32(b[:]) == headerMagic && order.Uint32(b[4:]) == headerVersion &&
		order.Uint64(b[56:]) == sum.Sum64() && h.pageSize >= minPage && h.pageSize <= maxPage
	return h, ok
}
