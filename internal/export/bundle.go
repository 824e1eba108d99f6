package export

import (
	"io"
	"strconv"
)

// Bundle writes resources as one Bundle of the type collection, as they come.
type Bundle struct {
	w io.Writer
	n int
}

// NewBundle begins a Bundle.
func NewBundle(w io.Writer) *Bundle { return &Bundle{w: w} }

// Add writes one resource.
func (b *Bundle) Add(r *Resource) error {
	before := `{"resourceType":"Bundle","type":"collection","entry":[` + "\n"
	if b.n > 0 {
		before = ",\n"
	}
	b.n++
	_, err := io.WriteString(b.w, before+`{"fullUrl":`+strconv.Quote(fullURL(r.Type, r.ID))+`,"resource":`+string(r.Body)+"}")
	return err
}

// Close ends the Bundle. One without a resource has no list of entries.
func (b *Bundle) Close() error {
	end := "\n]}\n"
	if b.n == 0 {
		end = `{"resourceType":"Bundle","type":"collection"}` + "\n"
	}
	_, err := io.WriteString(b.w, end)
	return err
}
