// Package demo invents the patients of a vascular clinic, as FHIR R4, for
// trying the program and for showing it.
//
// # The scenario
//
// Saltmere Haven is a harbour town that does not exist. Its hospital has a
// "Quayside Vascular Unit" with about 400 patients who were operated on in the
// last eight years: most have an abdominal stent graft, some a thoracic one, a
// few a fenestrated or branched one, an open repair or a carotid stent. Names,
// record numbers, telephone numbers, devices and makers are invented, and are
// meant to look so. Nobody in it is, or was, a person.
//
// # How it is made
//
// Each person gets a life first (life.go, course.go): an operation, scans, gaps,
// re-interventions, death. What can go wrong with records comes next (odd.go):
// partial dates, local codes, outside scans, merged records. Only then is it all
// written as resources (say*.go). Dates are counted back from the as-of date;
// nothing lies after it but bookings, orders and the expiry dates on labels.
// There is no clock and no other source of chance than a generator with a fixed
// seed: the same as-of date gives the same bytes.
//
// Times of day are around noon UTC, so that the date is the same in every zone
// from UTC-10 to UTC+10.
//
// # Where the proportions come from
//
// They are guide values of published series, chosen to make a list that looks
// like a real one; the cohort proves nothing about any of them. Baseline imaging:
// Garg, J Vasc Surg 2015. Imaging complete at one to five years (78, 63, 55, 45,
// 32 %): AbuRahma, single centre. Of those who break off, some come back after a
// gap, as Schanzer, J Vasc Surg 2015, and Garg saw. Mortality and re-intervention
// by five years, conversion: a European registry of 2019. Endoleak at 30 days:
// one centre, 435 patients. The shares of what is odd in the records are ours.
package demo

import (
	"bytes"
	"encoding/json"
	"errors"
	"iter"
	"os"
	"path/filepath"

	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// Names of the scenario.
const (
	Town = "Saltmere Haven"
	Unit = "Quayside Vascular Unit"
)

// Systems of the invented hospital's identifiers and codes.
const (
	RecordSystem    = "urn:saltmere:record"    // record numbers, SH-004217
	AccessionSystem = "urn:saltmere:accession" // of the radiology department
	ImagingSystem   = "urn:saltmere:imaging"   // its own examination codes: no shipped code map knows them
	StudySystem     = "urn:saltmere:study"     // studies of devices
)

// The study of an invented device that some of the patients take part in, as
// ResearchSubject.study names it.
const (
	StudyKey    = StudySystem + "|" + studyNumber
	StudyName   = "Harbour graft, follow-up study"
	studyNumber = "HARBOUR-1"
)

// Counts is how many resources of each type were written.
type Counts map[string]int

// Total is how many resources were written.
func (c Counts) Total() int {
	n := 0
	for _, v := range c {
		n += v
	}
	return n
}

// Cohort gives the whole cohort line by line: the name of the file that the line
// belongs to ("Patient.ndjson") and one resource, without a line break. The
// resources of one person follow one another. The line may be kept.
func Cohort(asOf day.Day) iter.Seq2[string, []byte] {
	return func(yield func(string, []byte) bool) {
		for _, p := range population(asOf) {
			for _, r := range say(p) {
				if !yield(r.Head().ResourceType+".ndjson", encode(r)) {
					return
				}
			}
		}
	}
}

// Write writes the cohort into a folder, one NDJSON file for each type of
// resource. The folder is made if it is not there; files of the same names are
// replaced. The error is of kind Invalid where the as-of date leaves no room for
// eight years before it, else what the file system says.
func Write(dir string, asOf day.Day) (Counts, error) {
	const op = "write the demonstration cohort"
	if y, _, _ := asOf.Civil(); y < 1920 || y > 9990 {
		return nil, fault.New(fault.Invalid, op, "Give an as-of date from 1920 on.", errors.New("the as-of date leaves no room for the years before it"))
	}
	counts := Counts{}
	files := map[string]*bytes.Buffer{}
	for name, line := range Cohort(asOf) {
		if files[name] == nil {
			files[name] = new(bytes.Buffer)
		}
		files[name].Write(line)
		files[name].WriteByte('\n')
		counts[name[:len(name)-len(".ndjson")]]++
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fault.New(fault.KindOf(err), op, "Choose a folder that can be written to.", err)
	}
	for name, content := range files {
		if err := os.WriteFile(filepath.Join(dir, name), content.Bytes(), 0o644); err != nil {
			return nil, fault.New(fault.KindOf(err), op, "Choose a folder that can be written to, with 20 MB of room.", err)
		}
	}
	return counts, nil
}

// encode writes one resource as JSON on one line.
func encode(r fhir.Resource) []byte {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(r); err != nil {
		panic("a record of package fhir cannot be written: " + err.Error()) // a defect: the records hold only text and numbers
	}
	return bytes.TrimRight(b.Bytes(), "\n")
}
