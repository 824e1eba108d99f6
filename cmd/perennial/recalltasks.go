package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/fault"
)

// writeRecallTasks writes the list as Tasks, as a whole or not at all. A row
// without a patient makes none, which is told.
func writeRecallTasks(e *env, cl *clinic.Clinic, w *clinic.Wanted, list *clinic.Recall, path string) error {
	var out bytes.Buffer
	written := 0
	for i := range list.Rows {
		r := &list.Rows[i]
		if r.Patient == "" {
			continue
		}
		body, err := fhirtask.RenderRecall(cl.Site(), recalledOf(e, w, r))
		if err != nil {
			return err
		}
		out.Write(append(body, '\n'))
		written++
	}
	err := renameio.WriteFile(path, out.Bytes(), 0o600, renameio.WithTempDir(filepath.Dir(path)))
	if err != nil {
		return fault.New(fault.Unavailable, "write Tasks to "+path, "Check that the folder is there, that you may write to it, and that there is room.", err)
	}
	_, err = fmt.Fprintf(e.stderr, "%d Tasks written to %s; nothing was sent.\n", written, path)
	if left := len(list.Rows) - written; left > 0 {
		fmt.Fprintf(e.stderr, "%d rows name no patient: there is no Task for them.\n", left)
	}
	return err
}

func recalledOf(e *env, w *clinic.Wanted, r *clinic.RecallRow) *fhirtask.Recalled {
	text := "Device recall, " + w.String() + "."
	if r.Label.Name != "" {
		text += " Device: " + r.Label.Name + "."
	}
	if v := r.Next; v != nil && !r.Dead {
		text += " Next visit " + v.Step + " on " + v.Target.Text() + " (" + string(v.Standing) + ")."
	}
	if r.Line.LastImaging > 0 {
		text += " Last scan " + r.Line.LastImaging.Text() + "."
	}
	if remarks := recallRemarks(r); len(remarks) > 0 {
		text += " Note: " + strings.Join(remarks, "; ") + "."
	}
	if r.Dead {
		text += " Nobody is to be called: this is for the record."
	}
	return &fhirtask.Recalled{Key: "recall|" + w.String() + "|" + r.Patient + "|" + r.Label.Ref, Patient: r.Patient, Identifiers: r.Line.Identifiers,
		Device: r.Label.Ref, Implant: r.Implant, Asked: w.String(), Text: text, Died: r.Dead, At: e.now()}
}
