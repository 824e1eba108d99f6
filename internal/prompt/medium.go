package prompt

import "perennial/internal/chart"

// allergies lists what is on record about contrast medium. Shellfish and
// iodine on the skin are no contrast medium; they never come as far as this.
func (m *maker) allergies() {
	for i := range m.c.Allergies {
		a := &m.c.Allergies[i]
		if a.Over || !m.there(a.On) {
			continue
		}
		p := Prompt{Kind: Allergy, Level: Note, Source: "set here, after the ACR Manual on Contrast Media", Evidence: "DESIGN", Facts: []string{a.Ref}, On: a.On}
		what := "contrast medium"
		if a.Agent != "" {
			what = a.Agent + " contrast medium"
		}
		switch {
		case a.Agent == "gadolinium":
			p.Text = "An allergy to gadolinium contrast medium is on record: it matters for MR angiography, not for CT."
		case a.Severe:
			p.Level, p.Text = Flag, "A severe allergy to "+what+" is on record. The clinician may choose a CT without contrast together with a duplex, or MR angiography."
		default:
			p.Text = "An allergy to " + what + " is on record, not marked severe. Premedication by local policy."
		}
		m.put(p)
	}
}

// metformin says what to do about it; the two sources agree today, an older
// table does not.
func (m *maker) metformin(f filtration) {
	var now *chart.Medicine
	for i := range m.c.Medicines {
		d := &m.c.Medicines[i]
		if d.What == "metformin" && !d.Over && m.there(d.On) && (!d.To.Known() || d.To.Last >= m.asOf) {
			now = d
		}
	}
	if now == nil {
		return
	}
	p := Prompt{Kind: Metformin, Level: Note, Source: "ACR Manual on Contrast Media", Evidence: "MEM-H", Facts: append([]string{now.Ref}, f.facts...), On: now.On}
	switch {
	case !f.known || f.old:
		p.Level, p.Text = Unknown, "Takes metformin by the record, and no current kidney function is known. Below 30, or in acute kidney injury, it is stopped."
	case f.rate < 30:
		p.Level, p.Text = Flag, "Takes metformin by the record, and the eGFR is below 30: stop it at the time of the scan, and check the kidneys after 48 hours before it is taken again."
	case f.rate < 45:
		p.Text = "Takes metformin by the record; eGFR 30 to 44: it goes on. Older tables (ESUR 2011) stopped it for 48 hours here; ESUR version 10 no longer does."
	default:
		p.Level, p.Text = Fine, "Takes metformin by the record; eGFR 45 or more: it goes on."
	}
	m.put(p)
}
