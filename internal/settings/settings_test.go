package settings_test

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/settings"
	"perennial/internal/surveil"
)

const folder = "../../testdata/settings"

// minimal is the least that a document must say.
const minimal = "site: {name: Example Harbour, zone: Europe/Lisbon}\n"

// One file for each mistake, with all that is said about it.
func TestMistakes(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for name, want := range mistakes() {
		seen[name+".yaml"] = true
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			doc, err := os.ReadFile(filepath.Join(folder, name+".yaml"))
			if err != nil {
				t.Fatal(err)
			}
			_, err = settings.Parse(name+".yaml", doc)
			if err == nil {
				t.Fatal("no problem was found")
			}
			if fault.KindOf(err) != fault.Invalid || fault.HintOf(err) == "" {
				t.Errorf("kind %v, hint %q", fault.KindOf(err), fault.HintOf(err))
			}
			if got := strings.Split(err.Error(), "\n"); !reflect.DeepEqual(got, want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
			if strings.Contains(err.Error()+fault.HintOf(err), "NotForPrinting7") {
				t.Error("a secret is repeated")
			}
		})
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !seen[f.Name()] {
			t.Errorf("%s: no test says what is wrong with it", f.Name())
		}
	}
}

// The sample says what a site would, and shows every number with its default.
func TestSample(t *testing.T) {
	t.Parallel()
	doc, err := config.Files.ReadFile("settings/sample.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := settings.Parse("sample.yaml", doc)
	if err != nil {
		t.Fatal(err)
	}
	want := settings.Default()
	if s.Numbers != want.Numbers || s.Times != want.Times || s.Store != want.Store || s.Out.Mode != want.Out.Mode || s.Listen != want.Listen || s.Digest != want.Digest {
		t.Errorf("the sample shows other values than the defaults: %+v", s)
	}
	if s.Site.Name == "" || len(s.Care) != 2 || len(s.Studies) != 1 || s.Studies[0].Care || len(s.Labels) != 1 || len(s.Labels[0].Devices) != 2 || s.Care[1].From != day.Of(2022, 1, 1) || len(s.Mail.Recipients) != 2 || s.Sources.Folder != "inbox" {
		t.Errorf("the sample was not read whole: %+v", s)
	}
	text := string(doc)
	for _, key := range []string{"lead-days", "feed-stale-days", "kidney-threshold", "accept-reports"} {
		if !strings.Contains(text, key) {
			t.Errorf("the sample does not show %s", key)
		}
	}
}

// The numbers are those of the engine, by name and by value.
func TestNumbersAreTheEngines(t *testing.T) {
	t.Parallel()
	ours, theirs := reflect.ValueOf(settings.Default().Numbers), reflect.ValueOf(surveil.Defaults())
	for i := range ours.NumField() {
		name := ours.Type().Field(i).Name
		f := theirs.FieldByName(name)
		if !f.IsValid() || f.Kind() != ours.Field(i).Kind() || !f.Equal(ours.Field(i)) {
			t.Errorf("%s: %v here, %v in the engine", name, ours.Field(i), f)
		}
	}
	if ours.NumField() != 17 {
		t.Errorf("%d numbers, 17 expected", ours.NumField())
	}
}

// What is printed is read back to the same settings.
func TestPrintIsReadBack(t *testing.T) {
	t.Parallel()
	doc, err := config.Files.ReadFile("settings/sample.yaml")
	if err != nil {
		t.Fatal(err)
	}
	rich := strings.NewReplacer("# codes:\n#   site:", "codes:\n  site:", "# rest:\n#   url: https://fhir.example.org/r4\n#   token-file:", "  rest:\n    url: https://fhir.example.org/r4\n    token-file:",
		"# rest: # a FHIR server that takes the Tasks\n#   url: https://fhir.example.org/r4\n#   token-file:", "  rest:\n    url: https://fhir.example.org/r4\n    token-file:",
		"  # fhir:\n  #   token-file: fhir-read-token # who shows this token may ask; its right is 0600\n  #   url:", "  fhir:\n    token-file: fhir-read-token\n    url:",
		"  # cds-hooks:\n  #   servers:", "  cds-hooks:\n    servers:", "  #   origins:", "    origins:", "  #   issuer:", "    issuer:", "  #   audience:", "    audience:", "  #   key-set:", "    key-set:",
		"# also:", "  also:", "# link:", "link:", "Vascular unit, Example Harbour #", "\"Bo'ness: 'Harbour' # 1\" #").Replace(string(doc))
	for name, doc := range map[string]string{"minimal": minimal, "sample": string(doc), "rich": rich} {
		s, err := settings.Parse(name, []byte(doc))
		if err != nil {
			t.Fatal(err)
		}
		if name == "rich" && (s.Codes == "" || s.Out.Rest.Token.File != "task-token" || s.Sources.Rest.Token.File != "fhir-token" || s.Digest.Link == "" || len(s.Out.Also) != 6 ||
			s.Read.Token.File != "fhir-read-token" || s.Read.URL == "" || len(s.Read.Cards.Origins) != 1 || s.Read.Cards.KeySet != "records-keys.json") {
			t.Errorf("the rich sample is not rich: %+v", s)
		}
		var out bytes.Buffer
		if err := s.Print(&out); err != nil {
			t.Fatal(err)
		}
		again, err := settings.Parse(name, out.Bytes())
		if err != nil {
			t.Fatalf("%s: %v in\n%s", name, err, out.String())
		}
		if !reflect.DeepEqual(again, s) {
			t.Errorf("%s: read back\n%+v\nwant\n%+v", name, again, s)
		}
		if name != "minimal" && !strings.Contains(out.String(), "what it holds is not shown") {
			t.Errorf("%s: no placeholder for the secret", name)
		}
	}
}

func TestRelativePaths(t *testing.T) {
	t.Parallel()
	s, err := settings.Parse("x", []byte(minimal+"care: {protocols: [{use: svs-aaa-2018}, {use: own/a.yaml}]}\nstudies: [{study: s|1, name: S, protocol: own/s.yaml}]\nlabelling: [{devices: [\"0999\"], protocol: ./l.yaml}]\nstore: {path: /var/lib/p.db}\nsources: {folder: {path: inbox}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	at := s.In("/etc/perennial")
	got := []string{at.Care[0].Protocol, at.Care[1].Protocol, at.Studies[0].Protocol, at.Labels[0].Protocol, at.Store, at.Sources.Folder, at.Out.Folder, at.Mail.Password.File}
	want := []string{"svs-aaa-2018", "/etc/perennial/own/a.yaml", "/etc/perennial/own/s.yaml", "/etc/perennial/l.yaml", "/var/lib/p.db", "/etc/perennial/inbox", "/etc/perennial/out", ""}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if s.Care[1].Protocol != "own/a.yaml" || s.Studies[0].Protocol != "own/s.yaml" {
		t.Error("the settings themselves were changed")
	}
	if c := s.Times.NightlyAt.Cron(); c != "10 2 * * *" {
		t.Errorf("cron line %q", c)
	}
}

func TestSecret(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) settings.Secret {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		return settings.Secret{File: path}
	}
	got, err := file("good", "open sesame \n", 0o600).Read()
	if err != nil || got != "open sesame " {
		t.Errorf("got %q, %v", got, err)
	}
	if got, err := (settings.Secret{}).Read(); got != "" || err != nil {
		t.Errorf("no secret: %q, %v", got, err)
	}
	for name, c := range map[string]struct {
		secret settings.Secret
		want   fault.Kind
	}{
		"readable by all": {file("open", "NotForPrinting7", 0o644), fault.Denied},
		"empty":           {file("empty", "\n", 0o600), fault.Invalid},
		"two lines":       {file("two", "NotForPrinting7\nNotForPrinting7", 0o600), fault.Invalid},
		"large":           {file("large", strings.Repeat("NotForPrinting7", 400), 0o600), fault.Invalid},
		"missing":         {settings.Secret{File: filepath.Join(dir, "missing")}, fault.NotFound},
	} {
		got, err := c.secret.Read()
		if got != "" || fault.KindOf(err) != c.want || fault.HintOf(err) == "" {
			t.Errorf("%s: %q, %v (%v)", name, got, err, fault.KindOf(err))
		}
		if err != nil && (strings.Contains(err.Error(), "NotForPrinting7") || strings.Count(err.Error(), c.secret.File) != 1) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob(folder + "/*.yaml")
	for _, name := range files {
		doc, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(doc)
	}
	sample, _ := config.Files.ReadFile("settings/sample.yaml")
	f.Add(sample)
	f.Fuzz(func(t *testing.T, doc []byte) {
		s, err := settings.Parse("f", doc)
		if err != nil {
			return
		}
		if _, err := s.Site.Location(); err != nil || s.Site.Name == "" {
			t.Fatalf("accepted without a usable site: %+v", s.Site)
		}
		var out bytes.Buffer
		if err := s.Print(&out); err != nil {
			t.Fatal(err)
		}
		again, err := settings.Parse("f", out.Bytes())
		if err != nil || !reflect.DeepEqual(again, s) {
			t.Fatalf("not read back: %v\n%s", err, out.String())
		}
	})
}
