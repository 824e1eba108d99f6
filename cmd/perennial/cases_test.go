package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/testkit/cases"
)

// eachCase runs a test on every patient under testdata/patients.
func eachCase(t *testing.T, test func(*testing.T, *cases.Case)) {
	dirs, err := cases.Folders(filepath.Join("..", "..", "testdata", "patients"))
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range dirs {
		t.Run(filepath.Base(dir), func(t *testing.T) {
			t.Parallel()
			c, err := cases.Load(dir)
			if err != nil {
				t.Fatal(err)
			}
			test(t, c)
		})
	}
}

// What the command prints contains what each folder expects, and the order in
// which the resources stand in the Bundle changes no byte of it.
func TestCases(t *testing.T) {
	t.Parallel()
	eachCase(t, func(t *testing.T, c *cases.Case) {
		var printed []byte
		diffs := c.Check(func(bundle []byte, o cases.Options) ([]byte, error) {
			var err error
			printed, err = assessCase(t.TempDir(), bundle, o)
			return printed, err
		})
		if len(diffs) > 0 {
			t.Errorf("%s\n\n%s", strings.Join(diffs, "\n"), c.Story)
		}
		again, err := assessCase(t.TempDir(), backwards(t, c.Bundle), c.Options)
		if err != nil || !bytes.Equal(printed, again) {
			t.Errorf("the order matters: %v\nas it is:  %s\nbackwards: %s", err, printed, again)
		}
	})
}

// backwards turns the entries of a Bundle round.
func backwards(t *testing.T, body []byte) []byte {
	t.Helper()
	var bundle map[string]json.RawMessage
	var entries []json.RawMessage
	if err := json.Unmarshal(body, &bundle); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(bundle["entry"], &entries); err != nil || len(entries) < 2 {
		t.Fatal(len(entries), "entries:", err)
	}
	slices.Reverse(entries)
	var err error
	if bundle["entry"], err = json.Marshal(entries); err != nil {
		t.Fatal(err)
	}
	out, err := json.Marshal(bundle)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// assessCase runs "perennial assess" on a Bundle from standard input. Anything
// but a run without a complaint is an error.
func assessCase(dir string, bundle []byte, o cases.Options) ([]byte, error) {
	args := []string{"assess", "--format", "json", "--as-of", o.AsOf, "--zone", o.Zone}
	for _, id := range o.Protocol {
		args = append(args, "--protocol", id)
	}
	for flag, body := range map[string][]byte{"rulings": o.Rulings, "settings": o.Settings} {
		if body == nil {
			continue
		}
		file := filepath.Join(dir, flag)
		if err := os.WriteFile(file, body, 0o600); err != nil {
			return nil, err
		}
		args = append(args, "--"+flag, file)
	}
	var out, complaints bytes.Buffer
	e := &env{stdin: bytes.NewReader(bundle), stdout: &out, stderr: &complaints, now: func() time.Time { return time.Time{} }, terminal: func(any) bool { return false }}
	if code := run(context.Background(), e, append(args, "-")); code != exitOK || complaints.Len() > 0 {
		return nil, fmt.Errorf("exit status %d: %s", code, complaints.String())
	}
	return out.Bytes(), nil
}
