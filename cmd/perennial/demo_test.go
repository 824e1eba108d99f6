package main

import (
	"context"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"
)

// announced gives the address of the pages once it has been printed.
type announced chan string

func (a announced) Write(p []byte) (int, error) {
	if m := regexp.MustCompile(`pages: (http://127\.0\.0\.1:\d+/)`).FindSubmatch(p); m != nil {
		a <- string(m[1])
	}
	return len(p), nil
}

// The demo shows its pages on the day that it is about, whatever day it is: the
// sources were read the day before, and no clock went back.
func TestDemoPages(t *testing.T) {
	t.Parallel()
	days := []string{"2019-03-31", "2190-01-31"}
	if testing.Short() {
		days = days[:1]
	}
	for _, asOf := range days {
		t.Run(asOf, func(t *testing.T) {
			t.Parallel()
			ctx, stop := context.WithCancel(t.Context())
			out, ended := make(announced, 1), make(chan int, 1)
			go func() {
				ended <- run(ctx, testEnv(out, io.Discard), []string{"demo", "--as-of", asOf, "--dir", t.TempDir()})
			}()
			at := ""
			select {
			case at = <-out:
			case code := <-ended:
				t.Fatalf("it ended with %d before the pages were there", code)
			}
			for page, want := range map[string]string{"": "Worklist", "status": "(24 hours ago)"} {
				if text := pageText(t, at+page); !strings.Contains(text, want) || strings.Contains(text, "The clock of this computer went back") {
					t.Errorf("/%s of %s has no %q, or an alarm, in\n%s", page, asOf, want, text)
				}
			}
			stop()
			select {
			case code := <-ended:
				if code != exitOK {
					t.Errorf("exit status %d", code)
				}
			case <-time.After(30 * time.Second):
				t.Error("it does not stop")
			}
		})
	}
}

// pageText is a page as the server sends it.
func pageText(t *testing.T, address string) string {
	t.Helper()
	answer, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v", address, answer.Status, err)
	}
	return string(text)
}
