package desk

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"path"
	"strings"
)

//go:embed pages
var pageFiles embed.FS

// pages are the parsed templates, one set per page around the same frame.
type pages struct{ byName map[string]*template.Template }

// view is what every page gets.
type view struct {
	// Title names the page.
	Title string
	// Here is the part of the navigation that the page belongs to.
	Here string
	// Visit is who looks; nil for someone who has not signed in.
	Visit *visit
	// Done is said once at the top after something was done.
	Done string
	// Past is the moment that the page shows; nil is the present.
	Past *pastView
	// Data is the page's own.
	Data map[string]any
}

func parsePages() (*pages, error) {
	frame, err := template.New("frame").Funcs(functions()).ParseFS(pageFiles, "pages/frame.html", "pages/parts.html", "pages/came.html")
	if err != nil {
		return nil, fmt.Errorf("desk: frame: %w", err)
	}
	names, err := pageFiles.ReadDir("pages")
	if err != nil {
		return nil, fmt.Errorf("desk: pages: %w", err)
	}
	p := &pages{byName: map[string]*template.Template{}}
	for _, n := range names {
		name := strings.TrimSuffix(n.Name(), ".html")
		if name == "frame" || name == "parts" || name == "came" {
			continue
		}
		t, err := frame.Clone()
		if err == nil {
			t, err = t.ParseFS(pageFiles, path.Join("pages", n.Name()))
		}
		if err != nil {
			return nil, fmt.Errorf("desk: page %s: %w", name, err)
		}
		p.byName[name] = t
	}
	return p, nil
}

// render writes a page. It is built in memory first, so that a fault in a
// template never leaves half a page behind.
func (p *pages) render(w http.ResponseWriter, code int, name string, v view) {
	p.write(w, code, name, "frame.html", v)
}

// part writes a piece of a page, for a script that replaces it.
func (p *pages) part(w http.ResponseWriter, name, part string, v view) {
	p.write(w, http.StatusOK, name, part, v)
}

func (p *pages) write(w http.ResponseWriter, code int, name, block string, v view) {
	var b bytes.Buffer
	t, ok := p.byName[name]
	if !ok {
		http.Error(w, "this page is missing", http.StatusInternalServerError)
		return
	}
	if err := t.ExecuteTemplate(&b, block, v); err != nil {
		// The cause names template fields, never their contents.
		http.Error(w, "this page could not be drawn; nothing was changed", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes())
}
