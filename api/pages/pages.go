// Package pages renders what people look at: HTML pages and printed sheets. It shows what the API
// answers and has no other way to it; what pages say stands in text/, how they look in assets/.
//
// A page needs no script to be read. Scripts add what a form needs without a signal, and answers
// that appear by themselves.
package pages

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"mime"
	"path"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"laidup/internal/assess"
	"laidup/internal/score"
	"laidup/internal/wording"
)

//go:embed templates assets text
var files embed.FS

// Pages renders pages in one language. It is safe for concurrent use.
type Pages struct {
	language  string
	text      text
	words     *wording.Words
	templates map[string]*template.Template
	assets    map[string]Asset  // by the name that pages give it
	names     map[string]string // where an asset is, by the name of its file
}

// Asset is a file that pages need, under a name that changes with what is in it.
type Asset struct {
	Body  []byte
	Media string
}

// New reads the templates, the texts of a language, such as "en", and the assets.
func New(language string) (*Pages, error) {
	p := &Pages{language: language, templates: map[string]*template.Template{}, assets: map[string]Asset{}, names: map[string]string{}}
	data, err := files.ReadFile("text/" + language + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("read texts: %w", err)
	}
	if err := yaml.Unmarshal(data, &p.text); err != nil {
		return nil, fmt.Errorf("read texts %s: %w", language, err)
	}
	if p.words, err = wording.In(language); err != nil {
		return nil, err
	}
	if err := p.readAssets(); err != nil {
		return nil, err
	}
	functions := template.FuncMap{
		"t": p.text.say, "n": p.text.count, "words": wording.Spaced,
		"percent":  func(s score.Share) string { return onOneLine(p.words.Percent(s)) },
		"chance":   func(s, low, high score.Share) string { return onOneLine(p.words.Chance(s, low, high)) },
		"looked":   func(c score.Coverage) string { return onOneLine(p.words.Looked(c)) },
		"clearing": p.words.Clearing, "placed": p.words.Placed, "contradicted": p.words.Contradicted, "contradiction": p.words.Contradiction,
		"asset": func(name string) (string, error) {
			if at, ok := p.names[name]; ok {
				return at, nil
			}
			return "", fmt.Errorf("there is no asset %s", name)
		},
		"doing":  p.words.Doing,
		"access": func(id string) string { return cmp.Or(p.text["access_"+id], wording.Spaced(id)) },
		"lookedat": func(c score.Coverage) (string, error) {
			return p.text.say("looked_share", c.LookedAt, c.Applying, onOneLine(p.words.Looked(c)))
		},
		"stateof": stateOf, "first": first, "rest": rest,
		"card":       func(b BlockerView, photos []assess.Shown) Card { return Card{b, photos} },
		"language":   func() string { return language },
		"upper":      capital,
		"whole":      whole,
		"hundredths": func(tenThousandths int) string { return fmt.Sprint((tenThousandths + 50) / 100) },
		"join":       func(list []string) string { return strings.Join(list, ", ") },
		"texts":      p.text.beginning,
	}
	layout, err := template.New("").Funcs(functions).ParseFS(files, "templates/layout.html", "templates/parts.html")
	if err != nil {
		return nil, fmt.Errorf("read templates: %w", err)
	}
	found, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		return nil, err
	}
	for _, file := range found {
		name := strings.TrimSuffix(path.Base(file), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		t, err := layout.Clone()
		if err == nil {
			t, err = t.ParseFS(files, file)
		}
		if err != nil {
			return nil, fmt.Errorf("read template %s: %w", name, err)
		}
		p.templates[name] = t
	}
	return p, nil
}

func (p *Pages) readAssets() error {
	entries, err := fs.ReadDir(files, "assets")
	if err != nil {
		return fmt.Errorf("read assets: %w", err)
	}
	for _, e := range entries {
		data, err := p.Source(e.Name())
		if err != nil {
			return err
		}
		if e.Name() != worker {
			p.Add(e.Name(), data)
		}
	}
	return nil
}

// worker is the one file that is no asset: it is served under a name that never changes.
const worker = "offline.js"

// Source returns a file of the assets as it is written.
func (p *Pages) Source(file string) ([]byte, error) {
	data, err := fs.ReadFile(files, "assets/"+file)
	if err != nil {
		return nil, fmt.Errorf("read asset %s: %w", file, err)
	}
	return data, nil
}

// Add makes an asset of a file. It is for the time before the first page is rendered.
func (p *Pages) Add(file string, data []byte) {
	sum := sha256.Sum256(data)
	ext := path.Ext(file)
	name := strings.TrimSuffix(file, ext) + "-" + strings.ToLower(base64.RawURLEncoding.EncodeToString(sum[:9])) + ext
	p.names[file] = "/assets/" + name
	p.assets[name] = Asset{data, mime.TypeByExtension(ext)}
}

// Names says where the assets are, sorted.
func (p *Pages) Names() []string { return slices.Sorted(maps.Values(p.names)) }

// Asset returns an asset by the name that pages give it.
func (p *Pages) Asset(name string) (Asset, bool) {
	a, ok := p.assets[name]
	return a, ok
}

// Frame is what every page has around it.
type Frame struct {
	Title        string
	Organisation string // of who looks; empty: nobody has signed in
	SignedIn     bool   // by a key, so that there is a way out
	Here         string // which part of the service this is: vehicles, inspect, compare
}

// Render writes a page: the template of a name around data, which embeds a [Frame].
func (p *Pages) Render(name string, data any) ([]byte, error) {
	t := p.templates[name]
	if t == nil {
		return nil, fmt.Errorf("there is no page %s", name)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "layout", data); err != nil {
		return nil, fmt.Errorf("render page %s: %w", name, err)
	}
	return b.Bytes(), nil
}

// Say returns a text of the pages by its key.
func (p *Pages) Say(key string, args ...any) (string, error) { return p.text.say(key, args...) }

// text is what pages say, by key.
type text map[string]string

func (t text) say(key string, args ...any) (string, error) {
	s, ok := t[key]
	if !ok {
		return "", fmt.Errorf("there is no text %q", key)
	}
	if len(args) == 0 {
		return s, nil
	}
	return fmt.Sprintf(s, args...), nil
}

// beginning returns the texts whose keys begin with a prefix, by the rest of the key: what a script
// says is handed to it.
func (t text) beginning(prefix string) text {
	some := text{}
	for key, s := range t {
		if rest, ok := strings.CutPrefix(key, prefix); ok {
			some[rest] = s
		}
	}
	return some
}

// count says how many: a text of two forms, for one and for any other number.
func (t text) count(key string, n int) (string, error) {
	s, err := t.say(key)
	if err != nil {
		return "", err
	}
	one, many, two := strings.Cut(s, " | ")
	switch {
	case !two:
		return "", fmt.Errorf("the text %q has not two forms", key)
	case n == 1:
		return one, nil
	}
	return fmt.Sprintf(many, n), nil
}

// capital begins a text with a capital letter.
func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(first)) + s[size:]
}

// onOneLine keeps numbers with their signs, and a range together.
func onOneLine(share string) string {
	number, ends, _ := strings.Cut(share, "(")
	number = strings.ReplaceAll(number, " %", "\u00a0%")
	if ends == "" {
		return number
	}
	return number + "(" + strings.ReplaceAll(ends, " ", "\u00a0")
}

// whole writes a number without decimals.
func whole(v interface{ Float() float64 }) string { return fmt.Sprintf("%.0f", v.Float()) }
