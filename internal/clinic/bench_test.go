package clinic_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"perennial/internal/clinic"
	"perennial/internal/fhir"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
)

// bolt makes a store in a file.
func bolt(t testing.TB) kv.DB {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store.db")
	if err := boltkv.Create(path); err != nil {
		t.Fatal(err)
	}
	db, err := boltkv.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// crowd are n invented patients with an operation and two studies each, file by
// file as servers export them.
func crowd(n int) []fhir.Raw {
	var people, operations, studies []string
	for i := range n {
		id := fmt.Sprintf("p%06d", i)
		on := fmt.Sprintf("20%02d-%02d-%02d", 10+i%16, 1+i%12, 1+i%28)
		people = append(people, patient(id, ""))
		operations = append(operations, evar("pr-"+id, id, on))
		studies = append(studies, cta("s1-"+id, id, fmt.Sprintf("20%02d-%02d-%02d", 10+i%16, 1+(i+1)%12, 1+i%28)),
			cta("s2-"+id, id, fmt.Sprintf("20%02d-%02d-%02d", 11+i%16, 1+i%12, 1+i%28)))
	}
	var all []string
	all = append(append(append(all, people...), operations...), studies...)
	return raws(all)
}

const crowdSize = 1000

// crowded is a clinic that knows the crowd.
func crowded(b *testing.B) *rig {
	r := newRigOn(b, bolt(b))
	if _, err := r.Import(b.Context(), "bench", batchesOf(crowd(crowdSize), 500)); err != nil {
		b.Fatal(err)
	}
	return r
}

// BenchmarkImport imports 1,000 patients into a store in a file: 4,000
// resources, with plans, work and Tasks.
func BenchmarkImport(b *testing.B) {
	list := crowd(crowdSize)
	for b.Loop() {
		b.StopTimer()
		r := newRigOn(b, bolt(b))
		b.StartTimer()
		if _, err := r.Import(b.Context(), "bench", batchesOf(list, 500)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N*len(list))/b.Elapsed().Seconds(), "resources/s")
}

// BenchmarkTick looks at everybody who wakes within a month, day by day.
func BenchmarkTick(b *testing.B) {
	r := crowded(b)
	n := 0
	for b.Loop() {
		r.clock = r.clock.AddDate(0, 0, 1)
		n += r.tickB(b).Patients
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "patients/s")
}

func (r *rig) tickB(b *testing.B) clinic.Changes {
	ch, err := r.Tick(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	return ch
}

// BenchmarkWorklist lists the open work of 1,000 patients.
func BenchmarkWorklist(b *testing.B) {
	r := crowded(b)
	n := 0
	for b.Loop() {
		rows, err := r.Worklist(b.Context(), clinic.Filter{})
		if err != nil {
			b.Fatal(err)
		}
		n = len(rows)
	}
	b.ReportMetric(float64(n), "rows")
}

// BenchmarkPatient shows one patient.
func BenchmarkPatient(b *testing.B) {
	r := crowded(b)
	for b.Loop() {
		if _, err := r.Patient(b.Context(), "p000500"); err != nil {
			b.Fatal(err)
		}
	}
}

// The same import into a store in a file, which is opened again in between.
func TestOnBolt(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "store.db")
	if err := boltkv.Create(path); err != nil {
		t.Fatal(err)
	}
	db, err := boltkv.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	r := newRigOn(t, db)
	list := allCases(t)
	want, _ := atOnce(t, list, r.Today())
	half := len(list) / 2
	if _, err := r.Import(t.Context(), "test", batchesOf(list[:half], 100)); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if db, err = boltkv.Open(path); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	r.db, r.o.DB = db, db
	r.start()
	if _, err := r.Import(t.Context(), "test", batchesOf(list[half:], 100)); err != nil {
		t.Fatal(err)
	}
	samePlans(t, db, want, 30)
	r.sound()
}

// BenchmarkRecall asks for a lot that 20 of the patients have, and for a model
// that all have. PERENNIAL_RECALL sets how many patients there are.
func BenchmarkRecall(b *testing.B) {
	n, err := strconv.Atoi(os.Getenv("PERENNIAL_RECALL"))
	if err != nil {
		n = 1000
	}
	r := newRigOn(b, bolt(b))
	list := crowd(n)
	var devices []string
	for i := range n {
		id := fmt.Sprintf("p%06d", i)
		devices = append(devices, dev("d-"+id, id, "1", fmt.Sprintf(`"udiCarrier":[{"carrierHRF":"(01)00844588003288(10)L%d(21)S%d"}]`, i%(n/20), i)))
	}
	if _, err := r.Import(b.Context(), "bench", batchesOf(append(list, raws(devices)...), 5000)); err != nil {
		b.Fatal(err)
	}
	for name, w := range map[string]clinic.Wanted{"lot": {Lots: []string{"l-7"}}, "model": {Models: []string{"844588003288"}}} {
		b.Run(name, func(b *testing.B) {
			rows := 0
			for b.Loop() {
				list, err := r.Recall(b.Context(), w)
				if err != nil {
					b.Fatal(err)
				}
				rows = len(list.Rows)
			}
			b.ReportMetric(float64(rows), "rows")
		})
	}
}
