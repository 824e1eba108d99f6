package probe

import (
	"context"
	"net/url"
	"slices"
)

// Tasks probes a server that Tasks will be sent to. Nothing is written: what can only be seen by writing is taken from
// the CapabilityStatement.
func Tasks(ctx context.Context, o Options) (*Report, error) {
	p, err := begin(ctx, o)
	if err != nil {
		return nil, err
	}
	t := Type{Type: "Task", Offered: p.offered("Task"), Search: Yes, Since: Passed}
	n, page, err := p.first(ctx, "Task", url.Values{"identifier": {"urn:perennial:probe|none-such"}})
	if !page.Date.IsZero() {
		p.r.ClockAhead = int(page.Date.Sub(p.o.Now()).Round(1e9).Seconds())
	}
	switch {
	case err != nil:
		t.Search = No
		p.find(Finding{Type: "Task", Severe: true, What: "the search fails: " + err.Error(), Means: advice(err, "A Task is looked for before it is made, so that it is not made twice: without the search none is sent.")})
	case n > 0:
		t.Search = Ignored
		p.find(Finding{Type: "Task", What: "the server ignores the identifier in a search", Means: "Our Tasks are picked out of all that it gives: it works, and it takes long."})
	}
	if t.Search == Yes {
		_, _, err := p.first(ctx, "Task", url.Values{"identifier": {"urn:perennial:work:probe|"}})
		if err != nil {
			p.find(Finding{Type: "Task", What: "the search by the system of an identifier alone fails: " + err.Error(), Means: "Where this server is not the source too, what people do with the Tasks does not come back."})
		}
	}
	p.r.Types = []Type{t}
	p.writing()
	p.together()
	return p.r, nil
}

// writing is what the CapabilityStatement says about writing Tasks.
func (p *prober) writing() {
	task, listed := p.can.Types["Task"]
	switch {
	case len(p.can.Types) == 0:
		return
	case !listed || !slices.Contains(task.Interactions, "create") || !slices.Contains(task.Interactions, "update"):
		p.find(Finding{Type: "Task", Severe: true, What: "the server does not offer to create and update Tasks", Means: "None is sent there; they wait, and the letters and pages tell of the work. If it takes them though it says otherwise, set create to conditional or plain."})
		p.r.Settings = append(p.r.Settings, "out:", "  rest:", "    create: none # or ask for it")
		return
	}
	if !slices.Contains(p.can.System, "batch") {
		p.find(Finding{What: "no batch", Means: "Tasks are sent one by one: it works, and the first sending to a large clinic takes minutes."})
	}
	if !task.ConditionalCreate {
		p.find(Finding{Type: "Task", What: "no conditional create", Means: "Should an answer be lost, a Task may stand there twice until the next look; the second is then marked as entered in error."})
	}
	if task.Versioning != "versioned-update" && task.Versioning != "versioned" {
		p.find(Finding{Type: "Task", What: "no versions", Means: "What a person changes in the very moment in which we write may be lost."})
	}
}
