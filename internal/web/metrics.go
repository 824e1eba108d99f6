package web

import (
	"context"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are what a monitoring system may read: counts and times, no patient.
type metrics struct {
	s        *Server
	registry *prometheus.Registry
	pages    *prometheus.HistogramVec
	parts    *prometheus.Desc
	holds    *prometheus.Desc
	work     *prometheus.Desc
	outbox   *prometheus.Desc
	source   *prometheus.Desc
	stale    *prometheus.Desc
	live     *prometheus.Desc
	up       *prometheus.Desc
}

func newMetrics(s *Server) *metrics {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("perennial_"+name, help, labels, nil)
	}
	m := &metrics{s: s, registry: prometheus.NewRegistry(),
		pages: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "perennial_page_seconds", Help: "How long pages took.",
			Buckets: []float64{.005, .02, .05, .1, .3, 1, 5}}, []string{"page", "code"}),
		parts:  desc("sum_part", "A term of one of the three sums.", "sum", "part"),
		holds:  desc("sum_holds", "1 where the parts of a sum add up to its total.", "sum"),
		work:   desc("work_open", "Open work items.", "kind"),
		outbox: desc("outbox_items", "Items of the outbox.", "state"),
		source: desc("source_last_success_timestamp_seconds", "When a source was last read to its end.", "source"),
		stale:  desc("source_stale", "1 where a source is silent for longer than its limit.", "source"),
		live:   desc("live", "1 where go-live has been said."),
		up:     desc("store_up", "1 where the store can be read."),
	}
	m.registry.MustRegister(m, m.pages)
	return m
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4, ErrorLog: slog.NewLogLogger(m.s.o.Log.Handler(), slog.LevelWarn)})
}

// served counts a page.
func (m *metrics) served(page string, code int, took time.Duration) {
	m.pages.WithLabelValues(page, strconv.Itoa(code)).Observe(took.Seconds())
}

// Describe names what Collect gives.
func (m *metrics) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{m.parts, m.holds, m.work, m.outbox, m.source, m.stale, m.live, m.up} {
		out <- d
	}
}

// Collect asks for the status.
func (m *metrics) Collect(out chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	st, err := ask(context.Background(), m.s.o.Clinic.Status)
	gauge(m.up, truth(err == nil))
	if err != nil {
		return
	}
	for _, sum := range st.Sums {
		gauge(m.holds, truth(sum.Holds()), sum.Name)
		for _, p := range sum.Parts {
			gauge(m.parts, float64(p.N), sum.Name, p.Name)
		}
	}
	for _, p := range st.Work {
		gauge(m.work, float64(p.N), p.Name)
	}
	for _, p := range st.Outbox {
		gauge(m.outbox, float64(p.N), p.Name)
	}
	for _, src := range st.Sources {
		if !src.Success.IsZero() {
			gauge(m.source, float64(src.Success.Unix()), src.Name)
		}
		gauge(m.stale, truth(src.Stale), src.Name)
	}
	gauge(m.live, truth(!st.Live.IsZero()))
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Registry is where the metrics are registered, so that others can add theirs.
func (s *Server) Registry() *prometheus.Registry { return s.metrics.registry }
