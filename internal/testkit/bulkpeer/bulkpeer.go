// Package bulkpeer runs a server of FHIR Bulk Data exports that others wrote (cmd/test_server of
// github.com/google/bulk_fhir_tools, Apache-2.0) beside a test. It is built from its own module, which is no part of
// ours; a test on a machine that cannot get it is skipped and says so.
package bulkpeer

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// Module is what is built. .ci/test gets it beforehand.
const Module = "github.com/google/bulk_fhir_tools@v0.1.7"

// Token is the one bearer token that the server takes.
const Token = "thisisthetoken"

// Start starts a server, which ends with the test, and gives its base address. It exports the groups below dir: each is
// a folder of folders named by moment ("20260601T120000Z"), with files like Patient_0.ndjson, and each export takes so
// long.
func Start(t testing.TB, dir string, takes time.Duration) string {
	t.Helper()
	port := freePort(t)
	cmd := exec.Command(build(t), "-port", fmt.Sprint(port), "-data_dir", dir, "-job_delay", takes.String(), "-retry_after", "1")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	base := fmt.Sprintf("http://127.0.0.1:%d", port)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		r, err := http.Get(base + "/hello")
		if err == nil {
			r.Body.Close()
			return base
		}
		if time.Now().After(end) {
			t.Fatalf("the peer does not start: %v", err)
		}
	}
}

// build builds the server in its own module.
func build(t testing.TB) string {
	t.Helper()
	text, err := exec.Command("go", "mod", "download", "-json", Module).Output()
	var m struct{ Dir string }
	if err != nil || json.Unmarshal(text, &m) != nil || m.Dir == "" {
		t.Skipf("%s cannot be had here: %v", Module, err)
	}
	program := filepath.Join(t.TempDir(), "bulkpeer")
	c := exec.Command("go", "build", "-o", program, "./cmd/test_server")
	c.Dir, c.Env = m.Dir, append(os.Environ(), "GOFLAGS=", "GOWORK=off", "GOTOOLCHAIN=local")
	if out, err := c.CombinedOutput(); err != nil {
		t.Skipf("%s cannot be built here: %v\n%.500s", Module, err, out)
	}
	return program
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}
