package assess_test

import (
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/assess"
	"perennial/internal/fault"
	"perennial/internal/surveil"
)

// Studies and labelling become rules; a protocol that cannot be used is an error
// that says whose it is.
func TestScopeOfTheSettings(t *testing.T) {
	t.Parallel()
	good := assess.SiteStudy{Study: "urn:x|1", Name: "Harbour", Protocol: "label-1-6-12-trial", Care: true}
	prepare := func(s assess.SiteStudy, label string) (*surveil.Rules, error) {
		w, err := assess.Prepare(assess.Options{Shipped: config.Files, Studies: []assess.SiteStudy{s}, Labels: []assess.SiteLabel{{Devices: []string{"9990000000012", "H123"}, Protocol: label}}})
		return w.Rules, err
	}
	r, err := prepare(good, "label-1-6-12")
	if err != nil || len(r.Studies) != 1 || len(r.StudyCare) != 1 || r.Studies[0].Bins == nil || r.Studies[0].Bins.ID != "registry-ltfu-v1" || len(r.Labels) != 2 || r.Labels[0].Device != "09990000000012" {
		t.Errorf("%+v, %v", r, err)
	}
	reported := good
	reported.Care = false
	if r, err = prepare(reported, "label-1-6-12"); err != nil || len(r.Studies) != 1 || len(r.StudyCare) != 0 {
		t.Errorf("%+v, %v", r, err)
	}
	unknown := good
	unknown.Protocol = "label-1-6"
	for _, c := range []struct {
		study assess.SiteStudy
		label string
		want  string
	}{
		{unknown, "label-1-6-12", `the study Harbour: the protocol "label-1-6" is neither known nor a file that can be read`},
		{good, "none-such", `the labelling of 9990000000012, H123: the protocol "none-such" is neither known`},
		{good, "esvs-aaa-2019-low", "the protocol esvs-aaa-2019-low is never for everybody with a device"},
	} {
		_, err := prepare(c.study, c.label)
		if err == nil || !strings.Contains(err.Error(), c.want) || fault.KindOf(err) != fault.Invalid || fault.HintOf(err) == "" {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
}
