package main

import (
	"io"

	"github.com/schollz/progressbar/v3"
)

// progress is a bar with rate and time left on a terminal.
type progress struct {
	w    io.Writer
	what string
	bar  *progressbar.ProgressBar
}

func newProgress(w io.Writer, what string) *progress { return &progress{w: w, what: what} }

// set says that so many bytes of all have been done; all is 0 where it is not
// known.
func (p *progress) set(n, all int64) {
	if p.bar == nil {
		if all <= 0 {
			all = -1
		}
		p.bar = progressbar.NewOptions64(all, progressbar.OptionSetWriter(p.w), progressbar.OptionSetDescription(p.what),
			progressbar.OptionShowBytes(true), progressbar.OptionThrottle(showEvery), progressbar.OptionSetPredictTime(true),
			progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30))
	}
	_ = p.bar.Set64(n)
}

// done takes the bar away.
func (p *progress) done() {
	if p.bar != nil {
		_ = p.bar.Clear()
	}
}
