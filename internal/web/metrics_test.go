package web_test

import (
	"strings"
	"testing"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

// The metrics are read by the format's own parser, say what the status says,
// and name no patient.
func TestMetrics(t *testing.T) {
	t.Parallel()
	w := someWard(5)
	w.status.Sums[2].Total++
	s := server(t, w)
	page(t, s, "/patients/rich-1")
	page(t, s, "/?kind=review-finding")
	body := get(t, s, "/metrics").Body.String()
	parser := expfmt.NewTextParser(model.UTF8Validation)
	got, err := parser.TextToMetricFamilies(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	value := func(name string, labels ...string) float64 {
		for _, m := range got[name].GetMetric() {
			have := ""
			for _, l := range m.GetLabel() {
				have += l.GetValue() + "|"
			}
			if have == strings.Join(labels, "|")+"|" || len(labels) == 0 {
				return m.GetGauge().GetValue()
			}
		}
		return -1
	}
	if value("perennial_sum_part", "quarantined", "resources received") != 20 || value("perennial_sum_holds", "work items ever made") != 0 || value("perennial_sum_holds", "resources received") != 1 ||
		value("perennial_source_stale", "fhir.example.org") != 1 || value("perennial_live") != 0 || value("perennial_store_up") != 1 ||
		value("perennial_source_last_success_timestamp_seconds", "folder inbox") != float64(now().Add(-14*time.Minute).Unix()) {
		t.Errorf("other values:\n%s", body)
	}
	if !strings.Contains(body, `page="GET /patients/{id}"`) {
		t.Error("pages are not counted by their pattern")
	}
	for _, word := range []string{"Quill", "rich-1", "0044719", "review-finding&"} {
		if strings.Contains(body, word) {
			t.Errorf("the metrics name %q", word)
		}
	}
	w.status.Sums = nil
	w.err = errTest
	if body := get(t, s, "/metrics").Body.String(); !strings.Contains(body, "perennial_store_up 0") {
		t.Error("a store that cannot be read does not show")
	}
}

var errTest = testError("gone")

type testError string

func (e testError) Error() string { return string(e) }
