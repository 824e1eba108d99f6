package web

import (
	"fmt"
	"log/slog"
	"net/http"
)

// healthz says whether the program answers and its store can be read: 200 or
// 503. What people must look at (a sum, a silent source) is said in words and
// does not change the status: starting the program again would not mend it.
func (s *Server) healthz(w http.ResponseWriter, r *http.Request) error {
	st, err := ask(r.Context(), s.o.Clinic.Status)
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if err != nil {
		s.o.Log.Error("the health check failed", "error", err.Error())
		w.WriteHeader(http.StatusServiceUnavailable)
		_, _ = fmt.Fprintln(w, "failed: the store cannot be read")
		return nil
	}
	state := "ok"
	for _, sum := range st.Sums {
		if !sum.Holds() {
			state = "attention"
		}
	}
	for _, src := range st.Sources {
		if src.Stale {
			state = "attention"
		}
	}
	if len(st.Alarms) > 0 {
		state = "attention"
	}
	_, _ = fmt.Fprintln(w, state)
	return nil
}

// level is how loudly a failure is logged.
func level(code int) slog.Level {
	if code >= http.StatusInternalServerError {
		return slog.LevelError
	}
	return slog.LevelInfo
}
