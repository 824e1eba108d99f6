package main

import (
	"context"
	"io"
	"os"
	"testing"
	"time"

	"perennial/internal/clinic"
)

// BenchmarkStore measures a store that is there already: a night (the patients who
// wake on the next day), the worklist, the due list, and a full check. The
// environment variable PERENNIAL_BENCH_SITE names its settings file; the store is
// moved on by a day for each night, so give it a copy.
//
//	PERENNIAL_BENCH_SITE=/tmp/copy/site.yaml go test -run '^$' -bench Store -benchtime 20x ./cmd/perennial
func BenchmarkStore(b *testing.B) {
	site := os.Getenv("PERENNIAL_BENCH_SITE")
	if site == "" {
		b.Skip("PERENNIAL_BENCH_SITE names no settings file")
	}
	now := time.Now()
	e := &env{stdin: nil, stdout: io.Discard, stderr: io.Discard, now: func() time.Time { return now }, terminal: func(any) bool { return false }}
	err := opening{site: site}.with(b.Context(), e, func(cl *clinic.Clinic) error {
		if _, err := cl.Tick(b.Context()); err != nil {
			return err
		}
		b.Run("Night", func(b *testing.B) {
			patients, work, longest := 0, 0, time.Duration(0)
			for b.Loop() {
				now = now.AddDate(0, 0, 1)
				begun := time.Now()
				got, err := cl.Tick(b.Context())
				if err != nil {
					b.Fatal(err)
				}
				longest = max(longest, time.Since(begun))
				patients, work = patients+got.Patients, work+got.Made+got.Changed+got.Completed+got.Cancelled
			}
			b.ReportMetric(float64(patients)/float64(b.N), "patients/op")
			b.ReportMetric(float64(work)/float64(b.N), "workitems/op")
			b.ReportMetric(float64(longest.Milliseconds()), "ms-longest")
		})
		for name, do := range map[string]func(context.Context) (int, error){
			"Worklist": func(ctx context.Context) (int, error) {
				rows, err := cl.Worklist(ctx, clinic.Filter{})
				return len(rows), err
			},
			"Due": func(ctx context.Context) (int, error) {
				rows, err := cl.Due(ctx, clinic.Filter{})
				return len(rows), err
			},
			"Check": func(ctx context.Context) (int, error) {
				rep, err := cl.Check(ctx)
				return len(rep.Problems), err
			},
		} {
			b.Run(name, func(b *testing.B) {
				rows := 0
				for b.Loop() {
					n, err := do(b.Context())
					if err != nil {
						b.Fatal(err)
					}
					rows = n
				}
				b.ReportMetric(float64(rows), "rows")
			})
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
}
