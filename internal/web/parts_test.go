package web_test

import (
	"strings"
	"testing"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/surveil"
	"perennial/internal/web"
)

// The devices of a graft: the main body first, with what its label says, and
// what a recall could not find.
func TestDevicesOnThePatientPage(t *testing.T) {
	t.Parallel()
	zone := "aorta-abdominal"
	part := func(id, part string) chart.Device {
		return chart.Device{Source: chart.Source{Ref: "Device/" + id}, Class: "evar", Zone: zone, IsImplant: true, Name: "Invented " + id, Part: part}
	}
	limb, cuff, main := part("a-limb", "limb, left"), part("b-cuff", "cuff"), part("c-main", "main body")
	main.UDI, main.Issuer, main.Lot, main.Serial, main.Odd = "00844588003288", "gs1", "7654321D", "S-1", "the check digit of the GTIN is wrong"
	main.Made, main.Expiry = day.On(day.Of(2017, 5, 4)), day.On(day.Of(2019, 2, 13))
	limb.Lot, limb.Expiry = "L-2", day.On(day.Of(2019, 2, 14)) // good on the day itself
	index := operation("evar", day.Of(2019, 2, 14), chart.RoleImplant, "evar")
	index.Devices = []string{"Device/a-limb", "Device/c-main"}
	later := operation("later", day.Of(2020, 3, 4), chart.RoleRelining, "evar")
	later.Devices, cuff.Expiry = []string{"Device/b-cuff"}, day.On(day.Of(2020, 3, 3)) // after the first operation, before its own
	c := &chart.Chart{Patient: "d", Operations: []chart.Operation{index, later}, Devices: []chart.Device{limb, cuff, main}}
	bare := &chart.Chart{Patient: "e", Operations: []chart.Operation{operation("bare", day.Of(2019, 2, 14), chart.RoleImplant, "evar")}}
	w := &ward{patients: map[string]web.Patient{}}
	for _, c := range []*chart.Chart{c, bare} {
		plan := surveil.Evaluate(c, rules(), today())
		w.patients[c.Patient] = web.Patient{Plan: &plan, Chart: c}
	}
	_, text := page(t, server(t, w), "/patients/d")
	at := strings.Index(text, "<h3>Devices</h3>")
	if at < 0 {
		t.Fatal("no devices")
	}
	list, _, _ := strings.Cut(text[at:], "</ul>")
	items := strings.Split(list, "<li>")[1:]
	want := [][]string{
		{"<strong>main body</strong>", "Invented c-main", "<code>00844588003288</code> (gs1)", "lot <bdi>7654321D</bdi>", "serial <bdi>S-1</bdi>", "made 4 May 2017", "expiry 13 Feb 2019", "expired at implant", "label: the check digit of the GTIN is wrong"},
		{"<strong>limb, left</strong>", "lot <bdi>L-2</bdi>", "expiry 14 Feb 2019"},
		{"<strong>cuff</strong>", "expired at implant", "a recall cannot find it"},
	}
	if len(items) != len(want) {
		t.Fatalf("%d devices", len(items))
	}
	for i, words := range want {
		for _, word := range words {
			if !strings.Contains(items[i], word) {
				t.Errorf("device %d does not say %q: %s", i, word, items[i])
			}
		}
	}
	if strings.Contains(items[1], "expired") || strings.Contains(items[1], "cannot find") {
		t.Errorf("the limb was good: %s", items[1])
	}
	if _, text = page(t, server(t, w), "/patients/e"); !strings.Contains(text, "No device is on record: a recall cannot find this implant.") {
		t.Error("an implant without a device says nothing")
	}
}
