package second

// The shipped protocols as Go literals, typed from the clinical reference:
// offsets and modality from its tables of intervals, windows from the profile
// clinic-v1 (baseline day 15 to 60, 3 months +/-30, 6 months +/-60, yearly
// +/-90, five-yearly +/-180 days). They are data: the engine knows no names.

const (
	cta, ctContrast, ctUnknown = "ct-angiogram", "ct-contrast", "ct-unknown-contrast"
	ctPlain, mra, duplex       = "ct-plain", "mr-angiogram", "duplex"
	duplexLimited              = "duplex-limited"
)

func abdomenPelvis() []string { return []string{"abdomen", "pelvis"} }
func chest() []string         { return []string{"chest"} }
func neckChest() []string     { return []string{"neck", "chest"} }
func wholeAorta() []string    { return []string{"chest", "abdomen", "pelvis"} }

// acceptForCTA are the ways that a person must accept wherever a CTA is wanted.
func acceptForCTA() []Way {
	return []Way{
		{Kinds: []string{ctContrast}, Accept: true},
		{Kinds: []string{ctUnknown}, Accept: true},
		{Kinds: []string{mra}, Accept: true},
		{Kinds: []string{cta}, Accept: true, Part: true},
		{Kinds: []string{ctPlain, duplex}, Accept: true},
	}
}

// ctaOnly is a step that wants a CTA.
func ctaOnly() []Way { return append([]Way{{Kinds: []string{cta}}}, acceptForCTA()...) }

// duplexOrCTA is a step that takes either.
func duplexOrCTA() []Way { return append([]Way{{Kinds: []string{duplex}}}, ctaOnly()...) }

// duplexOnly is a step where ultrasound is the test.
func duplexOnly() []Way { return []Way{{Kinds: []string{duplex}}} }

// plainOrCTA is the five-yearly look at the whole aorta.
func plainOrCTA() []Way {
	return []Way{
		{Kinds: []string{ctPlain}},
		{Kinds: []string{cta}},
		{Kinds: []string{ctContrast}, Accept: true},
		{Kinds: []string{ctUnknown}, Accept: true},
		{Kinds: []string{ctPlain}, Accept: true, Part: true},
		{Kinds: []string{cta}, Accept: true, Part: true},
	}
}

// baselineStep is the first scan, about a month after the operation.
func baselineStep(ways []Way, territory []string) Step {
	return Step{ID: "m1", Days: 30, Before: 15, After: 30, Ways: ways, Territory: territory, Baseline: true}
}

// monthStep is a step at some months with an equal window on both sides.
func monthStep(id string, months, window int, ways []Way, territory []string) Step {
	return Step{ID: id, Months: months, Before: window, After: window, Ways: ways, Territory: territory}
}

// yearly is the repeating step from the second year on.
func yearly(from, until, window int, ways []Way, territory []string) *Repeat {
	return &Repeat{Name: "y", First: from, Every: 12, Until: until,
		Step: Step{Before: window, After: window, Ways: ways, Territory: territory}}
}

// annual is m1, y1, then yearly for life.
func annual(first, year, later []Way, territory []string) Series {
	return Series{
		Steps:  []Step{baselineStep(first, territory), monthStep("y1", 12, 90, year, territory)},
		Repeat: yearly(24, 0, 90, later, territory),
	}
}

// sixMonthIf is the extra look at six months after an abnormal first scan. It
// is a series of its own (README 9).
func sixMonthIf(types []string, territory []string) Series {
	step := monthStep("m6", 6, 60, ctaOnly(), territory)
	step.OnlyIf = &Condition{What: "endoleak", Types: types}
	return Series{Steps: []Step{step}}
}

// anyEndoleak lists every type but none.
func anyEndoleak() []string {
	return []string{"Ia", "Ib", "Ic", "II", "IIIa", "IIIb", "IIIc", "IV", "V", "unknown"}
}

// SVSAAA2018 is the society protocol for infrarenal grafts.
func SVSAAA2018() []Protocol {
	area := abdomenPelvis()
	five := &Repeat{Name: "aorta", First: 60, Every: 60,
		Step: Step{Before: 180, After: 180, Ways: plainOrCTA(), Territory: wholeAorta()}}
	return []Protocol{{
		ID: "svs-aaa-2018", Version: "1", Classes: []string{"evar", "iliac-branch"}, GapMonths: 15,
		Series: []Series{
			annual(ctaOnly(), duplexOrCTA(), duplexOrCTA(), area),
			{Repeat: five, NoLadder: true},
			sixMonthIf([]string{"II"}, area),
		},
		Triggers: aorticTriggers("svs-aaa-2018", "evar"),
	}}
}

// SVSTEVAR2021 is the society protocol for thoracic grafts.
func SVSTEVAR2021() []Protocol {
	return []Protocol{{
		ID: "svs-tevar-2021", Version: "1", Classes: []string{"tevar"}, GapMonths: 15,
		Series: []Series{
			annual(ctaOnly(), ctaOnly(), ctaOnly(), chest()),
			sixMonthIf(anyEndoleak(), chest()),
		},
		Triggers: aorticTriggers("svs-tevar-2021", "tevar"),
	}}
}

