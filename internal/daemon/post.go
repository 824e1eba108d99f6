package daemon

import (
	"context"
	"encoding/json"
	"time"

	"perennial/internal/clinic"
	"perennial/internal/digest"
	"perennial/internal/fault"
	"perennial/internal/outbox"
	"perennial/internal/settings"
)

// Digest says when the letter of the day goes out, to whom, and how much it says.
type Digest struct {
	At    settings.Clock
	To    []string // addresses; none: no letters
	Names bool     // patients' names in full
	Link  string   // address of the pages; may be empty
}

// Letter lays out the digest of today for one recipient.
func Letter(ctx context.Context, p *Pages, d Digest, to string) (digest.Letter, error) {
	in, err := content(ctx, p, d)
	if err != nil {
		return digest.Letter{}, err
	}
	return digest.Write(in, to)
}

// Post puts the letters of today into the outbox, one for each recipient.
func Post(ctx context.Context, p *Pages, d Digest) error {
	return p.Clinic.Digest(ctx, func(ctx context.Context) ([]outbox.Item, error) {
		in, err := content(ctx, p, d)
		if err != nil {
			return nil, err
		}
		var list []outbox.Item
		for _, to := range d.To {
			l, err := digest.Write(in, to)
			if err != nil {
				return nil, err
			}
			body, err := json.Marshal(l)
			if err != nil {
				return nil, fault.Wrap("write a digest", err)
			}
			list = append(list, outbox.Item{Key: l.Key, Kind: outbox.KindDigest, Body: body, Added: p.Now()})
		}
		return list, nil
	})
}

// posts says whether letters are to be made now. While nothing may leave none
// are: what changes meanwhile is told by the first that goes.
func (o *Options) posts(st *clinic.Status, now time.Time) bool {
	leaves := st.Mode == outbox.Files || st.Mode == outbox.Send && !st.Live.IsZero()
	return leaves && len(o.Digest.To) > 0 && due(o.Digest.At, o.Clinic.Zone(), st.Digested, now)
}
