package main

import (
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
	c := &cobra.Command{
		Use:     "version",
		Short:   "Print the version",
		Long:    "Prints the version of this binary and what it was built from.\n\nExit status:\n  0  printed\n  2  usage",
		Example: "  perennial version\n  perennial version --format json",
		Args:    cobra.NoArgs,
	}
	format := formatFlag(c, "table", "json")
	c.RunE = func(*cobra.Command, []string) error {
		b := buildOf()
		return confirm(e, *format, b, "perennial %s %s\n%s, %s", b.Version, b.Revision, b.Go, b.System)
	}
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
