package surveil

// Trace is what Same compares.
func (p *Plan) Trace() []byte { return p.trace(nil) }
