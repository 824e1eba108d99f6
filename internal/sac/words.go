package sac

import (
	"fmt"
	"strings"
)

// Name is the series in words.
func (s *Series) Name() string {
	name := map[string]string{"ct": "CT", "mr": "MR", "ultrasound": "ultrasound"}[s.Modality]
	if name == "" {
		name = "modality not known"
	}
	for _, more := range []string{s.Method, s.Site} {
		if more != "" {
			name += ", " + more
		}
	}
	return name
}

// Millimetres writes tenths as millimetres: "58.0".
func Millimetres(tenths int) string {
	sign := ""
	if tenths < 0 {
		sign, tenths = "-", -tenths
	}
	return fmt.Sprintf("%s%d.%d", sign, tenths/10, tenths%10)
}

func signed(tenths int) string {
	if tenths > 0 {
		return "+" + Millimetres(tenths)
	}
	return Millimetres(tenths)
}

// percent writes a probability; near the ends it says no more than is known.
func percent(p float64) string {
	switch {
	case p >= 0.9995:
		return "over 99.9 %"
	case p < 0.0005:
		return "under 0.1 %"
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

// Said tells in sentences what the series shows, each with the error of
// measuring that it rests on. One value tells nothing.
func (s *Series) Said() []string {
	e := ErrorOf(s.Modality)
	c, ok := s.Since(s.Baseline())
	if !ok {
		return []string{"One value (or one date) only: no change can be told yet."}
	}
	list := []string{fmt.Sprintf("Since the baseline of %s (%s mm): %s mm, %s. If two measurements of the same sac lie within %.1f mm of one another in 95 of 100 cases, the probability that it has grown at all is %s, by 5 mm or more %s.",
		c.From.On.Text(), Millimetres(c.From.Tenths), signed(c.Tenths), c.Word(), e.RC, percent(c.Grown), percent(c.Grown5))}
	if c.Tenths <= -Threshold {
		list[0] += fmt.Sprintf(" That it has shrunk by 5 mm or more: %s.", percent(c.Shrunk5))
	}
	if low := s.lowest(e); low != "" {
		list = append(list, low)
	}
	if r, ok := s.Rate(); ok {
		list = append(list, fmt.Sprintf("Over all values: %+.1f mm a year (95 %% interval %+.1f to %+.1f); the probability that it is growing is %s.", r.PerYear, r.From, r.To, percent(r.Growing)))
	}
	return list
}

// lowest compares with the lowest value, where that is not the baseline, and
// says how often such a comparison misleads.
func (s *Series) lowest(e Error) string {
	c, ok := s.Since(&s.Points[s.Lowest])
	if !ok || s.Lowest == 0 {
		return ""
	}
	text := fmt.Sprintf("Since the lowest value of %s (%s mm): %s mm; probability of any growth %s, of 5 mm or more %s.", c.From.On.Text(), Millimetres(c.From.Tenths), signed(c.Tenths), percent(c.Grown), percent(c.Grown5))
	if c.Tenths >= Threshold {
		k := s.Earlier() + 1
		text += fmt.Sprintf(" The lowest of several values is low by chance too: of sacs that never changed, %s show 5 mm or more above the lowest of %d values at the newest. Confirm with a second scan.", percent(FalseAlarm(k, float64(Threshold)/10, e.Within())), k-1)
	}
	return text
}

// Basis names the sources of the error of measuring that the series use.
func Basis(list []Series) string {
	var parts []string
	for i := range list {
		text := ErrorOf(list[i].Modality).Source
		if !strings.Contains(strings.Join(parts, "\n"), text) {
			parts = append(parts, text)
		}
	}
	return strings.Join(parts, "; ")
}
