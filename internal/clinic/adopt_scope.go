package clinic

import (
	"perennial/internal/day"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// Studies that make the work, and the labelling of devices, decide who is called
// as the site's protocols do: a change of them waits, and never reaches back.

// keptStudies is the stored form of the studies that make the work.
func keptStudies(list []surveil.StudyCare) (out []store.AdoptedTime) {
	for _, s := range list {
		out = append(out, store.AdoptedTime{Key: s.Key, Name: s.Name, Hash: s.Protocol.Hash, From: s.From, Until: s.Until})
	}
	return out
}

// keptLabels is the stored form of the labelling.
func keptLabels(list []surveil.Label) (out []store.AdoptedTime) {
	for _, l := range list {
		out = append(out, store.AdoptedTime{Key: l.Device, Hash: l.Protocol.Hash, From: l.From, Until: l.Until})
	}
	return out
}

// takeScope puts what is kept of both into rules; false where a document cannot be
// read any more.
func takeScope(out *surveil.Rules, a *store.Adopted, find func(hash string) (*protocol.Protocol, error)) (bool, error) {
	for _, s := range a.Studies {
		p, err := find(s.Hash)
		if p == nil || err != nil {
			return false, err
		}
		out.StudyCare = append(out.StudyCare, surveil.StudyCare{Key: s.Key, Name: s.Name, Protocol: p, From: s.From, Until: s.Until})
	}
	for _, l := range a.Labels {
		p, err := find(l.Hash)
		if p == nil || err != nil {
			return false, err
		}
		out.Labels = append(out.Labels, surveil.Label{Device: l.Key, Protocol: p, From: l.From, Until: l.Until})
	}
	return true, nil
}

// continuedStudies are the studies that hold once those that are given are adopted
// on a day: what is new begins then, and what is given no more ends the day before.
func continuedStudies(old, given []surveil.StudyCare, today day.Day) []surveil.StudyCare {
	var list []surveil.StudyCare
	goesOn := make([]bool, len(old))
	for _, g := range given {
		g.From = today
		for i, o := range old {
			if o.Until == 0 && o.Key == g.Key && o.Protocol.Hash == g.Protocol.Hash {
				g.From, goesOn[i] = o.From, true
			}
		}
		list = append(list, g)
	}
	for i, o := range old {
		if o.Until == 0 {
			o.Until = today - 1
		}
		if !goesOn[i] && o.From <= o.Until {
			list = append(list, o)
		}
	}
	return list
}

// continuedLabels is continuedStudies for the labelling.
func continuedLabels(old, given []surveil.Label, today day.Day) []surveil.Label {
	var list []surveil.Label
	goesOn := make([]bool, len(old))
	for _, g := range given {
		g.From = today
		for i, o := range old {
			if o.Until == 0 && o.Device == g.Device && o.Protocol.Hash == g.Protocol.Hash {
				g.From, goesOn[i] = o.From, true
			}
		}
		list = append(list, g)
	}
	for i, o := range old {
		if o.Until == 0 {
			o.Until = today - 1
		}
		if !goesOn[i] && o.From <= o.Until {
			list = append(list, o)
		}
	}
	return list
}
