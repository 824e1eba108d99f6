package daemon

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/robfig/cron/v3"

	"perennial/internal/fault"
	"perennial/internal/outbox"
	"perennial/internal/source"
)

// start begins the work of the daemon and gives a function that waits for its end
// once the context has ended. The first round of everything is made at once, in
// the order in which one needs the other; the clock starts beside it, so that a
// long first look at the sources keeps no letter back.
func (o *Options) start(ctx context.Context) (wait func()) {
	ticks := cron.New(cron.WithChain(cron.SkipIfStillRunning(cron.DiscardLogger)))
	var jobs []cron.Job
	for _, j := range []struct {
		name  string
		every time.Duration
		do    func(context.Context)
	}{
		{"looking at the sources", o.Poll, o.poll}, {"the work of the day", time.Minute, o.daily}, {"sending", o.Send, o.send},
	} {
		id := ticks.Schedule(cron.Every(max(j.every, time.Second)), o.safely(ctx, j.name, j.do))
		jobs = append(jobs, ticks.Entry(id).WrappedJob)
	}
	var first sync.WaitGroup
	first.Go(func() {
		for _, j := range jobs {
			j.Run()
		}
		if ctx.Err() == nil {
			o.Log.Info("the first round is done")
		}
	})
	ticks.Start()
	if o.Hook != nil {
		first.Go(func() { o.listen(ctx) })
	}
	return func() {
		<-ticks.Stop().Done()
		first.Wait()
	}
}

// safely keeps a fault of the program in one round from ending the daemon. What
// was being done is not stored, and the next round tries again. The log names the
// place of the fault but not what was worked on.
func (o *Options) safely(ctx context.Context, name string, do func(context.Context)) cron.FuncJob {
	return func() {
		defer func() {
			if p := recover(); p != nil {
				o.Log.Error(name+" broke off", "fault", fmt.Sprintf("%T", p), "at", whereabouts())
			}
		}()
		if ctx.Err() == nil {
			do(ctx)
		}
	}
}

// poll looks at the sources, brings the plans up to date and sends what follows
// from what is new.
func (o *Options) poll(ctx context.Context) { o.look(ctx, o.Sources) }

// look looks at some of the sources, and sends if they had something new.
func (o *Options) look(ctx context.Context, sources []source.Source) {
	if o.pull(ctx, sources) {
		o.send(ctx)
	}
}

// pull takes what the sources have, and says whether there was something new. One
// at a time does: a hint that comes while the regular look is on waits for it.
func (o *Options) pull(ctx context.Context, sources []source.Source) (isNew bool) {
	o.turns.looking.Lock()
	defer o.turns.looking.Unlock()
	for _, s := range sources {
		look, done := o.turns.take(s)
		got, err := o.Clinic.Pull(ctx, look)
		done(err)
		o.note(ctx, "reading the source "+s.Name(), err)
		if got.New > 0 {
			isNew = true
			o.Log.Info("read the source "+s.Name(), "new", got.New)
		}
		if got.Waits != "" {
			o.Log.Info("waiting for the source "+s.Name(), "what", got.Waits)
		}
	}
	_, err := o.Clinic.Tick(ctx)
	o.note(ctx, "bringing plans up to date", err)
	return isNew
}

// daily does what is done once a day, when its time has come: it looks at the
// patients who wake, and makes the letters. It is called every minute.
func (o *Options) daily(ctx context.Context) {
	st, err := o.Clinic.Status(ctx)
	if err != nil {
		o.note(ctx, "looking at the day", err)
		return
	}
	now := o.Pages.Now()
	letters := o.posts(&st, now)
	if st.Ticked < o.Clinic.Today() && (letters || !now.Before(moment(o.Nightly, o.Clinic.Zone(), now))) {
		_, err := o.Clinic.Tick(ctx)
		o.note(ctx, "bringing plans up to date", err)
	}
	if letters {
		err := Post(ctx, o.Pages, o.Digest)
		o.note(ctx, "writing the digest", err)
		if err == nil {
			o.Log.Info("wrote the digest", "letters", len(o.Digest.To))
			o.send(ctx)
		}
	}
}

// send sends what waits, until nothing is left that can go now.
func (o *Options) send(ctx context.Context) {
	o.turns.sending.Lock()
	defer o.turns.sending.Unlock()
	var all outbox.Tally
	for {
		t, err := o.Clinic.Drain(ctx, 0)
		o.note(ctx, "sending what waits", err)
		all.Sent, all.Failed, all.Later = all.Sent+t.Sent, all.Failed+t.Failed, all.Later+t.Later
		if err != nil || t == (outbox.Tally{}) || ctx.Err() != nil {
			break
		}
	}
	if all != (outbox.Tally{}) {
		o.Log.Info("sent what waits", "sent", all.Sent, "later", all.Later, "failed", all.Failed)
	}
	if o.Trail != nil && ctx.Err() == nil {
		o.writeTrail(ctx)
	}
}

// writeTrail writes the audit trail as AuditEvents. That it cannot be written is an alarm until it can.
func (o *Options) writeTrail(ctx context.Context) {
	err := o.Trail(ctx)
	o.note(ctx, "writing the audit trail", err)
	text := ""
	if err != nil && ctx.Err() == nil {
		text = "The AuditEvents cannot be written. Check that the folder of the Tasks (out.folder) is there, that this program may write to it, and that there is room. Nothing is lost: they are written once that works."
	}
	o.Pages.trail.Store(&text)
}

// note logs a failure without patient data; the next round tries again.
func (o *Options) note(ctx context.Context, what string, err error) {
	if err != nil && ctx.Err() == nil {
		o.Log.Error(what, "kind", fault.KindOf(err))
	}
}
