package settings

import (
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/yamldoc"
)

// studies reads the studies that the site reports to.
func (p parser) studies(top *yamldoc.Section, s *Settings) {
	for _, item := range top.Maps("studies") {
		one := Study{Study: need(item, "study"), Name: need(item, "name"), Protocol: need(item, "protocol"), Care: item.Bool("care", false)}
		item.Done()
		if one.Study != "" && !strings.ContainsAny(one.Study, "/|") {
			item.Report("study", "a reference (ResearchStudy/x) or an identifier (system|value) is expected here, not %q", cut(one.Study))
		}
		for _, before := range s.Studies {
			switch {
			case one.Study != "" && before.Study == one.Study:
				item.Report("study", "%s stands here twice", cut(one.Study))
			case one.Name != "" && before.Name == one.Name:
				item.Report("name", "another study has the name %q", cut(one.Name))
			}
		}
		s.Studies = append(s.Studies, one)
	}
}

// labelling reads which devices are followed as their labelling says.
func (p parser) labelling(top *yamldoc.Section, s *Settings) {
	var seen []string
	for _, item := range top.Maps("labelling") {
		one := Label{Devices: item.Texts("devices"), Protocol: need(item, "protocol")}
		item.Done()
		if len(one.Devices) == 0 {
			item.Report("devices", "is missing; a list of device identifiers is expected")
		}
		for _, d := range one.Devices {
			form := chart.MarkForm(chart.MarkModel, d)
			switch {
			case form == "":
				item.Report("devices", "%q is no device identifier", cut(d))
			case slices.Contains(seen, form):
				item.Report("devices", "the device %s stands here twice", cut(d))
			}
			seen = append(seen, form)
		}
		s.Labels = append(s.Labels, one)
	}
}

// scope prints both.
func (p printer) scope(s Settings) {
	if len(s.Studies) > 0 {
		p.head("studies")
	}
	for _, one := range s.Studies {
		p.text(2, "- study", one.Study)
		p.text(4, "name", one.Name)
		p.text(4, "protocol", one.Protocol)
		p.raw(4, "care", yesNo(one.Care))
	}
	if len(s.Labels) > 0 {
		p.head("labelling")
	}
	for _, one := range s.Labels {
		var devices []string
		for _, d := range one.Devices {
			devices = append(devices, quote(d))
		}
		p.raw(2, "- devices", "["+strings.Join(devices, ", ")+"]")
		p.text(4, "protocol", one.Protocol)
	}
}
