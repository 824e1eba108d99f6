package web

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"regexp"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/fault"
)

// pictureSheet is for a document: narrow enough to be read without zooming, with
// words beside every shape.
func pictureSheet() sheet {
	return sheet{W: 820, Left: 132, Right: 12, Step: 42, Name: 4, most: 20, letter: 7, after: 420, before: 45 * 366, words: true}
}

// picturePad is the margin around the drawing.
const picturePad = 14

// picture is what the template of a picture sees.
type picture struct {
	W, High, Pad int
	Title, Said  string
	Style        template.CSS
	Drawing      timeline
	Keys         []key
}

// key explains a shape of the drawing.
type key struct {
	shape
	Visit bool
}

// Picture writes the timeline of the patient's page as an SVG file that stands
// alone: its styles are in it, its shapes have words, and a title and a
// description say what it shows. Documents about the rules show cases so.
func Picture(w io.Writer, p *Patient, title string) error {
	t := timelineOf(p, pictureSheet())
	if !t.Shown {
		return fault.New(fault.Invalid, "draw a picture", "", fmt.Errorf("there is nothing to draw"))
	}
	v := picture{Pad: picturePad, W: t.W + 2*picturePad, Title: title, Said: t.spoken(p), Drawing: t}
	var low int
	v.Keys, low = t.keys(p)
	v.High = low + 2*picturePad
	style, err := pictureStyle()
	if err != nil {
		return err
	}
	v.Style = style
	parsed, err := template.New("picture.tmpl").Funcs(functions()).ParseFS(files, "templates/picture.tmpl", "templates/drawing.tmpl")
	if err != nil {
		return fault.New(fault.Internal, "draw a picture", "", err)
	}
	var b bytes.Buffer
	if err := parsed.Execute(&b, v); err != nil {
		return fault.New(fault.Internal, "draw a picture", "", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// spoken is the drawing in words.
func (t *timeline) spoken(p *Patient) string {
	list := []string{t.Today.Text + "."}
	if t.Ended.Text != "" {
		list = append(list, "Surveillance "+t.Ended.Text+".")
	}
	var visits, rest []string
	for _, b := range t.Bars {
		visits = append(visits, b.Said)
	}
	for _, m := range t.Marks {
		rest = append(rest, m.Said)
	}
	list = append(list, "Visits: "+strings.Join(visits, "; ")+".", "Operations, imaging and appointments: "+strings.Join(rest, "; ")+".")
	return strings.ToUpper(list[0][:1]) + strings.Join(list, " ")[1:]
}

// keys explains the shapes that the drawing has, in rows below it, and gives the
// place below the last row.
func (t *timeline) keys(p *Patient) ([]key, int) {
	var list []key
	for _, s := range t.Legend {
		if slices.ContainsFunc(t.Marks, func(m shape) bool { return m.ClassName == s.ClassName && m.Path == s.Path }) {
			list = append(list, key{shape: s})
		}
	}
	for i := range p.Chart.Operations {
		if role := p.Chart.Operations[i].Role; role != chart.RoleImplant && role != chart.RoleRelining && role != chart.RoleOther {
			list = append(list, key{shape: shape{Path: operationPath(role), ClassName: "operation", Said: string(role)}})
		}
	}
	for _, s := range t.Standings {
		if slices.ContainsFunc(t.Bars, func(b bar) bool { return b.ClassName == string(s) }) {
			list = append(list, key{shape{Path: markPath(string(s)), ClassName: "bar-" + string(s), Said: "visit " + string(s)}, true})
		}
	}
	x, y := 0, t.H+18
	for i := range list {
		k := &list[i]
		wide := 18 + t.letter*len(k.Said)*9/10 + 12
		if x+wide > t.W {
			x, y = 0, y+20
		}
		k.Lines = []line{{x + 16, y + 4, k.Said}}
		if k.X, k.Y = x+6, y; k.Visit {
			k.X, k.Y = x, y-6
		}
		x += wide
	}
	return list, y + 6
}

// pictureStyle are the lines of the style sheet that are about the drawing, with
// every colour written out, since not every viewer knows names for colours.
func pictureStyle() (template.CSS, error) {
	text, err := files.ReadFile("static/style.css")
	if err != nil {
		return "", err
	}
	_, rest, ok := strings.Cut(string(text), "/* The drawing; pictures that stand alone take these lines too (picture.go). */")
	rules, _, ended := strings.Cut(rest, "/* End of the drawing. */")
	if !ok || !ended {
		return "", fault.New(fault.Internal, "draw a picture", "", fmt.Errorf("the style sheet lacks the marks of the drawing"))
	}
	rules += ".tl text { paint-order: stroke; stroke: var(--sheet); stroke-width: 3px; stroke-linejoin: round; }\n.sheet { fill: var(--sheet); stroke: var(--strong-line); }\n.tl text { font-size: 12px; }\n.key text { fill: var(--soft); }\n"
	for _, s := range standings() {
		rules += ".key .bar-" + string(s) + " { fill: var(--" + string(s) + "); }\n"
	}
	for _, m := range regexp.MustCompile(`(--[a-z-]+):\s*([^;]+);`).FindAllStringSubmatch(string(text), -1) {
		rules = strings.ReplaceAll(rules, "var("+m[1]+")", strings.ReplaceAll(m[2], `"`, "'"))
	}
	return template.CSS("\n" + strings.TrimSpace(rules) + "\n"), nil
}
