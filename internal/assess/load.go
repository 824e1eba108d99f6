package assess

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/yamldoc"
)

func quote(s string) string { return strconv.Quote(s) }

// zoneOf finds a time zone by its IANA name.
func zoneOf(name string) (*time.Location, error) {
	if name == "" {
		return time.UTC, nil
	}
	zone, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		return nil, usage("the time zone "+quote(name)+" does not exist", "Give the IANA name of the site's zone, for example --zone America/Chicago or --zone Europe/Vienna.")
	}
	return zone, nil
}

// asOfDay reads the as-of date. Before 1990 no stent-graft was in use (the
// first reports are of 1990 and 1991), so that an earlier date is a slip.
func asOfDay(text string, now time.Time, zone *time.Location) (day.Day, error) {
	if text == "" {
		y, m, d := now.In(zone).Date()
		return day.Of(y, int(m), d), nil
	}
	on, err := day.ParseDate(text)
	hint := "Give --as-of as YYYY-MM-DD, from 1990-01-01 to 2199-12-31; without it today is taken."
	switch {
	case err != nil || !on.Exact():
		return 0, usage("the as-of date "+quote(text)+" is no date", hint)
	case on.First < day.Of(1990, 1, 1):
		return 0, usage("the as-of date "+text+" lies before there were any such implants", hint)
	case on.First > day.Of(2199, 12, 31):
		return 0, usage("the as-of date "+text+" lies too far ahead", hint)
	}
	return on.First, nil
}

// knownAt reads the known-at time in milliseconds since 1970; zero where none
// was given.
func knownAt(text string, zone *time.Location) (int64, error) {
	if text == "" {
		return 0, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil && t.UnixMilli() > 0 {
		return t.UnixMilli(), nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil && t.UnixMilli() > 0 {
		return t.AddDate(0, 0, 1).UnixMilli() - 1, nil
	}
	return 0, usage("the known-at time "+quote(text)+" is no time", "Give --known-at as 2026-03-31T17:00:00Z or as a date, which means the end of that day.")
}

// loadCodes loads the code book with the site's own maps.
func loadCodes(shipped fs.FS, files []string) (*codes.Book, error) {
	var site []codes.Document
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			return nil, usage("the code map "+name+" cannot be read: "+reason(err), "Check the name after --codes and the rights of the file.")
		}
		site = append(site, codes.Document{Name: name, Data: data})
	}
	book, problems := codes.Load(shipped, site...)
	if len(problems) > 0 {
		return nil, badDocuments("the code map has mistakes", problems)
	}
	return book, nil
}

// badDocuments tells all mistakes of documents at once.
func badDocuments(what string, problems []yamldoc.Problem) error {
	return fault.New(fault.Invalid, "", "Correct the lines named above and try again.", fmt.Errorf("%s:\n%w", what, yamldoc.Problems(problems)))
}

// loadRules loads the shipped protocols and those given, and settles which is
// for which class.
func loadRules(o *Options, settings surveil.Settings) (*surveil.Rules, error) {
	sub, err := fs.Sub(o.Shipped, "protocols")
	if err != nil {
		return nil, fault.Wrap("reading the shipped protocols", err)
	}
	set, problems := protocol.Load(sub)
	if len(problems) > 0 {
		return nil, badDocuments("a shipped protocol has mistakes", problems)
	}
	var chosen []surveil.InForce
	for _, name := range o.Protocols {
		p, err := findProtocol(set, name)
		if err != nil {
			return nil, err
		}
		for _, c := range chosen {
			if class := shared(c.Protocol, p); class != "" {
				return nil, usage("two protocols for the class "+class+": "+c.Protocol.ID+" and "+p.ID, "Give --protocol once for each class.")
			}
		}
		chosen = append(chosen, surveil.InForce{Protocol: p, Chosen: "command line"})
		set[p.ID] = p
	}
	rules := &surveil.Rules{Care: surveil.CareFrom(set, chosen), All: protocolSet(set), Settings: settings}
	if err := addSite(set, rules, o.Site, chosen); err != nil {
		return nil, err
	}
	return rules, addScope(o, set, rules)
}

// findProtocol finds a protocol by its id, else reads the file.
func findProtocol(set protocol.Set, name string) (*protocol.Protocol, error) {
	if p := set[name]; p != nil {
		return p, nil
	}
	doc, err := os.ReadFile(name)
	if err != nil {
		return nil, usage("the protocol "+quote(name)+" is neither known nor a file that can be read", "Known are "+strings.Join(set.IDs(), ", ")+".")
	}
	p, problems := protocol.Parse(name, doc)
	if len(problems) > 0 || p == nil {
		return nil, badDocuments("the protocol "+name+" has mistakes", problems)
	}
	return p, nil
}

// shared is a class that both protocols are for; empty where there is none.
func shared(a, b *protocol.Protocol) string {
	for _, class := range a.Classes {
		if b.For(class) {
			return class
		}
	}
	return ""
}

// readRulings reads a file of rulings by patient. A line that is wrong is an
// error: a ruling that is left out could end or restart somebody's
// surveillance.
func readRulings(name string) (map[string][]chart.Ruling, error) {
	if name == "" {
		return nil, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, usage("the rulings "+name+" cannot be read: "+reason(err), "Check the name after --rulings and the rights of the file.")
	}
	defer f.Close()
	all := map[string][]chart.Ruling{}
	ids := map[string]int{}
	lines := bufio.NewScanner(f)
	lines.Buffer(make([]byte, 0, 64<<10), 1<<20)
	n := 0
	for n = 1; lines.Scan(); n++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		r, why := readRuling(line)
		if why == "" && ids[r.ID] > 0 {
			why = "its id is that of line " + strconv.Itoa(ids[r.ID])
		}
		if why != "" {
			return nil, usage(fmt.Sprintf("%s:%d: this ruling cannot be used: %s", name, n, why), "Give rulings as they are exported, one JSON object a line.")
		}
		ids[r.ID] = n
		all[r.Patient] = append(all[r.Patient], r)
	}
	if err := lines.Err(); err != nil {
		return nil, usage(fmt.Sprintf("%s:%d: the rulings cannot be read: %s", name, n, reason(err)), "Give rulings as they are exported, one JSON object a line.")
	}
	return all, nil
}

// readRuling reads one ruling, and says what is wrong with it.
func readRuling(line []byte) (chart.Ruling, string) {
	var r chart.Ruling
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return r, err.Error()
	}
	if _, err := d.Token(); err != io.EOF {
		return r, "something follows it on its line"
	}
	switch {
	case r.ID == "", r.Patient == "":
		return r, "id or patient is missing"
	case !slices.Contains(chart.RulingKinds(), r.Kind):
		return r, "its kind " + quote(string(r.Kind)) + " is not known"
	case r.Who == "" || r.When == "" || r.Why == "":
		return r, "who, when or why is missing"
	}
	if _, err := time.Parse(time.RFC3339, r.When); err != nil {
		return r, "when is not a time like 2026-03-31T17:00:00Z"
	}
	return r, r.Problem()
}
