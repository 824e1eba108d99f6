package main

import (
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
)

// showEvery is the least time between two drawings of a bar.
const showEvery = 100 * time.Millisecond

// showProgress draws a bar on stderr where a person watches, and nothing
// elsewhere; unit "" is bytes. The environment that comes back is to be used
// meanwhile: what is written goes above the bar.
func showProgress(e *env, what, unit string) (with *env, show func(n, all int64), done func()) {
	if !e.terminal(e.stderr) {
		return e, func(int64, int64) {}, func() {}
	}
	p := &progress{w: e.stderr, what: what, unit: unit}
	during := *e
	during.stderr = above{p, e.stderr}
	if e.terminal(e.stdout) {
		during.stdout = above{p, e.stdout}
	}
	return &during, p.set, p.done
}

// progress is a bar with rate and time left. It is for use by several goroutines.
type progress struct {
	w          io.Writer
	what, unit string
	mu         sync.Mutex
	bar        *progressbar.ProgressBar
}

// set says that so many of all have been done; all is 0 where it is not
// known.
func (p *progress) set(n, all int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar == nil {
		if all <= 0 {
			all = -1
		}
		p.bar = progressbar.NewOptions64(all, progressbar.OptionSetWriter(p.w), progressbar.OptionSetDescription(p.what),
			progressbar.OptionShowBytes(p.unit == ""), progressbar.OptionShowCount(), progressbar.OptionSetItsString(p.unit),
			progressbar.OptionThrottle(showEvery), progressbar.OptionSetPredictTime(true),
			progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30))
	}
	_ = p.bar.Set64(n)
}

// above writes to a terminal on which a bar is drawn.
type above struct {
	p *progress
	w io.Writer
}

// Write takes the bar away before it writes; it comes again with the next change.
func (a above) Write(text []byte) (int, error) {
	a.p.mu.Lock()
	defer a.p.mu.Unlock()
	if a.p.bar != nil {
		_ = a.p.bar.Clear()
	}
	return a.w.Write(text)
}

// done takes the bar away.
func (p *progress) done() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar != nil {
		_ = p.bar.Exit()
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
