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
	same := func(a, b *surveil.StudyCare) bool { return a.Key == b.Key && a.Protocol.Hash == b.Protocol.Hash }
	return carriedOn(old, given, today, same, func(s *surveil.StudyCare) (from, until *day.Day) { return &s.From, &s.Until })
}

// continuedLabels is continuedStudies for the labelling.
func continuedLabels(old, given []surveil.Label, today day.Day) []surveil.Label {
	same := func(a, b *surveil.Label) bool { return a.Device == b.Device && a.Protocol.Hash == b.Protocol.Hash }
	return carriedOn(old, given, today, same, func(l *surveil.Label) (from, until *day.Day) { return &l.From, &l.Until })
}

// carriedOn gives what is given its place in time, and keeps what held before.
func carriedOn[T any](old, given []T, today day.Day, same func(a, b *T) bool, time func(*T) (from, until *day.Day)) []T {
	var list []T
	goesOn := make([]bool, len(old))
	for _, g := range given {
		from, _ := time(&g)
		*from = today
		for i := range old {
			if since, until := time(&old[i]); *until == 0 && same(&old[i], &g) {
				*from, goesOn[i] = *since, true
			}
		}
		list = append(list, g)
	}
	for i, o := range old {
		from, until := time(&o)
		if *until == 0 {
			*until = today - 1
		}
		if !goesOn[i] && *from <= *until {
			list = append(list, o)
		}
	}
	return list
}
