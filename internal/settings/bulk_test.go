package settings_test

import (
	"bytes"
	"reflect"
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/settings"
)

// How a server is exported: what stands there holds, and is printed so that it is read back.
func TestBulk(t *testing.T) {
	t.Parallel()
	doc := minimal + `sources:
  bulk:
    url: https://fhir.example.org/r4
    smart: {client-id: perennial, key-file: key.pem}
    ca: hospital.pem
    group: vascular-implants
    type-filter: ["Procedure?status=completed", "Observation?code=a%2Cb"]
    output-format: application/fhir+ndjson
    aliases: [fhir.inside.example]
    file-hosts: ["https://Files.example.org/"]
    every-hours: 6
    limit-hours: 3
    reconcile-days: 0
    counts: ignore
`
	s, err := settings.Parse("x", []byte(doc))
	got := s.Sources.Bulk
	if err != nil || got.Rest.Login() != "smart" || got.Rest.CA != "hospital.pem" {
		t.Fatalf("%+v %v", got, err)
	}
	got.Rest = settings.Rest{}
	want := settings.Bulk{Level: settings.LevelGroup, Group: "vascular-implants", Filters: []string{"Procedure?status=completed", "Observation?code=a%2Cb"},
		Format: "application/fhir+ndjson", Aliases: []string{"fhir.inside.example"}, FileHosts: []string{"https://files.example.org"}, Every: 6, Limit: 3}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v", got)
	}
	var out bytes.Buffer
	if err := s.Print(&out); err != nil {
		t.Fatal(err)
	}
	if again, err := settings.Parse("x", out.Bytes()); err != nil || !reflect.DeepEqual(again, s) {
		t.Errorf("%+v %v\n%s", again, err, out.String())
	}
	if at := s.In("/site").Sources.Bulk.Rest; at.CA != "/site/hospital.pem" || at.Smart.Key.File != "/site/key.pem" {
		t.Errorf("%+v", at)
	}
	if d := settings.Default().Sources.Bulk; d.Level != settings.LevelPatient || d.Every != 24 || d.Limit != 24 || d.Reconcile != 7 || !d.Counts {
		t.Errorf("%+v", d)
	}
}

// The sample's remark can be used as it stands there.
func TestBulkSample(t *testing.T) {
	t.Parallel()
	sample, err := config.Files.ReadFile("settings/sample.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, block, _ := strings.Cut(string(sample), "# bulk:")
	block, _, _ = strings.Cut(block, "\n\n")
	doc := minimal + "sources:\n  bulk:"
	for line := range strings.Lines(block) {
		doc += strings.Replace(strings.Replace(line, "#   ", "    ", 1), "# webhook", "  webhook", 1)
	}
	s, err := settings.Parse("sample", []byte(doc))
	if err != nil {
		t.Fatalf("%v\n%s", err, doc)
	}
	if w := s.Sources.Hook; w != (settings.Webhook{Listen: "127.0.0.1:8421", Secret: settings.Secret{File: "hook-secret"}, Header: "Authorization",
		Certificate: settings.Certificate{File: "hook.pem", Key: settings.Secret{File: "hook-key.pem"}}, ClientCA: "hospital.pem"}) {
		t.Errorf("%+v", w)
	}
	var out bytes.Buffer
	if err := s.Print(&out); err != nil {
		t.Fatal(err)
	}
	if again, err := settings.Parse("x", out.Bytes()); err != nil || !reflect.DeepEqual(again, s) {
		t.Errorf("%+v %v\n%s", again, err, out.String())
	}
	if at := s.In("/site").Sources.Hook; at.Secret.File != "/site/hook-secret" || at.Certificate.File != "/site/hook.pem" || at.ClientCA != "/site/hospital.pem" || at.Certificate.Key.File != "/site/hook-key.pem" {
		t.Errorf("%+v", at)
	}
	b, d := s.Sources.Bulk, settings.Default().Sources.Bulk
	if b.Rest.URL == "" || b.Level != settings.LevelGroup || len(b.Filters) != 1 || len(b.FileHosts) != 1 || b.Every != d.Every || b.Limit != d.Limit || b.Reconcile != d.Reconcile || b.Counts != d.Counts {
		t.Errorf("%+v", b)
	}
}
