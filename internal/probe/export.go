package probe

import (
	"context"
	"net/url"
	"time"

	"perennial/internal/fault"
)

// Export probes a server that will be read by exports: it begins one of the patients that changed in this moment, which
// are none or few, and ends it at once. Path is "$export", "Patient/$export" or "Group/id/$export".
func Export(ctx context.Context, o Options, path string) (*Report, error) {
	p, err := begin(ctx, o)
	if err != nil {
		return nil, err
	}
	for _, typ := range p.o.Types {
		p.r.Types = append(p.r.Types, Type{Type: typ, Offered: p.offered(typ), Search: Passed, Since: Passed})
	}
	status, wait, err := p.o.Client.StartExport(ctx, path, url.Values{"_type": {"Patient"}, "_since": {p.o.Now().UTC().Format(time.RFC3339)}})
	switch {
	case fault.KindOf(err) == fault.Canceled:
		return nil, err
	case err != nil && wait > 0:
		p.find(Finding{What: "no export can be begun now: " + err.Error(), Means: "The server limits how many there are. It asks to wait " + wait.Round(time.Second).String() + "; try again then, and set every-hours accordingly."})
		return p.r, nil
	case err != nil:
		p.find(Finding{Severe: true, What: "no export can be begun: " + err.Error(), Means: advice(err, "Nothing can be read this way. Use sources.rest, if the server can be searched.")})
		return p.r, nil
	}
	if err := p.o.Client.EndExport(ctx, status); err != nil {
		p.find(Finding{What: "an export cannot be ended: " + err.Error(), Means: "Its files stay on the server until they expire there."})
	}
	return p.r, nil
}
