package assess

import (
	"strconv"
	"unicode/utf8"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
)

// object writes the members of a JSON object in order; what is absent is left
// out by who calls.
type object struct {
	b     []byte
	first bool
}

func open(b []byte) object { return object{append(b, '{'), true} }

func (o *object) close() []byte { return append(o.b, '}') }

// key starts a member.
func (o *object) key(name string) {
	if !o.first {
		o.b = append(o.b, ',')
	}
	o.first = false
	o.b = append(o.b, '"')
	o.b = append(append(o.b, name...), `":`...)
}

// text writes a member that is not empty.
func (o *object) text(name, v string) {
	if v != "" {
		o.key(name)
		o.b = appendString(o.b, v)
	}
}

func (o *object) day(name string, d day.Day) {
	if d > 0 {
		o.key(name)
		o.b = append(d.Append(append(o.b, '"')), '"')
	}
}

// span writes the first day, and under the name with To the last where it is
// another.
func (o *object) span(name string, s day.Span) {
	if o.day(name, s.First); s.Known() && s.Last != s.First {
		o.day(name+"To", s.Last)
	}
}

func (o *object) bool(name string, v bool) {
	o.key(name)
	o.b = strconv.AppendBool(o.b, v)
}

func (o *object) texts(name string, list []string) {
	if len(list) == 0 {
		return
	}
	o.key(name)
	o.b = append(o.b, '[')
	for i, s := range list {
		if i > 0 {
			o.b = append(o.b, ',')
		}
		o.b = appendString(o.b, s)
	}
	o.b = append(o.b, ']')
}

// each writes a list of objects that is not empty.
func each[T any](o *object, name string, list []T, item func([]byte, *T) []byte) {
	if len(list) == 0 {
		return
	}
	o.key(name)
	o.b = append(o.b, '[')
	for i := range list {
		if i > 0 {
			o.b = append(o.b, ',')
		}
		o.b = item(o.b, &list[i])
	}
	o.b = append(o.b, ']')
}

// appendString writes a JSON string.
func appendString(b []byte, s string) []byte {
	const hex = "0123456789abcdef"
	b = append(b, '"')
	for i := 0; i < len(s); {
		c := s[i]
		if c >= utf8.RuneSelf {
			r, n := utf8.DecodeRuneInString(s[i:])
			b = utf8.AppendRune(b, r) // what is no UTF-8 becomes U+FFFD
			i += n
			continue
		}
		switch {
		case c == '"', c == '\\':
			b = append(b, '\\', c)
		case c == '\n':
			b = append(b, '\\', 'n')
		case c == '\t':
			b = append(b, '\\', 't')
		case c < ' ' || c == 0x7f:
			b = append(b, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
		default:
			b = append(b, c)
		}
		i++
	}
	return append(b, '"')
}

// PlanJSON is a patient as assess writes them: one object on one line.
func PlanJSON(p *surveil.Plan) []byte { return appendPlan(nil, p) }

// appendPlan writes a patient on one line.
func appendPlan(b []byte, p *surveil.Plan) []byte {
	o := open(b)
	o.text("patient", p.Patient)
	o.texts("identifiers", p.Identifiers)
	o.text("surveillance", string(p.Surveillance))
	if p.Surveillance == surveil.StateEnded {
		o.text("ended", string(p.Ended))
	}
	if p.Surveillance == surveil.StateActive {
		o.text("followUp", string(p.FollowUp))
		o.bool("imagingGap", p.ImagingGap)
	}
	o.day("lastSeen", p.LastSeen)
	o.day("wake", p.Wake)
	each(&o, "implants", p.Implants, appendImplant)
	each(&o, "work", p.Work, appendWork)
	each(&o, "scans", p.Scans, appendScan)
	each(&o, "questions", p.Questions, appendQuestion)
	return append(o.close(), '\n')
}

func appendImplant(b []byte, m *surveil.Implant) []byte {
	o := open(b)
	o.text("id", m.ID)
	o.text("class", m.Class)
	o.span("index", m.Index)
	o.span("clock", m.Clock)
	o.text("protocol", m.Protocol)
	each(&o, "devices", m.Devices, appendDevice)
	each(&o, "visits", m.Visits, appendVisit)
	if m.Next >= 0 && m.Next < len(m.Visits) && m.Ended == "" {
		v := &m.Visits[m.Next]
		o.key("next")
		n := open(o.b)
		n.text("step", v.Step)
		n.window(v)
		o.b = n.close()
	}
	return o.close()
}

func (o *object) window(v *surveil.Visit) {
	o.span("target", v.Target)
	o.span("opens", v.Opens)
	o.span("closes", v.Closes)
}

// appendDevice writes what identifies a device; one without any of it is an
// empty object.
func appendDevice(b []byte, d *chart.Device) []byte {
	o := open(b)
	o.text("udiDi", d.UDI)
	o.text("lot", d.Lot)
	o.text("serial", d.Serial)
	return o.close()
}

func appendVisit(b []byte, v *surveil.Visit) []byte {
	o := open(b)
	o.text("step", v.Step)
	o.key("n")
	o.b = strconv.AppendInt(o.b, int64(v.N), 10)
	o.window(v)
	o.text("standing", string(v.Standing))
	o.text("timing", v.Timing)
	o.text("study", v.Study)
	o.span("studyDate", v.StudyDate)
	o.text("result", v.Result)
	if k := v.Booking; k != nil {
		o.key("booking")
		n := open(o.b)
		n.text("appointment", k.Appointment)
		n.day("date", k.Date)
		n.bool("inWindow", k.InWindow)
		o.b = n.close()
	}
	each(&o, "why", v.Why, appendReason)
	return o.close()
}

func appendReason(b []byte, r *surveil.Reason) []byte {
	o := open(b)
	o.text("rule", r.Rule)
	o.text("text", r.Text())
	o.texts("facts", r.Facts)
	o.text("cite", r.Cite)
	return o.close()
}

func appendWork(b []byte, w *surveil.Work) []byte {
	o := open(b)
	o.text("key", w.Key)
	o.text("kind", w.Kind)
	o.text("urgency", w.Urgency)
	o.day("from", w.From)
	o.day("by", w.By)
	o.text("text", workText(w))
	each(&o, "why", w.Why, appendReason)
	return o.close()
}

func appendScan(b []byte, s *surveil.Scan) []byte {
	o := open(b)
	o.day("from", s.From)
	o.day("to", s.To)
	o.texts("serves", s.Serves)
	return o.close()
}

// workText says what is to be done, and why.
func workText(w *surveil.Work) string {
	text := workTitle(w.Kind)
	for i := range w.Why {
		text += " " + w.Why[i].Text()
	}
	return text
}

func workTitle(kind string) string {
	switch kind {
	case surveil.WorkArrange:
		return "Arrange imaging."
	case surveil.WorkChase:
		return "Chase overdue imaging."
	case surveil.WorkTrace:
		return "Trace the patient."
	case surveil.WorkObtain:
		return "Obtain the study from outside."
	case surveil.WorkReport:
		return "Chase the report."
	case surveil.WorkReview:
		return "Review the result."
	case surveil.WorkKidney:
		return "Check kidney function."
	case surveil.WorkQuestion:
		return "Answer the question."
	}
	return kind
}

func appendQuestion(b []byte, q *surveil.Question) []byte {
	o := open(b)
	o.text("key", q.Key)
	o.text("kind", q.Kind)
	o.text("about", q.About)
	o.text("text", q.Why.Text())
	return o.close()
}
