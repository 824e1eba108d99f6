package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
	"perennial/internal/export"
	"perennial/internal/fault"
	"perennial/internal/kv/boltkv"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// exportCommand groups what is written for other programs.
func exportCommand(e *env) *cobra.Command {
	return group("export", "Write protocols and plans for other programs", exportFHIRCommand(e))
}

// exportFHIRCommand writes protocols and plans as FHIR.
func exportFHIRCommand(e *env) *cobra.Command {
	var o exportOptions
	c := &cobra.Command{
		Use:   "fhir",
		Short: "Write protocols and plans as FHIR R4 files",
		Long: "Writes the plans of all patients, as of today, as FHIR R4: for each implant a CarePlan with a ServiceRequest for each visit that\n" +
			"is owed or comes next, a Flag for who is presumed lost or lost to follow-up, a Provenance with the reasons of each; and the\n" +
			"protocols behind them as PlanDefinitions with ActivityDefinitions. All that asks for something is a draft and a proposal, never\n" +
			"an order. Only files are written; nothing is sent.\n\n" +
			"--dir writes one NDJSON file for each type of resource, --out one Bundle. Files of the same names are replaced, each as a whole.\n" +
			"--protocols writes only protocols, all that the site knows, and needs no store.\n\n" +
			"On stderr: one line for each patient whose plan does not fit into FHIR; the rest is written.\n\n" +
			"Exit status:\n  0  written\n  1  nobody knows the patient, or the files could not be written; those that were there before stay\n" +
			"  2  usage or settings\n  3  somebody's plan does not fit; the rest was written",
		Example: "  perennial export fhir --dir plans/\n  perennial export fhir --patient p1 --out p1.json\n  perennial export fhir --protocols --dir protocols/",
		Args:    cobra.NoArgs,
	}
	o.site = siteFlag(c)
	c.Flags().StringVar(&o.patient, "patient", "", "only this patient")
	c.Flags().BoolVar(&o.protocols, "protocols", false, "only the protocols, all that the site knows")
	c.Flags().StringVar(&o.dir, "dir", "", "folder for one NDJSON file a type; made where it is not there")
	c.Flags().StringVar(&o.out, "out", "", "file for one Bundle of the type collection")
	pathFlag(c, "dir")
	pathFlag(c, "out")
	_ = c.MarkFlagDirname("dir")
	_ = c.RegisterFlagCompletionFunc("patient", completePatients(e, o.site))
	format := formatFlag(c, "table", "json")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := o.check(c.CommandPath()); err != nil {
			return err
		}
		done, err := o.run(c.Context(), e)
		if err != nil {
			return err
		}
		return done.tell(e, *format)
	}
	return c
}

// exportOptions are what was asked for.
type exportOptions struct {
	site      *string
	patient   string
	protocols bool
	dir, out  string
}

// check refuses what does not go together.
func (o *exportOptions) check(path string) error {
	hint := "See " + path + " --help."
	switch {
	case (o.dir == "") == (o.out == ""):
		return usageError("give --dir or --out, one of the two", hint)
	case o.patient != "" && o.protocols:
		return usageError("--patient and --protocols do not go together", hint)
	}
	return nil
}

// run writes all that was asked for.
func (o *exportOptions) run(ctx context.Context, e *env) (done *exported, err error) {
	if o.protocols {
		_, w, err := workOf(e, *o.site)
		if err != nil {
			return nil, err
		}
		x := exporter{to: o.files(), done: o.begun()}
		return x.finish(x.definitions(clinic.Protocols(w.Rules)))
	}
	err = opening{site: *o.site}.withStore(ctx, e, func(cl *clinic.Clinic, db *boltkv.DB) error {
		during, show, clear := showProgress(e, "exporting", "patients")
		defer clear()
		x := exporter{e: during, to: o.files(), done: o.begun(), used: map[string]bool{},
			o: export.Options{Site: db.ID(), At: e.now(), Protocols: cl.Known(), Bundled: o.out != ""}}
		done, err = x.finish(x.plans(ctx, cl, o.patient, show))
		return err
	})
	return done, err
}

// files are where it goes.
func (o *exportOptions) files() exportTarget {
	switch {
	case o.out != "":
		return &bundleFile{path: o.out}
	case o.protocols:
		return &typeFiles{dir: o.dir, types: definitionTypes()}
	}
	return &typeFiles{dir: o.dir, types: append(planTypes(), definitionTypes()...)}
}

func planTypes() []string       { return []string{"CarePlan", "ServiceRequest", "Flag", "Provenance"} }
func definitionTypes() []string { return []string{"PlanDefinition", "ActivityDefinition"} }

