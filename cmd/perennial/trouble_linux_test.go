package main

import (
	"bufio"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// nobody is a child that has no rights of root, in a folder that it may read and
// write. Where this process cannot give up rights, the test is skipped.
func nobody(t *testing.T) *child {
	t.Helper()
	if os.Geteuid() != 0 {
		return newChild(t) // it has none to give up
	}
	dir, err := os.MkdirTemp("/tmp", "perennial-nobody-")
	if err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	self, err := exec.LookPath("perennial")
	if err != nil {
		t.Fatal(err)
	}
	body, err := os.ReadFile(self)
	if err != nil {
		t.Fatal(err)
	}
	program, work := filepath.Join(dir, "perennial"), filepath.Join(dir, "work")
	for _, err := range []error{os.Chmod(dir, 0o755), os.WriteFile(program, body, 0o755), os.Chmod(program, 0o755), os.Mkdir(work, 0o777), os.Chmod(work, 0o777)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	c := &child{t: t, dir: work, executable: program}
	c.prepare = func(cmd *exec.Cmd) {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	if c.run("version"); c.status != 0 {
		t.Skipf("the test cannot run a program without the rights of root: %s", c.errs)
	}
	return c
}

const hintRights = "Give the user who runs perennial the right to read it (files: read; folders: read and search)."

// A folder and a file without rights: assess assesses nothing, import takes the
// rest in, and both say which and what to do.
func TestWithoutRights(t *testing.T) {
	t.Parallel()
	c := nobody(t)
	c.file("good.ndjson", goodProcedure)
	c.file("secret.ndjson", goodProcedure)
	for name, mode := range map[string]fs.FileMode{"closed": 0, "secret.ndjson": 0, "out": 0o500} {
		path := filepath.Join(c.dir, name)
		if !strings.Contains(name, ".") {
			_ = os.Mkdir(path, 0o700)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = os.Chmod(path, 0o700) })
	}
	c.run("assess", "good.ndjson", "closed", "secret.ndjson")
	c.want(1, "perennial: reading closed: permission denied\n"+hintRights+" Nothing was assessed, because facts may be missing.\n")
	c.run("assess", "secret.ndjson")
	c.want(1, "perennial: reading secret.ndjson: permission denied\n"+hintRights+" Nothing was assessed, because facts may be missing.\n")

	c.good("init")
	c.run("import", "closed", "secret.ndjson", "good.ndjson")
	c.want(1, "perennial: reading closed: permission denied\n"+hintRights+"\nperennial: reading secret.ndjson: permission denied\n"+hintRights+
		"\nperennial: 2 files or folders could not be read; the rest was taken in\nPut right what is named above, then run the same command again.\n")
	if c.out != "good.ndjson: 1 resources, 1 of them new, 0 not relevant, 0 quarantined\n" {
		t.Error(c.out)
	}

	c.file("site.yaml", "site: {name: Quay, zone: UTC}\nout: {folder: out/tasks}\n")
	c.file("store.yaml", "site: {name: Quay, zone: UTC}\nstore: {path: out/x.db}\n")
	c.run("init", "--settings", "store.yaml")
	c.want(1, "perennial: make a new store at out/x.db: read the .id file of the store: open out/x.db.id: permission denied\n"+
		"Give the user the program runs as the right to read and write the store and its folder.\n")
}

// The Tasks cannot be written: send says so with status 1, how many wait and why;
// nothing is lost, and the next send writes them.
func TestSendIntoAFile(t *testing.T) {
	t.Parallel()
	c := newChild(t)
	c.file("good.ndjson", goodProcedure)
	c.file("site.yaml", "site: {name: Quay, zone: UTC}\nout: {folder: tasks}\n")
	c.file("tasks", "not a folder")
	c.good("init", "--settings", "site.yaml")
	c.good("import", "--settings", "site.yaml", "good.ndjson")
	for range 2 { // also at once again
		c.run("send", "--settings", "site.yaml")
		c.want(1, "perennial: 2 Tasks were not written and wait: write Tasks to tasks: mkdir tasks: not a directory\n"+
			"Check that the folder is there, that this program may write to it, and that there is room; then run perennial send again.\n")
		if c.out != "0 Tasks written to tasks\n" {
			t.Error(c.out)
		}
	}
	if err := os.Remove(filepath.Join(c.dir, "tasks")); err != nil {
		t.Fatal(err)
	}
	c.good("send", "--settings", "site.yaml", "--gather", "all.ndjson", "--format", "json")
	if c.out != `{"mode":"files","folder":"tasks","written":2,"waiting":0,"failed":0,"file":"all.ndjson","gathered":2}`+"\n" {
		t.Error(c.out)
	}
}

// small is a child in a folder on a disk of its own of so many kB, with a stopper
// that fills most of it.
func small(t *testing.T, kb int) (c *child, fill, empty func()) {
	t.Helper()
	c = newChild(t)
	if err := syscall.Mount("tmpfs", c.dir, "tmpfs", 0, fmt.Sprintf("size=%dk", kb)); err != nil {
		t.Skipf("a small disk cannot be mounted here (needs root): %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(c.dir, syscall.MNT_DETACH) })
	stopper := filepath.Join(c.dir, "stopper")
	fill = func() {
		t.Helper()
		f, err := os.Create(stopper)
		if err != nil {
			t.Fatal(err)
		}
		for err == nil {
			_, err = f.Write(make([]byte, 4096))
		}
		_ = f.Close()
	}
	return c, fill, func() { _ = os.Remove(stopper) }
}

// The disk of the store gets full in the middle of an import: it stops with what
// was taken in, and the same import goes on when there is room.
func TestFullDiskOfTheStore(t *testing.T) {
	t.Parallel()
	c, fill, empty := small(t, 24<<10)
	inputs := t.TempDir()
	input, later := filepath.Join(inputs, "many.ndjson"), filepath.Join(inputs, "later.ndjson")
	for name, text := range map[string]string{input: manyProcedures(300), later: goodProcedure} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c.good("init")
	c.good("status") // the first start keeps the protocols in force
	fill()
	c.run("import", input, later)
	c.want(1, "perennial: importing "+input+" was stopped: commit to the store: write perennial.db: no space left on device\n"+
		"Make room on the disk, then run the same import again: what was taken in before is stored, and nothing is taken twice.\n")
	if c.out != "" {
		t.Error(c.out)
	}
	empty()
	c.good("status", "--check")
	c.good("import", input, later)
	c.good("status", "--check")
	if !strings.Contains(c.out, "patients with implant        301") {
		t.Error(c.out)
	}
}

// The disk of the Tasks gets full: they wait.
func TestFullDiskOfTheTasks(t *testing.T) {
	t.Parallel()
	tasks, fill, empty := small(t, 64)
	c := newChild(t)
	c.file("good.ndjson", goodProcedure)
	c.file("site.yaml", "site: {name: Quay, zone: UTC}\nout: {folder: "+tasks.dir+"}\n")
	c.good("init", "--settings", "site.yaml")
	c.good("import", "--settings", "site.yaml", "good.ndjson")
	fill()
	c.run("send", "--settings", "site.yaml")
	if c.status != 1 || !strings.HasPrefix(c.errs, "perennial: 2 Tasks were not written and wait: write Tasks to "+tasks.dir) ||
		!strings.HasSuffix(c.errs, ": no space left on device\nCheck that the folder is there, that this program may write to it, and that there is room; then run perennial send again.\n") {
		t.Errorf("%d: %s", c.status, c.errs)
	}
	c.run("send", "--settings", "site.yaml", "--gather", filepath.Join(tasks.dir, "all.ndjson"))
	if c.status != 1 {
		t.Errorf("gathering: %d: %s", c.status, c.errs)
	}
	empty()
	c.good("send", "--settings", "site.yaml")
	if !strings.HasPrefix(c.out, "2 Tasks written to ") {
		t.Error(c.out)
	}
}

// The disk of an export gets full: what was there before stays.
func TestFullDiskOfTheExport(t *testing.T) {
	t.Parallel()
	disk, fill, empty := small(t, 256)
	c := newChild(t)
	c.file("good.ndjson", goodProcedure)
	c.good("init")
	c.good("import", "good.ndjson")
	plans, bundle := filepath.Join(disk.dir, "plans"), filepath.Join(disk.dir, "all.json")
	c.good("export", "fhir", "--patient", "p1", "--dir", plans)
	before, err := os.ReadFile(filepath.Join(plans, "CarePlan.ndjson"))
	if err != nil || len(before) == 0 {
		t.Fatal(err)
	}
	fill()
	for _, to := range [][]string{{"--dir", plans}, {"--out", bundle}} {
		c.run(append([]string{"export", "fhir"}, to...)...)
		if c.status != 1 || !strings.HasPrefix(c.errs, "perennial: writing "+to[1]) || !strings.HasSuffix(c.errs, ": no space left on device\nName a place that may be written to, and that has room. What was there before is still there.\n") {
			t.Errorf("%d: %s", c.status, c.errs)
		}
	}
	if after, err := os.ReadFile(filepath.Join(plans, "CarePlan.ndjson")); err != nil || string(before) != string(after) {
		t.Errorf("what was there is gone: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(disk.dir, "*")); len(left) > 2 {
		t.Errorf("left behind: %v", left)
	}
	if hidden, _ := filepath.Glob(filepath.Join(plans, ".*")); len(hidden) > 0 {
		t.Errorf("left behind: %v", hidden)
	}
	empty()
	c.good("export", "fhir", "--out", bundle)
}

// Standard output goes to a full disk: no command says that it succeeded.
func TestFullOutput(t *testing.T) {
	t.Parallel()
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer full.Close()
	c := newChild(t)
	c.file("good.ndjson", goodProcedure)
	c.good("init")
	c.prepare = func(cmd *exec.Cmd) { cmd.Stdout = full }
	for _, line := range []string{"assess good.ndjson", "assess --format table good.ndjson", "import good.ndjson", "due --standing overdue,upcoming", "due --format csv", "patient p1", "status",
		"go-live", "send", "codes unmapped good.ndjson", "settings print", "version", "rule pause --patient p1 --until 2199-01-01 --who Quay --why abroad", "backup copy.db", "export fhir --dir plans", "completion bash"} {
		c.run(strings.Fields(line)...)
		if c.status != 1 || !strings.HasPrefix(c.errs, "perennial: writing the output: write /dev/stdout: no space left on device\nThe output is not complete.") {
			t.Errorf("%s: exit status %d\n%s", line, c.status, c.errs)
		}
	}
}

// Two daemons on one store: the second does not start, and a command says who has
// it.
func TestTwoDaemons(t *testing.T) {
	t.Parallel()
	c := newChild(t)
	c.executable = "perennial-real"
	c.file("good.ndjson", goodProcedure)
	c.file("site.yaml", "site: {name: Quay, zone: UTC}\nweb: {listen: \"127.0.0.1:0\"}\n")
	c.good("init", "--settings", "site.yaml")
	first := c.command("serve", "--settings", "site.yaml")
	out, err := first.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); !strings.HasPrefix(line, "pages: http://127.0.0.1:") {
		t.Fatal(line, err)
	}
	const hint = "\nStop the other program first (the daemon, a command, a check), or wait until it has finished.\n"
	t.Run("each", func(t *testing.T) {
		for line, want := range map[string]string{
			"serve":               "perennial: check store perennial.db: open the file of the store: another process uses the file" + hint,
			"restore good.ndjson": fmt.Sprintf("perennial: restore good.ndjson to perennial.db: lock the store: it is in use by process %d", first.Process.Pid) + hint,
		} {
			t.Run(line, func(t *testing.T) {
				t.Parallel() // each waits five seconds for the other to go
				second := *c
				second.t = t
				second.run(append(strings.Fields(line), "--settings", "site.yaml")...)
				second.want(1, want)
			})
		}
	})
	if err := first.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := first.Wait(); err != nil {
		t.Error(err)
	}
	c.good("import", "--settings", "site.yaml", "good.ndjson")
}
