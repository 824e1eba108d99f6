package webhook

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"
)

// Hint says that a source is worth a look.
type Hint struct {
	Source string
	Gap    bool // notifications were lost: look at everything
}

// Hints gathers hints: many within a moment are one, and those that come while somebody looks are one more. It may be
// used by several goroutines at once.
type Hints struct {
	moment time.Duration
	wake   chan struct{}
	mu     sync.Mutex
	named  map[string]bool
	counts map[string]*counter // by source and Subscription
}

// NewHints gathers for a moment; 0: 200 milliseconds.
func NewHints(moment time.Duration) *Hints {
	if moment <= 0 {
		moment = 200 * time.Millisecond
	}
	return &Hints{moment: moment, wake: make(chan struct{}, 1), named: map[string]bool{}, counts: map[string]*counter{}}
}

// Give notes a hint. It does not wait.
func (h *Hints) Give(source string) {
	h.mu.Lock()
	h.named[source] = true
	h.mu.Unlock()
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// Take waits for hints, then for a moment more, and gives all that came by then, at most one for each source. It gives
// none when the context ends.
func (h *Hints) Take(ctx context.Context) []Hint {
	select {
	case <-ctx.Done():
		return nil
	case <-h.wake:
	}
	select {
	case <-ctx.Done():
		return nil
	case <-time.After(h.moment):
	}
	select {
	case <-h.wake: // came meanwhile: it is among the named
	default:
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	gaps := h.gaps()
	for source := range gaps {
		h.named[source] = true
	}
	var list []Hint
	for _, source := range slices.Sorted(maps.Keys(h.named)) {
		list = append(list, Hint{source, gaps[source]})
	}
	clear(h.named)
	return list
}

// Bounds of what is kept of Subscriptions.
const (
	maxCounted = 100
	maxAhead   = 10_000
)

// counter follows the numbers of one Subscription. They may come in any order.
type counter struct {
	source string
	top    int64          // all up to here are known
	ahead  map[int64]bool // those that are known after it
}

// begin notes that a Subscription begins at a number.
func (h *Hints) begin(source string, n notification) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.counts, source+" "+n.subject)
	if c := h.counter(source, n, max(n.total, 0)); c != nil {
		clear(c.ahead)
	}
}

// count notes the numbers of a notification. A heartbeat says how many there were; that of an event is among them.
func (h *Hints) count(source string, n notification) {
	numbers := n.events
	if len(numbers) == 0 && n.total > 0 {
		numbers = []int64{n.total}
	}
	if len(numbers) == 0 {
		return
	}
	before := slices.Min(numbers) - 1
	if n.kind == heartbeat {
		before = n.total
	}
	h.mu.Lock()
	c := h.counter(source, n, before)
	behind := n.kind == heartbeat && c != nil && n.total > c.top && !c.ahead[n.total]
	for _, one := range numbers {
		if c != nil && one > c.top && len(c.ahead) < maxAhead && (n.kind == event || behind) {
			c.ahead[one] = true
		}
	}
	h.mu.Unlock()
	if behind {
		h.Give(source) // an event was not told of, or is told of in this moment
	}
}

// counter is that of a Subscription; one that was not heard of before begins after a number. nil: there are too many.
func (h *Hints) counter(source string, n notification, after int64) *counter {
	key := source + " " + n.subject
	c := h.counts[key]
	if c == nil && len(h.counts) < maxCounted {
		c = &counter{source: source, top: max(after, 0), ahead: map[int64]bool{}}
		h.counts[key] = c
	}
	return c
}

// gaps says of which sources numbers are missing, and counts on after them.
func (h *Hints) gaps() map[string]bool {
	gaps := map[string]bool{}
	for _, c := range h.counts {
		for c.ahead[c.top+1] {
			c.top++
			delete(c.ahead, c.top)
		}
		for n := range c.ahead {
			c.top, gaps[c.source] = max(c.top, n), true
		}
		clear(c.ahead)
	}
	return gaps
}
