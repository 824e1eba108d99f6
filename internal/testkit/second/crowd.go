package second

import (
	"fmt"
	"math/rand/v2"
)

// Crowd makes a chart of several implants whose visits crowd: operated within
// months of one another, some followed by CT, some by duplex and some by
// either, with leaks that add visits, and bookings.
func Crowd(rng *rand.Rand) Chart {
	today, _ := readDay(storyEnd)
	chart := Chart{ID: fmt.Sprintf("pt%08d", rng.IntN(100_000_000))}
	g := &maker{rng: rng, chart: &chart, today: today}
	places := []site{{"evar", "abdominal-aorta", ""}, {"tevar", "thoracic-aorta", ""}, {"arch-branch", "arch", ""}, {"iliac-branch", "iliac", "left"},
		{"iliac-branch", "iliac", "right"}, {"carotid-stent", "carotid", "left"}, {"carotid-stent", "carotid", "right"}, {"vein-bypass", "leg", "left"}, {"vein-bypass", "leg", "right"}}
	g.rng.Shuffle(len(places), func(i, j int) { places[i], places[j] = places[j], places[i] })
	base := g.today - day(g.rng.IntN(2200))
	for _, at := range places[:2+g.rng.IntN(5)] {
		index := min(base+day(g.rng.IntN(240)), g.today-1)
		g.operation("implant", at.class, at, g.blur(index, 8))
		if g.chance(25) {
			g.operation("coils", "", at, g.blur(index+day(20+g.rng.IntN(900)), 10))
		}
		for range g.rng.IntN(4) {
			g.study(at, index+day(20+g.rng.IntN(1200)), one(g, cta, cta, duplex), one(g, wholeArea(at), wholeAorta()))
		}
		for range g.rng.IntN(3) {
			d := g.today + day(g.rng.IntN(300)-20)
			g.chart.Bookings = append(g.chart.Bookings, Booking{ID: g.id("Appointment"), Status: "booked", Date: d.String(), Kind: one(g, cta, duplex), Territories: one(g, wholeArea(at), wholeAorta())})
		}
	}
	if g.chance(20) {
		g.ending()
	}
	return chart
}