func (o *exportOptions) begun() *exported {
	return &exported{Folder: o.dir, File: o.out, Resources: map[string]int{}}
}

// exportTarget is where resources are written. What was there before stays until
// keep; drop after keep does nothing.
type exportTarget interface {
	begin() error
	add(r *export.Resource) error
	keep() error
	drop()
}

// exporter writes resources and counts them.
type exporter struct {
	e    *env
	o    export.Options
	to   exportTarget
	used map[string]bool // protocols of the plans
	done *exported
}

// finish keeps what work wrote, if it went well.
func (x *exporter) finish(work func() error) (*exported, error) {
	defer x.to.drop()
	if err := x.to.begin(); err != nil {
		return nil, err
	}
	if err := work(); err != nil {
		return nil, err
	}
	return x.done, x.to.keep()
}

// definitions writes protocols.
func (x *exporter) definitions(list []*protocol.Protocol) func() error {
	return func() error {
		for _, p := range list {
			resources, err := export.Protocol(p)
			if err != nil {
				return fault.Wrap("exporting the protocol "+p.Ref(), err)
			}
			if p.Status != "reviewed" {
				x.done.Drafts++
			}
			if err := x.add(resources); err != nil {
				return err
			}
		}
		return nil
	}
}

// plans writes the plans of one patient or of all, and then the protocols behind
// them.
func (x *exporter) plans(ctx context.Context, cl *clinic.Clinic, patient string, show func(n, all int64)) func() error {
	return func() error {
		err := error(nil)
		if patient != "" {
			var v clinic.View
			if v, err = cl.Patient(ctx, patient); err == nil {
				err = x.plan(&v.Plan)
			}
		} else {
			err = cl.Plans(ctx, func(p *surveil.Plan, n, all int) error {
				show(int64(n), int64(all))
				return x.plan(p)
			})
		}
		if err != nil {
			return err
		}
		var behind []*protocol.Protocol
		for _, p := range x.o.Protocols {
			if x.used[p.Ref()] {
				behind = append(behind, p)
			}
		}
		return x.definitions(behind)()
	}
}

// plan writes one patient's plan; one that does not fit is told and left out.
func (x *exporter) plan(p *surveil.Plan) error {
	resources, err := export.Plan(&x.o, p)
	if err != nil {
		x.done.Refused++
		_, err = fmt.Fprintf(x.e.stderr, "Patient/%s: %v\n", p.Patient, err)
		return err
	}
	if len(resources) > 0 {
		x.done.Patients++
	}
	for i := range p.Implants {
		x.used[p.Implants[i].Protocol] = true
		for j := range p.Implants[i].Visits {
			x.used[p.Implants[i].Visits[j].Protocol] = true
		}
	}
	return x.add(resources)
}

func (x *exporter) add(list []export.Resource) error {
	for i := range list {
		x.done.Resources[list[i].Type]++
		if err := x.to.add(&list[i]); err != nil {
			return err
		}
	}
	return nil
}

// exported is what was written.
type exported struct {
	Folder    string         `json:"folder,omitempty"`
	File      string         `json:"file,omitempty"`
	Patients  int            `json:"patients"`
	Resources map[string]int `json:"resources"`
	Drafts    int            `json:"draftProtocols"` // protocols that no clinician has signed off
	Refused   int            `json:"refused"`
}

// tell tells it.
func (x *exported) tell(e *env, format string) error {
	var parts []string
	for _, typ := range append(planTypes(), definitionTypes()...) {
		if n := x.Resources[typ]; n > 0 {
			parts = append(parts, counted(n, typ, typ+"s"))
		}
	}
	if len(parts) == 0 {
		parts = []string{"nothing: no implant is on record"}
	}
	text := x.Folder + x.File + ": " + strings.Join(parts, ", ")
	if x.Resources["CarePlan"] > 0 {
		text += "\nof " + counted(x.Patients, "patient", "patients") + ". All of it is proposed, nothing ordered; nothing was sent."
	}
	if x.Drafts > 0 {
		text += "\n" + counted(x.Drafts, "protocol is a draft", "protocols are drafts") + " that no clinician has signed off."
	}
	err := confirm(e, format, x, "%s", text)
	if err == nil && x.Refused > 0 {
		err = &exitCode{exitRefused, fault.New(fault.Invalid, "", "Their work and pages are as before. Please report what is named above.",
			fmt.Errorf("the plans of %s do not fit into FHIR; the rest was written", counted(x.Refused, "patient", "patients")))}
	}
	return err
}
