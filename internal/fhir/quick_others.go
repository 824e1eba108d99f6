package fhir

func (q *quick) patientMember(name string, p *Patient, seen *uint32) {
	switch name {
	case "resourceType":
		q.set(&p.ResourceType)
	case "id":
		q.set(&p.ID)
	case "gender":
		q.set(&p.Gender)
	case "birthDate":
		q.set(&p.BirthDate)
	case "deceasedDateTime":
		q.set(&p.DeceasedDateTime)
	case "active":
		q.flag(&p.Active, &q.active)
	case "deceasedBoolean":
		q.flag(&p.DeceasedBoolean, &q.dead)
	case "meta":
		q.once(seen, memberMeta)
		q.meta(&p.Meta)
	case "identifier":
		q.once(seen, 1)
		list(q, &p.Identifier, &q.identifiers, (*quick).identifier)
	case "name":
		q.once(seen, 2)
		list(q, &p.Name, &q.names, (*quick).humanName)
	case "telecom":
		q.once(seen, 3)
		list(q, &p.Telecom, &q.contacts, (*quick).contactPoint)
	case "link", "_deceasedDateTime":
		q.ok = false
	default:
		q.skip()
	}
}

func (q *quick) humanName(n *HumanName) {
	q.take('{')
	for first := true; q.more('}', first); first = false {
		switch q.key() {
		case "use":
			q.set(&n.Use)
		case "text":
			q.set(&n.Text)
		case "family":
			q.set(&n.Family)
		case "given":
			q.ok = q.ok && len(n.Given) == 0
			list(q, &n.Given, &q.texts, (*quick).set)
		case "prefix", "suffix", "period":
			q.ok = false
		default:
			q.skip()
		}
	}
}

func (q *quick) contactPoint(c *ContactPoint) {
	q.take('{')
	for first := true; q.more('}', first); first = false {
		switch q.key() {
		case "system":
			q.set(&c.System)
		case "value":
			q.set(&c.Value)
		case "use":
			q.set(&c.Use)
		case "rank", "period":
			q.ok = false
		default:
			q.skip()
		}
	}
}

func (q *quick) procedureMember(name string, p *Procedure, seen *uint32) {
	switch name {
	case "resourceType":
		q.set(&p.ResourceType)
	case "id":
		q.set(&p.ID)
	case "status":
		q.set(&p.Status)
	case "performedDateTime":
		q.set(&p.PerformedDateTime)
	case "meta":
		q.once(seen, memberMeta)
		q.meta(&p.Meta)
	case "identifier":
		q.once(seen, 1)
		list(q, &p.Identifier, &q.identifiers, (*quick).identifier)
	case "category":
		q.once(seen, 2)
		q.concept(&p.Category)
	case "code":
		q.once(seen, 3)
		q.concept(&p.Code)
	case "subject":
		q.once(seen, 4)
		q.reference(&p.Subject)
	case "performer":
		q.once(seen, 5)
		list(q, &p.Performer, &q.performers, (*quick).performer)
	case "location":
		q.once(seen, 6)
		q.reference(&p.Location)
	default:
		q.procedureMore(name, p, seen)
	}
}

// procedureMore is procedureMember for what was found and used.
func (q *quick) procedureMore(name string, p *Procedure, seen *uint32) {
	switch name {
	case "reasonCode":
		q.once(seen, 7)
		list(q, &p.ReasonCode, &q.concepts, (*quick).concept)
	case "bodySite":
		q.once(seen, 8)
		list(q, &p.BodySite, &q.concepts, (*quick).concept)
	case "outcome":
		q.once(seen, 9)
		q.concept(&p.Outcome)
	case "report":
		q.once(seen, 10)
		list(q, &p.Report, &q.references, (*quick).reference)
	case "usedReference":
		q.once(seen, 11)
		list(q, &p.UsedReference, &q.references, (*quick).reference)
	case "focalDevice":
		q.once(seen, 12)
		list(q, &p.FocalDevice, &q.focal, (*quick).focalDevice)
	case "performedPeriod":
		q.once(seen, 13)
		q.performed = Period{}
		p.PerformedPeriod = &q.performed
		q.period(p.PerformedPeriod)
	case "contained", "basedOn", "partOf", "statusReason", "reasonReference", "usedCode", "_performedDateTime", "performedString",
		"performedAge", "performedRange", "occurrenceDateTime", "occurrencePeriod":
		q.ok = false
	default:
		q.skip()
	}
}

func (q *quick) performer(p *Performer) {
	var seen uint32
	q.take('{')
	for first := true; q.more('}', first); first = false {
		switch q.key() {
		case "function":
			q.once(&seen, 0)
			q.concept(&p.Function)
		case "actor":
			q.once(&seen, 1)
			q.reference(&p.Actor)
		case "onBehalfOf":
			q.once(&seen, 2)
			q.reference(&p.OnBehalfOf)
		default:
			q.skip()
		}
	}
}

func (q *quick) focalDevice(d *FocalDevice) {
	var seen uint32
	q.take('{')
	for first := true; q.more('}', first); first = false {
		switch q.key() {
		case "action":
			q.once(&seen, 0)
			q.concept(&d.Action)
		case "manipulated":
			q.once(&seen, 1)
			q.reference(&d.Manipulated)
		default:
			q.skip()
		}
	}
}
