package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// build is what is known of the binary.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Time     string `json:"time,omitempty"`
	Changed  bool   `json:"changed,omitempty"`
	Go       string `json:"go"`
	System   string `json:"system"`
}

// versionCommand prints which build this is.
func versionCommand(e *env) *cobra.Command {
	var format string
	c := &cobra.Command{
		Use:     "version",
		Short:   "Print the version",
		Long:    "Prints the version of this binary and what it was built from.\n\nExit status: 0; 2 for a mistake in the flags.",
		Example: "  perennial version\n  perennial version --format json",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			b := buildOf()
			switch format {
			case "json":
				return json.NewEncoder(e.stdout).Encode(b)
			case "table", "":
				_, err := fmt.Fprintf(e.stdout, "perennial %s %s\n%s, %s\n", b.Version, b.Revision, b.Go, b.System)
				return err
			}
			return usageError("the format "+format+" is not known", "Choose --format table or json.")
		},
	}
	c.Flags().StringVar(&format, "format", "table", "table or json")
	return c
}

func buildOf() build {
	b := build{Version: "unversioned", Go: runtime.Version(), System: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		b.Version = v
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.time":
			b.Time = s.Value
		case "vcs.modified":
			b.Changed = s.Value == "true"
		}
	}
	return b
}
