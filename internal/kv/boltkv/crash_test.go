package boltkv_test

import (
	"bufio"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
)

// TestKilled kills a process that writes, again and again, and looks each time that
// what it acknowledged is there and that no commit is there in part.
func TestKilled(t *testing.T) {
	t.Parallel()
	path := create(t)
	last := uint64(0)
	for round := range 20 {
		acked := writeAndKill(t, path, time.Duration(3+round*2)*time.Millisecond)
		last = max(last, acked)
		if _, err := boltkv.Verify(t.Context(), self(t), path); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		last = checkRows(t, path, last)
	}
	t.Logf("%d commits over 20 kills", last)
	if last < 20 {
		t.Errorf("only %d commits; the test shows nothing", last)
	}
}

// writeAndKill lets the child write for a while after its first commit, kills it and
// returns the last number it acknowledged.
func writeAndKill(t *testing.T, path string, after time.Duration) (acked uint64) {
	t.Helper()
	cmd := child(t, "write", path)
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		text, ok := strings.CutPrefix(lines.Text(), "ack ")
		n, err := strconv.ParseUint(text, 10, 64)
		if !ok || err != nil {
			if strings.HasPrefix(lines.Text(), "failed") {
				t.Fatal(lines.Text())
			}
			break // the kill cut the line
		}
		if acked == 0 {
			time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		}
		acked = n
	}
	_ = cmd.Wait()
	return acked
}

// checkRows opens the store and compares the counters and rows in it.
func checkRows(t *testing.T, path string, acked uint64) uint64 {
	t.Helper()
	db, err := small().Open(path)
	must(t, err)
	defer db.Close()
	all, err := content(t.Context(), db)
	must(t, err)
	n, _ := strconv.ParseUint(all[string(kv.Key("a"))], 10, 64)
	if n < acked {
		t.Errorf("%d was acknowledged, %d is stored", acked, n)
	}
	if z := all[string(kv.Key("z"))]; z != fmt.Sprint(n) || uint64(len(all)) != n+2 {
		t.Errorf("a commit is there in part: a %d, z %s, %d pairs", n, z, len(all))
	}
	return n
}
