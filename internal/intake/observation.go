package intake

import (
	"math/big"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fhir"
)

// observation reads a finding about an implant, or a laboratory value that
// matters for contrast imaging. Others are not relevant.
func (in *input) observation(r *fhir.Observation) {
	in.of(r.Subject)
	lab, _, isLab := in.m.Book.Lab(in.coded(&r.Code))
	on := in.observed(r)
	in.doses(r, lab, on)
	if isLab {
		if !counts(r.Status) {
			in.s.Doses, in.s.Doubts = nil, nil
		} else if len(in.s.Doses) == 0 && len(in.s.Doubts) == 0 {
			in.lab(r, lab, on)
		}
		return
	}
	in.findings(r, on)
	if len(in.s.Findings) == 0 && len(in.s.Doubts) == 0 && len(in.s.Doses) == 0 {
		in.skip = true
	}
	if !counts(r.Status) {
		in.s.Findings, in.s.Doubts, in.s.Doses = nil, nil, nil
	}
}

// counts says whether an observation of a status says something: not those that
// are only registered, cancelled or of unknown status.
func counts(status string) bool {
	return status == "final" || status == "amended" || status == "corrected" || status == "preliminary"
}

// observed is when it was observed; when it was issued where that is all that
// was sent.
func (in *input) observed(r *fhir.Observation) day.Span {
	for _, text := range [2]string{r.EffectiveDateTime, r.EffectiveInstant} {
		if text != "" {
			return in.on(text)
		}
	}
	if on, _ := in.period(r.EffectivePeriod); on.Known() {
		return on
	}
	if len(r.DerivedFrom) > 0 || len(r.PartOf) > 0 {
		return day.Span{} // the study's own date is nearer
	}
	return in.on(r.Issued)
}

// findings reads the observation itself and its components.
func (in *input) findings(r *fhir.Observation, on day.Span) {
	study := studyOf(r)
	add := func(code *fhir.CodeableConcept, v *fhir.Value) bool {
		f, ok := in.finding(code, v, on)
		if !ok {
			return false
		}
		f.Source, f.On, f.Study, f.Site, f.Observer = in.src, on, study, said(&r.BodySite), observer(r)
		if m := methodOf(&r.Method); m != "" {
			f.Method = strings.TrimPrefix(f.Method+" "+m, " ")
		}
		in.s.Findings = append(in.s.Findings, f)
		return true
	}
	add(&r.Code, &r.Value)
	for i := range r.Component {
		c := &r.Component[i]
		add(&c.Code, &c.Value)
	}
}

// studyOf is the study that the observation was made on, where it says so.
func studyOf(r *fhir.Observation) string {
	for _, list := range [2][]fhir.Reference{r.DerivedFrom, r.PartOf} {
		for i := range list {
			ref := list[i].Parse()
			if ref.Type == "ImagingStudy" || ref.Type == "" && ref.Kind == fhir.URN {
				return ref.String()
			}
		}
	}
	return ""
}

// observer is who measured.
func observer(r *fhir.Observation) string {
	for i := range r.Performer {
		if p := &r.Performer[i]; p.Display != "" {
			return short(p.Display)
		} else if ref := plain(p); ref != "" {
			return ref
		}
	}
	return ""
}

// methodOf names the method of a measurement; different names are never
// compared.
func methodOf(c *fhir.CodeableConcept) string {
	name := c.Text
	if len(c.Coding) > 0 && c.Coding[0].Code != "" {
		name = c.Coding[0].Code
	}
	return strings.ReplaceAll(short(name), "/", " ")
}

