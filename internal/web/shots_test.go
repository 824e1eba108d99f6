package web_test

import (
	"net/http"
	"os"
	"testing"
	"time"
)

// With PERENNIAL_PAGES=host:port the sample pages are served there for ten
// minutes, to be looked at.
func TestServeSamplePages(t *testing.T) {
	addr := os.Getenv("PERENNIAL_PAGES")
	if addr == "" {
		t.Skip("set PERENNIAL_PAGES=127.0.0.1:8421 to look at the pages")
	}
	h, err := server(t, someWard(120)).HTTP(addr)
	if err != nil {
		t.Fatal(err)
	}
	time.AfterFunc(10*time.Minute, func() { _ = h.Close() })
	if err := h.ListenAndServe(); err != http.ErrServerClosed {
		t.Fatal(err)
	}
}