// SVSFollowUp2018 is the society's follow-up guideline for other arteries.
func SVSFollowUp2018() []Protocol {
	aortic := func(class string, later []Way, area []string) Protocol {
		return Protocol{ID: "svs-fu-2018", Version: "1", Classes: []string{class}, GapMonths: 15,
			Series: []Series{annual(ctaOnly(), ctaOnly(), later, area)}, Triggers: aorticTriggers("svs-fu-2018", class)}
	}
	neck, leg := []string{"neck"}, []string{"leg"}
	carotid := Protocol{ID: "svs-fu-2018", Version: "1", Classes: []string{"carotid-stent"}, GapMonths: 15,
		Series: []Series{{
			Steps: []Step{
				{ID: "m3", Months: 3, Before: 30, After: 30, Ways: duplexOnly(), Territory: neck, Baseline: true},
				monthStep("m6", 6, 60, duplexOnly(), neck),
				monthStep("y1", 12, 90, duplexOnly(), neck),
			},
			Repeat: yearly(24, 0, 90, duplexOnly(), neck),
		}}, Triggers: vesselTriggers(true)}
	bypass := Protocol{ID: "svs-fu-2018", Version: "1", Classes: []string{"vein-bypass"}, GapMonths: 15,
		Series: []Series{{
			Steps: []Step{
				baselineStep(duplexOnly(), leg),
				monthStep("m3", 3, 30, duplexOnly(), leg),
				monthStep("m6", 6, 60, duplexOnly(), leg),
				monthStep("y1", 12, 90, duplexOnly(), leg),
			},
			Repeat: yearly(24, 0, 90, duplexOnly(), leg),
		}}, Triggers: vesselTriggers(false)}
	return []Protocol{aortic("evar", duplexOrCTA(), abdomenPelvis()), aortic("tevar", ctaOnly(), chest()), carotid, bypass}
}

// ACCAHA2022 is the cardiology protocol for infrarenal grafts.
func ACCAHA2022() []Protocol {
	return []Protocol{{
		ID: "accaha-2022", Version: "1", Classes: []string{"evar"}, GapMonths: 15,
		Series:   []Series{annual(ctaOnly(), duplexOrCTA(), duplexOrCTA(), abdomenPelvis()), sixMonthIf(anyEndoleak(), abdomenPelvis())},
		Triggers: aorticTriggers("accaha-2022", "evar"),
	}}
}

// ACCAHA2022Open is a scan within a year of open repair, then five-yearly.
func ACCAHA2022Open() []Protocol {
	area := wholeAorta()
	ways := append([]Way{{Kinds: []string{mra}}, {Kinds: []string{ctContrast}}, {Kinds: []string{ctPlain}}, {Kinds: []string{ctPlain}, Accept: true, Part: true}}, ctaOnly()...)
	return []Protocol{{
		ID: "accaha-2022-open", Version: "1", Classes: []string{"open-repair"}, GapMonths: 66,
		Series: []Series{{
			Steps: []Step{monthStep("y1", 12, 90, ways, area)},
			Repeat: &Repeat{Name: "y", First: 60, Every: 60,
				Step: Step{Before: 180, After: 180, Ways: ways, Territory: area}},
		}},
		Triggers: aorticTriggers("accaha-2022-open", "open-repair"),
	}}
}

// Label1612 is the labelling schedule: 1, 6, 12 months, then yearly for life.
func Label1612() []Protocol {
	return labelFor("label-1-6-12", func(area []string) Series {
		return Series{
			Steps: []Step{
				baselineStep(ctaOnly(), area),
				monthStep("m6", 6, 60, ctaOnly(), area),
				monthStep("y1", 12, 90, ctaOnly(), area),
			},
			Repeat: yearly(24, 0, 90, ctaOnly(), area),
		}
	}, false)
}

// Label1612Trial is the same with a trial's windows, to five years, none late.
func Label1612Trial() []Protocol {
	return labelFor("label-1-6-12-trial", func(area []string) Series {
		first := baselineStep(ctaOnly(), area)
		first.After = 15
		return Series{
			Steps: []Step{
				first,
				monthStep("m6", 6, 30, ctaOnly(), area),
				monthStep("y1", 12, 60, ctaOnly(), area),
			},
			Repeat: yearly(24, 60, 60, ctaOnly(), area),
		}
	}, true)
}

// labelFor makes one value for each group of classes with its own territory.
func labelFor(id string, series func([]string) Series, noLate bool) []Protocol {
	groups := []struct {
		classes []string
		area    []string
	}{
		{[]string{"evar", "iliac-branch", "fenestrated-branched"}, abdomenPelvis()},
		{[]string{"tevar"}, chest()},
		{[]string{"arch-branch"}, neckChest()},
		{[]string{"open-repair"}, wholeAorta()},
	}
	var all []Protocol
	for _, g := range groups {
		all = append(all, Protocol{ID: id, Version: "1", Classes: g.classes, GapMonths: 15,
			Series: []Series{series(g.area)}, NoLate: noLate, Triggers: aorticTriggers(id, g.classes[0])})
	}
	return all
}

// Defaults is the precedence without settings: each class once.
func Defaults() []Protocol {
	var all []Protocol
	all = append(all, SVSAAA2018()...)
	all = append(all, SVSTEVAR2021()...)
	for _, p := range Label1612() {
		if has(p.Classes, "evar") {
			p.Classes = []string{"fenestrated-branched"}
			all = append(all, p)
		} else if has(p.Classes, "arch-branch") {
			all = append(all, p)
		}
	}
	all = append(all, ACCAHA2022Open()...)
	return append(all, SVSFollowUp2018()...)
}

// Shipped is every shipped protocol by id.
func Shipped(id string) []Protocol {
	switch id {
	case "svs-aaa-2018":
		return SVSAAA2018()
	case "svs-tevar-2021":
		return SVSTEVAR2021()
	case "svs-fu-2018":
		return SVSFollowUp2018()
	case "accaha-2022":
		return ACCAHA2022()
	case "accaha-2022-open":
		return ACCAHA2022Open()
	case "label-1-6-12":
		return Label1612()
	case "label-1-6-12-trial":
		return Label1612Trial()
	}
	return nil
}