// finding reads one code and its value. The code says what is observed, the
// value of which sort it is; a general code may leave both to the value.
func (in *input) finding(code *fhir.CodeableConcept, v *fhir.Value, on day.Span) (chart.Finding, bool) {
	cs, text := in.concept(code) // the name of what is observed is no free text
	f, _, ok := in.m.Book.Finding(cs, text)
	if (!ok || !aboutImplant(f.What)) && v.ValueCodeableConcept != nil {
		f, _, ok = in.m.Book.Finding(in.coded(v.ValueCodeableConcept), "")
		v = &fhir.Value{}
	}
	if !ok || !aboutImplant(f.What) {
		return chart.Finding{}, false
	}
	if f.Ask != "" {
		in.doubt("finding-text", f.Ask, on)
	}
	out := chart.Finding{What: string(f.What), Method: strings.ReplaceAll(f.Measure, "/", " "), Covers: coversOf(f.Where)}
	if f.What == codes.SacDiameter || v.ValueQuantity != nil {
		return out, in.measure(&out, v, on)
	}
	kind, ok := in.valued(f, v, on)
	out.Type = kind
	return out, ok
}

// valued is the type of a finding by its value. A value in a sentence decides
// nothing and is asked about.
func (in *input) valued(f codes.Finding, v *fhir.Value, on day.Span) (string, bool) {
	switch {
	case v.ValueBoolean != nil && !*v.ValueBoolean:
		f.Answer, f.Leak = codes.Absent, ""
		return typeOf(f), true
	case v.ValueBoolean != nil:
		return typeOf(f), true
	case v.ValueCodeableConcept != nil:
		return in.codedValue(f, v.ValueCodeableConcept, on)
	case v.ValueString != "":
		return in.wordedValue(f, v.ValueString, on)
	case !v.DataAbsentReason.IsZero():
		return "", false
	}
	return typeOf(f), true
}

// codedValue reads a coded value: a finding with its type, an answer, or plain
// words for either.
func (in *input) codedValue(f codes.Finding, c *fhir.CodeableConcept, on day.Span) (string, bool) {
	cs := in.coded(c)
	if g, _, ok := in.m.Book.Finding(cs, ""); ok && g.What == f.What {
		return typeOf(g), true
	}
	if a, _, ok := in.m.Book.Answer(cs, ""); ok {
		return answered(f, a), true
	}
	for i := range c.Coding {
		if t, ok := plainType(f, c.Coding[i].Code); ok {
			return t, true
		}
	}
	words := c.Text
	if words == "" && len(c.Coding) > 0 {
		words = c.Coding[0].Display
	}
	return in.wordedValue(f, words, on)
}

// answered is the type that an answer gives.
func answered(f codes.Finding, a codes.Answer) string {
	switch {
	case f.What == codes.Endoleak && a == codes.Absent:
		return string(codes.LeakNone)
	case a == codes.Present || f.What == codes.Endoleak:
		return typeOf(f)
	}
	return string(a)
}

// wordedValue reads a value that is nothing but its type ("II", "none"); other
// words decide nothing and raise a question.
func (in *input) wordedValue(f codes.Finding, words string, on day.Span) (string, bool) {
	if t, ok := plainType(f, words); ok {
		return t, true
	}
	in.doubt("finding-text", "The value of a coded finding ("+string(f.What)+") is text that no rule reads. Which type is it?", on)
	return "", false
}

func plainType(f codes.Finding, words string) (string, bool) {
	if f.What == codes.Endoleak {
		l, ok := codes.ParseLeak(words)
		return string(l), ok
	}
	a, ok := codes.ParseAnswer(words)
	if ok {
		return answered(f, a), true
	}
	return "", false
}

