package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"perennial/internal/clinic"
	"perennial/internal/store"
)

// receivedCommand lists what was received by what became of it.
func receivedCommand(e *env) *cobra.Command {
	fates := []string{string(store.FateQuarantined), string(store.FateInError), string(store.FateNotRelevant), string(store.FateSuperseded), string(store.FateUsed)}
	c := &cobra.Command{
		Use:   "received [FATE]",
		Short: "List resources by what became of them, with the reason",
		Long: "Lists every resource received that has this fate, where it came from and why. FATE is one of the terms of the first sum of\n" +
			"perennial status: " + orList(fates) + "; without it " + fates[0] + ", which people must look at.\n\n" +
			"Formats: table, json (one object a line), csv.\n\nExit status:\n  0  listed\n  1  the store could not be read\n  2  usage or settings",
		Example:   "  perennial received\n  perennial received superseded --format csv > superseded.csv",
		Args:      cobra.MatchAll(cobra.MaximumNArgs(1), cobra.OnlyValidArgs),
		ValidArgs: fates,
	}
	site := siteFlag(c)
	format := formatFlag(c, "table", "json", "csv")
	c.RunE = func(c *cobra.Command, args []string) error {
		fate := store.FateQuarantined
		if len(args) > 0 {
			fate = store.Fate(args[0])
		}
		return withClinic(c.Context(), e, *site, func(cl *clinic.Clinic) error {
			w := newReceived(e.stdout, *format)
			if err := listReceived(c.Context(), cl, fate, w); err != nil {
				return err
			}
			return w.end()
		})
	}
	return c
}

func listReceived(ctx context.Context, cl *clinic.Clinic, fate store.Fate, w *received) error {
	return cl.ListFate(ctx, fate, func(r store.Record) error {
		file := printable(r.File)
		if r.Line > 0 {
			file += ":" + strconv.Itoa(r.Line)
		}
		at := time.UnixMilli(r.At).In(cl.Zone()).Format("2006-01-02 15:04")
		return w.row([]string{printable(r.Ref), printable(r.Version), r.Source, file, at, printable(r.Why)})
	})
}

// received writes rows as they come.
type received struct {
	row func(cells []string) error
	end func() error
}

func newReceived(out io.Writer, format string) *received {
	head := []string{"resource", "version", "source", "file", "received", "why"}
	switch format {
	case "json":
		enc := json.NewEncoder(out)
		return &received{func(cells []string) error {
			object := map[string]string{}
			for i, name := range head {
				if cells[i] != "" {
					object[name] = cells[i]
				}
			}
			return enc.Encode(object)
		}, func() error { return nil }}
	case "csv":
		w := csv.NewWriter(out)
		_ = w.Write(head)
		return &received{func(cells []string) error { return w.Write(guarded(cells)) }, func() error { w.Flush(); return w.Error() }}
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(cells []string) error {
		_, err := io.WriteString(w, strings.Join(cells, "\t")+"\n")
		return err
	}
	_ = line(strings.Split(strings.ToUpper(strings.Join(head, "\t")), "\t"))
	return &received{line, w.Flush}
}
