//go:build !perennial_metrics

package web

import (
	"net/http"
	"time"
)

// metrics without the library: nothing is counted, and /metrics says so.
type metrics struct{}

func newMetrics(*Server) *metrics { return &metrics{} }

func (*metrics) served(string, int, time.Duration) {}

func (*metrics) handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "this program was built without metrics", http.StatusNotImplemented)
	})
}
