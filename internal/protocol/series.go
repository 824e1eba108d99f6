package protocol

import "slices"

// For says whether the series is for implants of a class; a series that names
// no class is for all classes of its protocol.
func (s *Series) For(class string) bool {
	return len(s.Classes) == 0 || slices.Contains(s.Classes, class)
}

// For says whether the trigger is for implants of a class.
func (t *Trigger) For(class string) bool {
	return len(t.Classes) == 0 || slices.Contains(t.Classes, class)
}

// Baseline says whether the first step of the series is the baseline scan,
// the first after the operation: one that is due within three months.
func (s *Series) Baseline() bool {
	return len(s.Steps) > 0 && s.Steps[0].OnlyIf == nil && s.Steps[0].At.Months <= 3
}
