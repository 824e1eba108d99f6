package webhook

import (
	"bytes"
	"encoding/json"
	"errors"
	"strconv"
	"strings"
)

// kind is what a notification is about.
type kind uint8

const (
	event     kind = iota // something changed; also whatever is not known to be something else
	handshake             // the Subscription begins
	heartbeat             // the server is there
)

// notification is what is read of one.
type notification struct {
	kind    kind
	subject string  // the Subscription, to count by
	total   int64   // events since it began; -1: it does not say
	events  []int64 // numbers of those that it tells of
	trouble bool    // the Subscription is in error or off
}

// errBody is what is wrong with a body. It says nothing of it.
var errBody = errors.New("a FHIR resource as JSON, or nothing, is expected")

// read reads what kind of notification a body is. An empty one and any resource that is no notification of a topic is
// that of R4: something changed.
func read(body []byte) (notification, error) {
	n := notification{total: -1}
	body = bytes.TrimPrefix(bytes.TrimSpace(body), []byte("\xef\xbb\xbf"))
	if len(body) == 0 {
		return n, nil
	}
	var b struct {
		ResourceType, Type string
		Entry              []struct{ Resource json.RawMessage }
	}
	if json.Unmarshal(body, &b) != nil || b.ResourceType == "" {
		return n, errBody
	}
	if b.ResourceType != "Bundle" || b.Type != "history" && b.Type != "subscription-notification" || len(b.Entry) == 0 {
		return n, nil
	}
	var s status
	if json.Unmarshal(b.Entry[0].Resource, &s) == nil {
		s.tell(&n)
	}
	return n, nil
}

// status is the first entry of a notification: a SubscriptionStatus (R5, R4B), or a Parameters that stands for one (R4).
type status struct {
	ResourceType string
	Type, Status string
	Subscription struct{ Reference string }
	Total        number `json:"eventsSinceSubscriptionStart"`
	Event        []struct {
		Number number `json:"eventNumber"`
	} `json:"notificationEvent"`
	Parameter []parameter
}

type parameter struct {
	Name             string
	ValueCode        string
	ValueString      number
	ValueUnsignedInt number
	ValueInteger     number
	ValueInteger64   number
	ValueReference   struct{ Reference string }
	Part             []parameter
}

// number is a count that may be written as a text.
type number int64

// UnmarshalJSON reads either form; what is none is 0.
func (n *number) UnmarshalJSON(text []byte) error {
	v, err := strconv.ParseInt(strings.Trim(string(text), `"`), 10, 64)
	if err == nil && v > 0 {
		*n = number(v)
	}
	return nil
}

func (p *parameter) number() int64 {
	return int64(max(p.ValueString, p.ValueUnsignedInt, p.ValueInteger, p.ValueInteger64))
}

func (s *status) tell(n *notification) {
	if s.ResourceType == "Parameters" {
		s.fromParameters(n)
	} else if s.Total > 0 {
		n.total = int64(s.Total)
	}
	for _, e := range s.Event {
		n.events = append(n.events, int64(e.Number))
	}
	n.subject, n.trouble = s.Subscription.Reference, s.Status == "error" || s.Status == "off"
	switch s.Type {
	case "handshake":
		n.kind = handshake
	case "heartbeat":
		n.kind = heartbeat
	}
}

func (s *status) fromParameters(n *notification) {
	for _, p := range s.Parameter {
		switch p.Name {
		case "type":
			s.Type = p.ValueCode
		case "status":
			s.Status = p.ValueCode
		case "subscription":
			s.Subscription.Reference = p.ValueReference.Reference
		case "events-since-subscription-start":
			n.total = p.number()
		case "notification-event":
			for _, part := range p.Part {
				if part.Name == "event-number" {
					n.events = append(n.events, part.number())
				}
			}
		}
	}
}
