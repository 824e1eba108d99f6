package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/settings"
)

// settingsKeysCommand prints the public keys of the logins.
func settingsKeysCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "jwks FILE",
		Short: "Print the public keys of the SMART logins as a JSON Web Key Set",
		Long: "Reads the private keys that a settings file names for logins by SMART Backend Services, and prints their public halves as a\n" +
			"JSON Web Key Set: for the administrators of the FHIR servers, or for the address that key-set-url names. It holds no secret.\n" +
			"perennial serve answers with the same at /.well-known/jwks.json.\n\n" +
			"Exit status:\n  0  printed\n  1  a file could not be read\n  2  there are mistakes in the settings or a key, or no such login",
		Example:           "  perennial settings jwks site.yaml > jwks.json",
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: firstArg(completeYAML),
		RunE: func(_ *cobra.Command, args []string) error {
			s, err := readSettings(args[0])
			if err != nil {
				return err
			}
			logins := smartLogins(&s)
			if len(logins) == 0 {
				return usageError("no server in "+args[0]+" is logged in at by SMART Backend Services", "Write smart with client-id and key-file under sources.rest, sources.bulk or out.rest.")
			}
			set, err := fhirauth.PublicKeys(logins...)
			if fault.KindOf(err) == fault.Invalid {
				return &exitCode{exitUsage, err}
			}
			if err == nil {
				_, err = fmt.Fprintf(e.stdout, "%s\n", set)
			}
			return err
		},
	}
}

// smartLogins are the logins by SMART Backend Services that the settings name.
func smartLogins(s *settings.Settings) (logins []settings.Smart) {
	for _, r := range []settings.Rest{s.Sources.Rest, s.Sources.Bulk.Rest, s.Out.Rest} {
		if r.Login() == "smart" {
			logins = append(logins, r.Smart)
		}
	}
	return logins
}
