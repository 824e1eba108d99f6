package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"perennial/internal/testkit/fakefhir"
)

// BenchmarkFirstPoll lets the daemon, as a process of its own with a store in a file, read 76,000 resources of
// 2,000 patients from a FHIR server for the first time, and measures until all is stored with its plans and work: seconds,
// and the most memory in MB (all of it, and without the pages of the store's file that the system may take back).
func BenchmarkFirstPoll(b *testing.B) {
	server := loaded(b)
	for b.Loop() {
		peak, own, took := firstPoll(b, server.Base)
		b.ReportMetric(took.Seconds(), "s-read")
		b.ReportMetric(peak, "MB-peak")
		b.ReportMetric(own, "MB-own")
	}
}

// loaded is a server with 2,000 invented patients who have a graft and 36 other resources each.
func loaded(b *testing.B) *fakefhir.Server {
	s := fakefhir.Start(b, fakefhir.Options{Start: time.Now().Add(-time.Hour)})
	coded := func(system, code string) string {
		return fmt.Sprintf(`"code":{"coding":[{"system":%q,"code":%q}]}`, system, code)
	}
	const cpt = "http://www.ama-assn.org/go/cpt"
	for i := range 2000 {
		of := fmt.Sprintf(`"subject":{"reference":"Patient/p%d"}`, i)
		put := func(typ string, n int, fields string) { s.Put(typ, fmt.Sprintf("%c%d-%d", typ[0]|0x20, i, n), fields) }
		s.Put("Patient", fmt.Sprintf("p%d", i), fmt.Sprintf(`"identifier":[{"system":"urn:mrn","value":"QV-%d"}],"name":[{"family":"Quay-%d","given":["Testa"]}],"birthDate":"19%d-02-03"`, i, i, 30+i%30))
		put("Procedure", 0, fmt.Sprintf(`"status":"completed",%s,%s,"performedDateTime":"%d-%02d-%02d"`, of, coded(cpt, "34705"), 2012+i%13, 1+i%12, 1+i%28))
		for n := range 9 {
			on := fmt.Sprintf("%d-%02d-%02d", 2012+i%13+n, 1+(i+1)%12, 1+i%28)
			put("ImagingStudy", n, fmt.Sprintf(`"status":"available",%s,"started":%q,"modality":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}],"procedureCode":[{"coding":[{"system":%q,"code":"74174"}]}],"description":"CT angiography of the abdominal aorta","series":[{"uid":"2.999.%d.%d","modality":{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"CT"}}]`, of, on, cpt, i, n))
			put("DiagnosticReport", n, fmt.Sprintf(`"status":"final",%s,%s,"effectiveDateTime":%q,"issued":"%sT10:00:00Z","imagingStudy":[{"reference":"ImagingStudy/i%d-%d"}]`, of, coded(cpt, "74174"), on, on, i, n))
			put("Observation", n, fmt.Sprintf(`"status":"final",%s,%s,"effectiveDateTime":%q,"valueQuantity":{"value":%d,"unit":"mm","system":"http://unitsofmeasure.org","code":"mm"}`, of, coded("http://loinc.org", "18011-7"), on, 40+(i+n)%30))
		}
		for n := range 9 {
			put("Encounter", n, fmt.Sprintf(`"status":"finished","class":{"code":"AMB"},%s,"period":{"start":"%d-05-06T10:00:00Z"}`, of, 2016+n))
		}
	}
	s.Advance(time.Hour)
	return s
}

// firstPoll runs the daemon until it has read everything.
func firstPoll(b *testing.B, base string) (peak, own float64, took time.Duration) {
	dir := b.TempDir()
	text := "site:\n  name: Quayside Vascular Unit\n  zone: Europe/Lisbon\nweb:\n  listen: 127.0.0.1:0\nsources:\n  rest:\n    url: " + base + "\n"
	if err := os.WriteFile(filepath.Join(dir, "site.yaml"), []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	run := func(args ...string) *exec.Cmd {
		c := exec.CommandContext(b.Context(), "perennial", append(args, "--settings", "site.yaml")...)
		c.Dir = dir
		return c
	}
	if out, err := run("init").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	c := run("serve")
	journal, err := os.Create(filepath.Join(dir, "journal"))
	if err != nil {
		b.Fatal(err)
	}
	defer journal.Close()
	c.Stderr = journal
	begun := time.Now()
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	defer func() {
		_ = c.Process.Signal(os.Interrupt)
		_ = c.Wait()
	}()
	for {
		time.Sleep(20 * time.Millisecond)
		own = max(own, memory(b, c.Process.Pid, "RssAnon"))
		log, err := os.ReadFile(journal.Name())
		if err != nil || strings.Contains(string(log), "level=ERROR") || time.Since(begun) > 10*time.Minute {
			b.Fatalf("%v\n%s", err, log)
		}
		if strings.Contains(string(log), "read the source server") {
			if !strings.Contains(string(log), "new=76000") {
				b.Fatalf("not everything came:\n%s", log)
			}
			return memory(b, c.Process.Pid, "VmHWM"), own, time.Since(begun)
		}
	}
}

// memory is a line of the kernel's status of a process, in MB.
func memory(b *testing.B, pid int, name string) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), name+":")
	n, err := strconv.Atoi(strings.Fields(rest + " 0")[0])
	if err != nil {
		b.Fatal(err)
	}
	return float64(n) / 1000
}
