package fhir_test

import (
	"bytes"
	"errors"
	"io"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"

	"perennial/internal/fhir"
)

// filler writes a large input piece by piece through a pipe: head, n times piece with its number in place of #, tail.
func filler(head, piece, tail string, n int) io.Reader {
	r, w := io.Pipe()
	before, after, _ := strings.Cut(piece, "#")
	go func() {
		buf := make([]byte, 0, 1<<20)
		buf = append(buf, head...)
		for i := range n {
			if i > 0 {
				buf = append(buf, ',')
			}
			buf = append(strconv.AppendInt(append(buf, before...), int64(i), 10), after...)
			if len(buf) > 1<<19 {
				if _, err := w.Write(buf); err != nil {
					return
				}
				buf = buf[:0]
			}
		}
		_, _ = w.Write(append(buf, tail...))
		_ = w.Close()
	}()
	return r
}

// entryOf makes a Bundle entry of about n bytes, with its number for #.
func entryOf(n int) string {
	return `{"fullUrl":"urn:invented:#","resource":{"resourceType":"ImagingStudy","id":"s","status":"available","subject":{"reference":"Patient/1"},"note":[{"text":"` +
		strings.Repeat("a \\\" b ", n/7) + `"}]}}`
}

// TestHugeBundleStreams is not parallel: it measures the heap. A Bundle of 200 MB on one line, with its type last, is read in
// a few buffers.
func TestHugeBundleStreams(t *testing.T) {
	size := 200 << 20
	if testing.Short() {
		size = 20 << 20
	}
	tests := []struct{ name, head, tail string }{
		{"type last", `{"link":[],"entry":[`, `],"type":"searchset","resourceType":"Bundle"}`},
		{"in a Bundle", `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Bundle","entry":[`, `]},"fullUrl":"x"}]}`},
		{"array", `[`, `]`},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			entry := entryOf(20_000)
			if tc.name == "array" {
				entry = strings.Replace(strings.TrimSuffix(entry[strings.Index(entry, `{"resourceType`):], "}"), `"s"`, `"#"`, 1)
			}
			want := size / len(entry)
			got, peak := 0, uint64(0)
			base := heap()
			err := fhir.Read("pipe", filler(tc.head, entry, tc.tail, want), fhir.Handler{
				Each: func(r fhir.Raw) error {
					if got++; got%(want/8) == 0 {
						peak = max(peak, heap())
					}
					if r.Line != 1 || len(r.Body) < 19_000 || r.Body[len(r.Body)-1] != '}' {
						return errors.New("a resource is not whole")
					}
					return nil
				},
				Issue: func(i fhir.Issue) { t.Errorf("issue: %+v", i) },
			})
			if err != nil || got != want {
				t.Errorf("%d of %d, error %v", got, want, err)
			}
			// The window may grow to the largest allowed resource (16 MB) and be copied once while it does.
			if peak > base+48<<20 {
				t.Errorf("the heap grew by %d MB", (peak-base)>>20)
			}
		})
	}
}

// heap is what lives on the heap now.
func heap() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func TestOversizeIsPassedOverInBoundedMemory(t *testing.T) {
	t.Parallel()
	piece := strings.Repeat("x", 1<<20) + "#"
	small := res("Device", "after")
	huge := `{"resourceType":"ImagingStudy","id":"huge","subject":{"reference":"Patient/9"},"x":["`
	tests := []struct{ name, head, tail string }{
		{"line", huge, `"]}` + "\n" + small + "\n"},
		{"entry", `{"resourceType":"Bundle","entry":[{"resource":` + huge, `"]}},{"resource":` + small + `}]}`},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			f := read(t, filler(tc.head, piece, tc.tail, 20), fhir.Limits{})
			if len(f.got) != 2 || f.issues[0].Kind != fhir.Oversize || f.issues[0].Known.PatientRef != "Patient/9" || f.issues[0].Ref != "ImagingStudy/huge" {
				t.Errorf("got %v, %+v", f.got, f.issues)
			}
			if !strings.Contains(f.issues[0].What, "16 MB") || !strings.HasSuffix(f.got[1], "Device/after") {
				t.Errorf("got %v, %s", f.got, f.issues[0].What)
			}
		})
	}
}

