package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// oneLine gives a Bundle on one line: an implant, and n studies with much text
// that is of no use here.
func oneLine(n, size int) io.Reader {
	r, w := io.Pipe()
	go func() {
		_, err := io.WriteString(w, `{"resourceType":"Bundle","type":"collection","entry":[{"resource":`+strings.TrimSpace(goodProcedure)+`}`)
		text := strings.Repeat("invented ", size/9)
		for i := 0; err == nil && i < n; i++ {
			_, err = fmt.Fprintf(w, `,{"resource":{"resourceType":"ImagingStudy","id":"s%d","status":"available","subject":{"reference":"Patient/p1"},"started":"2024-%02d-%02d","note":[{"text":"%s"}]}}`,
				i, 1+i%12, 1+i/12%28, text)
		}
		if err == nil {
			_, err = io.WriteString(w, "]}\n")
		}
		_ = w.CloseWithError(err)
	}()
	return r
}

// A Bundle of 200 MB on one line is read as it comes, from a pipe: assess and
// import hold a small part of it in memory.
func TestLargeBundleInLittleMemory(t *testing.T) {
	t.Parallel()
	const size = 256 << 10
	n := 200 << 20 / size
	if testing.Short() {
		n /= 4
	}
	for command, most := range map[string]int{"assess": 150, "import": 150} { // MB
		t.Run(command, func(t *testing.T) {
			t.Parallel()
			c := newChild(t)
			c.good("init")
			c.stdin = oneLine(n, size)
			peak := filepath.Join(c.dir, "peak")
			c.env = []string{"PERENNIAL_PEAK=" + peak}
			c.good(command, "--format", "json", "-")
			text, err := os.ReadFile(peak)
			kb, _ := strconv.Atoi(string(text))
			t.Logf("peak %d MB", kb>>10)
			if err != nil || kb < 1<<10 || kb > most<<10 && !withRace {
				t.Errorf("%s took %d MB, want at most %d (%v)", command, kb>>10, most, err)
			}
			want := map[string]string{"assess": `"patient":"p1"`, "import": fmt.Sprintf(`"resources":%d,"new":%d,`, n+1, n+1)}[command]
			if !strings.Contains(c.out, want) {
				t.Errorf("it does not say %s: %.300s", want, c.out)
			}
		})
	}
}
