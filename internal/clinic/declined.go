package clinic

import (
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// ask adds to all plans the questions that follow from what people did with the
// Tasks. It comes after all items have the keys of now.
func (rd *round) ask() error {
	for i := range rd.now {
		p := &rd.now[i]
		list, err := rd.declined(p)
		if err != nil {
			return err
		}
		surveil.Ask(&p.plan, p.chart, rd.rules, list)
	}
	return nil
}

// declined are the questions why a person declined what is still needed. What
// the Task says about it, if anything, stands in the question.
func (rd *round) declined(p *person) (list []surveil.Question, err error) {
	for _, ws := range latestStates(p.chart) {
		if !ws.Person || ws.Status != "rejected" {
			continue
		}
		key, since, err := rd.standsSince(p, ws)
		if err != nil {
			return nil, err
		}
		if w := needed(&p.plan, key); w != nil {
			list = append(list, surveil.Question{Kind: "other", About: ws.Ref, Since: since.First, Visit: w.Visit,
				Why: surveil.Reason{Rule: "declined-elsewhere", Facts: []string{ws.Ref}, From: since, Word: reasonGiven(ws)}})
		}
	}
	return list, nil
}

// standsSince is the key of a Task's item now, and the day since when a person's
// status stands on it: that of the Task moves when this program writes to it.
func (rd *round) standsSince(p *person, ws *chart.WorkState) (key string, since day.Span, err error) {
	first, known := p.tasks[ws.Key]
	if !known {
		return ws.Key, ws.On, nil
	}
	it, found, err := store.ReadItem(rd.r, first)
	if err != nil || !found {
		return ws.Key, ws.On, err
	}
	if since = ws.On; it.Human != nil && it.Human.Status == ws.Status && it.Human.On > 0 {
		since = day.On(it.Human.On)
	}
	return it.Now, since, nil
}

// latestStates are the newest states of the work items, in the order of the
// first of each.
func latestStates(c *chart.Chart) (list []*chart.WorkState) {
	at := map[string]int{}
	for i := range c.WorkStates {
		ws := &c.WorkStates[i] // sorted by date
		if n, there := at[ws.Key]; there {
			list[n] = ws
			continue
		}
		at[ws.Key] = len(list)
		list = append(list, ws)
	}
	return list
}

// needed is the work of an item while it is needed: the item itself, or that of
// the same visit once chasing has taken the place of arranging.
func needed(p *surveil.Plan, key string) *surveil.Work {
	visit := func(key string) string {
		at := strings.LastIndexByte(key, '|')
		if kind := key[at+1:]; kind != surveil.WorkArrange && kind != surveil.WorkChase {
			return key
		}
		return key[:at]
	}
	for i := range p.Work {
		if w := &p.Work[i]; visit(w.Key) == visit(key) {
			return w
		}
	}
	return nil
}

// reasonGiven is what the Task says about why: the reason of its status, and the
// newest note of a person.
func reasonGiven(ws *chart.WorkState) string {
	var said []string
	if ws.Why != "" {
		said = append(said, ws.Why)
	}
	if n := len(ws.Notes); n > 0 {
		said = append(said, ws.Notes[n-1])
	}
	if len(said) == 0 {
		return "No reason is given there."
	}
	return "It says: " + notice.Tame(strings.Join(said, "; "), mostSaid)
}
