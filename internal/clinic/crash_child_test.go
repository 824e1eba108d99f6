package clinic_test

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"os"
	"testing"
	"time"

	"perennial/internal/audit"
	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/source"
	"perennial/internal/source/folder"
)

// The process that TestKilled kills: it does one round of the daemon's work in
// its working folder, and says at every seam into which phase it goes.

// phase is what the child is doing.
type phase byte

// Phases. Reading, looking and taking the next thing between them is rest.
const (
	phaseStart  phase = iota // opening the store
	phaseDecode              // reading files and resources
	phaseDecide              // in a transaction, before its commit
	phaseCommit              // of a batch, of a tick, of what is going to be sent
	phaseSend                // an item is with its carrier
	phaseGap                 // it was sent and is not marked
	phaseMark                // the commit of the mark
	phaseRest
	phases
)

func (p phase) String() string {
	return [...]string{"start", "decode", "decide", "commit", "send", "between send and mark", "mark", "rest"}[p]
}

// job is what a child is to do.
type job struct {
	Send   bool      // to the server; else to files
	Batch  bool      // … several at once
	Server string    // its address
	Start  time.Time // where the clock stands
}

const (
	crashWord   = "crash-child"
	crashSite   = "crash"
	crashStore  = "store.db"
	crashOut    = "out"
	crashLag    = time.Millisecond // the child waits so long between sending and marking: time to die in
	crashDrains = 60
	// A note is the phase, the number of the last entry of the audit trail whose
	// transaction had come back when it was written.
	noteSize = 9
)

// crashFolders are watched, in this order.
func crashFolders() []string { return []string{"clinic", "imaging"} }

// TestMain lets the test binary be the process that is killed.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == crashWord {
		if err := crashChild(os.Args[2]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// crashChild does a job.
func crashChild(text string) error {
	var j job
	if err := json.Unmarshal([]byte(text), &j); err != nil {
		return err
	}
	n := &notes{out: os.NewFile(3, "notes")}
	n.at(phaseStart)
	db, err := boltkv.Open(crashStore)
	if err != nil {
		return err
	}
	now := j.Start
	c, err := crashClinic(notedDB{db, n}, j, n, func() time.Time { return now })
	if err != nil {
		return err
	}
	if err := crashWork(c, j, n, func() { now = now.Add(10 * time.Minute) }); err != nil {
		return err
	}
	return db.Close()
}

// crashClinic is the clinic of a job; n may be nil.
func crashClinic(db kv.DB, j job, n *notes, now func() time.Time) (*clinic.Clinic, error) {
	client, err := fhirhttp.New(fhirhttp.Options{Base: j.Server})
	if err != nil {
		return nil, err
	}
	o := clinic.Options{DB: db, Book: book(), Rules: rules(), Now: now, Mode: outbox.Files, Routes: []outbox.Route{
		{Name: "files", Files: true, Carrier: notedCarrier{fhirtask.NewFiles(crashOut, crashSite), n}},
		{Name: "server", Carrier: notedBulk{fhirtask.NewServer(fhirtask.ServerOptions{Client: client, Site: crashSite, Batch: j.Batch}), n, j.Batch}},
	}}
	if j.Send {
		o.Mode = outbox.Send
	}
	return clinic.New(context.Background(), o)
}

// crashWork is one round of work: sources, plans, what waits.
func crashWork(c *clinic.Clinic, j job, n *notes, later func()) error {
	ctx := context.Background()
	if j.Send {
		if err := c.GoLive(ctx, "N. Quay"); err != nil && fault.KindOf(err) != fault.Conflict {
			return err
		}
	}
	for _, name := range crashFolders() {
		s := folder.New(folder.Options{Name: name, Dir: name, Settle: -1, Batch: 6 << 10})
		if _, err := c.Pull(ctx, notedSource{s, n}); err != nil {
			return err
		}
	}
	if _, err := c.Tick(ctx); err != nil {
		return err
	}
	for range crashDrains {
		if _, err := c.Drain(ctx, 8); err != nil {
			return err
		}
		st, err := c.Status(ctx)
		if err != nil || st.Outbox.Pending == 0 {
			return err
		}
		later()
	}
	return errors.New("something waits for ever")
}

// notes tell the parent where the child is. One write is one note, at once.
type notes struct {
	out *os.File
	now phase
	seq uint64
}

func (n *notes) at(p phase) {
	n.now = p
	var b [noteSize]byte
	b[0] = byte(p)
	binary.BigEndian.PutUint64(b[1:], n.seq)
	if _, err := n.out.Write(b[:]); err != nil {
		os.Exit(2) // nobody listens
	}
}

// notedDB notes transactions.
type notedDB struct {
	kv.DB
	n *notes
}

// Update notes where the function ends and the commit begins, and what is kept
// for certain once it has come back.
func (db notedDB) Update(ctx context.Context, fn func(kv.Tx) error) error {
	commit := phaseCommit
	if db.n.now == phaseGap {
		commit = phaseMark
	} else {
		db.n.at(phaseDecide)
	}
	var head audit.Head
	err := db.DB.Update(ctx, func(tx kv.Tx) error {
		if err := fn(tx); err != nil {
			return err
		}
		var err error
		head, err = audit.ReadHead(tx)
		db.n.at(commit)
		return err
	})
	if err == nil {
		db.n.seq = head.Seq
	}
	db.n.at(phaseRest)
	return err
}

// notedSource notes reading.
type notedSource struct {
	source.Source
	n *notes
}

// Fetch notes that the source, or the clinic with what the source gave, reads.
func (s notedSource) Fetch(ctx context.Context, cursor string) iter.Seq2[source.Batch, error] {
	return func(yield func(source.Batch, error) bool) {
		s.n.at(phaseDecode)
		for b, err := range s.Source.Fetch(ctx, cursor) {
			more := yield(b, err)
			s.n.at(phaseDecode)
			if !more {
				return
			}
		}
		s.n.at(phaseRest)
	}
}

// notedCarrier notes sending.
type notedCarrier struct {
	outbox.Carrier
	n *notes
}

// Carry waits a little when the item is sent and not marked.
func (c notedCarrier) Carry(ctx context.Context, it outbox.Item) (string, error) {
	c.n.at(phaseSend)
	receipt, err := c.Carrier.Carry(ctx, it)
	c.n.at(phaseGap)
	time.Sleep(crashLag)
	return receipt, err
}

// notedBulk notes the sending of several items at once, or of each alone.
type notedBulk struct {
	*fhirtask.Server
	n     *notes
	batch bool
}

// Carry is that of notedCarrier.
func (c notedBulk) Carry(ctx context.Context, it outbox.Item) (string, error) {
	return notedCarrier{c.Server, c.n}.Carry(ctx, it)
}

// CarryAll waits a little when the items are sent and not marked.
func (c notedBulk) CarryAll(ctx context.Context, items []outbox.Item) []outbox.Result {
	if !c.batch {
		var list []outbox.Result
		for _, it := range items {
			receipt, err := c.Carry(ctx, it)
			list = append(list, outbox.Result{Receipt: receipt, Err: err})
		}
		return list
	}
	c.n.at(phaseSend)
	list := c.Server.CarryAll(ctx, items)
	c.n.at(phaseGap)
	time.Sleep(crashLag)
	return list
}