// measure reads a length in tenths of a millimetre, rounded to the nearest.
// Other units are refused with a question, and so is what no aorta has.
func (in *input) measure(f *chart.Finding, v *fhir.Value, on day.Span) bool {
	q := v.ValueQuantity
	refuse := func(why string) bool {
		in.doubt("other", "A measurement ("+f.What+") cannot be used: "+why+". What was measured?", on)
		return false
	}
	if q == nil || q.Value == "" {
		if v.ValueString != "" || v.ValueCodeableConcept != nil {
			return refuse("it is not a number with a unit")
		}
		return false // no value was sent: nothing is said
	}
	perUnit := unitInTenths(q)
	switch {
	case q.Comparator != "":
		return refuse("it is a limit (" + q.Comparator + "), not a value")
	case perUnit == 0:
		return refuse("its unit is not mm or cm")
	}
	tenths, ok := scaled(string(q.Value), perUnit, 1)
	if !ok || tenths < 0 || tenths > 3000 || tenths == 0 && f.What == string(codes.SacDiameter) {
		return refuse("the value cannot be right")
	}
	f.Tenths, f.Has = int(tenths), true
	if f.What != string(codes.SacDiameter) {
		f.Type = string(codes.Present)
	}
	return true
}

// unitInTenths is the unit in tenths of a millimetre; 0 where it is not mm or
// cm. A unit without a system is taken by its word.
func unitInTenths(q *fhir.Quantity) int64 {
	unit := q.Code
	if unit == "" {
		unit = strings.TrimSpace(q.Unit)
	}
	switch unit {
	case "mm":
		return 10
	case "cm":
		return 100
	}
	return 0
}

// scaled is the decimal times num/den, rounded to the nearest whole number,
// halves away from zero; exactly, without binary fractions.
func scaled(decimal string, num, den int64) (int64, bool) {
	if len(decimal) > 40 {
		return 0, false
	}
	if _, exp, ok := strings.Cut(strings.ToLower(decimal), "e"); ok && len(strings.TrimLeft(exp, "+-0")) > 2 {
		return 0, false
	}
	x, ok := new(big.Rat).SetString(decimal)
	if !ok {
		return 0, false
	}
	x.Mul(x, big.NewRat(num, den))
	half := big.NewRat(1, 2)
	if x.Sign() < 0 {
		half.Neg(half)
	}
	x.Add(x, half)
	whole := new(big.Int).Quo(x.Num(), x.Denom())
	return whole.Int64(), whole.IsInt64()
}

// lab reads a creatinine in mg/dL or an eGFR, in ten-thousandths of the unit.
// A limit (">60") is taken as its value only where that is the careful side.
func (in *input) lab(r *fhir.Observation, what codes.Lab, on day.Span) {
	q := r.ValueQuantity
	if q == nil || q.Value == "" || !carefulSide(what.What, q.Comparator) {
		return
	}
	num, den := labUnit(what, q)
	value, ok := scaled(string(q.Value), num, den)
	if num == 0 || !ok || value <= 0 {
		if num == 0 {
			in.doubt("other", "A laboratory value ("+what.What+") has a unit that no rule reads. What was measured?", on)
		}
		return
	}
	in.s.Lab = &chart.Lab{Source: in.src, What: what.What, Value: value, On: on, Equation: what.Equation}
}

// carefulSide says whether a value with a comparator may stand for the limit
// itself: the kidneys then seem at most as good as they are.
func carefulSide(what, comparator string) bool {
	switch comparator {
	case "":
		return true
	case ">", ">=":
		return what == "egfr"
	case "<", "<=":
		return what == "creatinine"
	}
	return false
}

// labUnit is how many ten-thousandths of our unit one of the value's units is,
// as a fraction; zero where the unit is not known. 1 mg/dL of creatinine is
// 88.4 umol/L (molar mass 113.12 g/mol).
func labUnit(what codes.Lab, q *fhir.Quantity) (num, den int64) {
	unit := q.Code
	if unit == "" {
		unit = q.Unit
	}
	if unit == "" {
		unit = what.Unit
	}
	unit = strings.ToLower(strings.ReplaceAll(unit, " ", ""))
	switch {
	case what.What == "creatinine" && unit == "mg/dl":
		return 10000, 1
	case what.What == "creatinine" && (unit == "umol/l" || unit == "µmol/l" || unit == "μmol/l"):
		return 100000, 884
	case what.What == "egfr" && strings.HasPrefix(unit, "ml/min"):
		return 10000, 1
	}
	return 0, 1
}