func TestTruncatedGzip(t *testing.T) {
	t.Parallel()
	var in strings.Builder
	for i := range 5000 {
		in.WriteString(res("Patient", "p"+strconv.Itoa(i)) + "\n")
	}
	z := zipped(in.String())
	f := read(t, bytes.NewReader(z[:len(z)/2]), fhir.Limits{})
	last := f.issues[len(f.issues)-1]
	if len(f.bodies) < 500 || len(f.issues) != 1 || last.Kind != fhir.Truncated || last.Line < len(f.bodies) {
		t.Errorf("%d resources, %d issues, last %+v", len(f.bodies), len(f.issues), last)
	}
	for i, b := range f.bodies {
		if b != res("Patient", "p"+strconv.Itoa(i)) {
			t.Fatalf("resource %d is %s", i, b)
		}
	}
	for n := range 40 { // also in the header
		if f := read(t, bytes.NewReader(z[:n]), fhir.Limits{}); n > 1 && (len(f.issues) != 1 || len(f.bodies) > 0) {
			t.Errorf("%d bytes: %v", n, f.got)
		}
	}
	// The whole text came, but its checksum did not.
	f = read(t, bytes.NewReader(z[:len(z)-6]), fhir.Limits{})
	if len(f.bodies) != 5000 || len(f.issues) != 1 || f.issues[0].Kind != fhir.Truncated {
		t.Errorf("%d resources, issues %+v", len(f.bodies), f.issues)
	}
	if f = read(t, bytes.NewReader(append(z[:len(z):len(z)], z...)), fhir.Limits{}); len(f.bodies) != 10_000 || len(f.issues) != 0 {
		t.Errorf("two gzip parts behind one another: %d resources, issues %+v", len(f.bodies), f.issues)
	}
}

func TestReadReturnsErrorsOfTheReaderAndOfEach(t *testing.T) {
	t.Parallel()
	disk := errors.New("the disk is gone")
	in := res("Patient", "a") + "\n" + res("Patient", "b") + "\n"
	got := 0
	err := fhir.Read("in", io.MultiReader(strings.NewReader(in), iotest.ErrReader(disk)), fhir.Handler{Each: func(fhir.Raw) error { got++; return nil }})
	if !errors.Is(err, disk) || got != 2 || !strings.Contains(err.Error(), "in") {
		t.Errorf("%d resources, error %v", got, err)
	}
	stop := errors.New("enough")
	bundle := `{"resourceType":"Bundle","entry":[{"resource":` + res("Patient", "a") + `},{"resource":` + res("Patient", "b") + `}]}`
	for _, in := range []string{in, bundle, bundle + "\n" + bundle, "[" + res("Patient", "a") + "," + res("Patient", "b") + "]"} {
		got = 0
		err = fhir.Read("in", strings.NewReader(in), fhir.Handler{Each: func(fhir.Raw) error { got++; return stop }, Issue: func(i fhir.Issue) { t.Errorf("%+v", i) }})
		if err != stop || got != 1 {
			t.Errorf("%d resources, error %v", got, err)
		}
	}
}

// TestBrokenLinesCostLittle: lines that each leave a list open must not make each other's reading longer.
func TestBrokenLinesCostLittle(t *testing.T) {
	t.Parallel()
	var in strings.Builder
	const n = 20_000
	for i := range n {
		in.WriteString(`{"resourceType":"Patient","id":"` + strconv.Itoa(i) + `","x":[` + "\n")
	}
	f := read(t, strings.NewReader(in.String()), fhir.Limits{})
	if len(f.issues) != n || len(f.bodies) != 0 {
		t.Errorf("%d issues, %d resources", len(f.issues), len(f.bodies))
	}
}
