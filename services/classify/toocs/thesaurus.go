package toocs

import (
	"io/fs"
	"slices"
	"strings"
)

// A phrase is one thesaurus entry before it is indexed.
type phrase struct {
	list List
	code string
	text string // as written in the file
	line int
}

const thesaurusFile = "thesaurus.csv"

// readThesaurus reads thesaurus.csv. Entries of an edition's own file must
// point to assignable codes; built-in ones may point to codes that another
// edition lacks, and those are counted and left out.
func (r *reader) readThesaurus(t *Table, builtIn bool) []phrase {
	const file = thesaurusFile
	var out []phrase
	for _, row := range r.rows(file, builtIn, "list", "code", "phrases") {
		l, code := List(row.get("list")), row.get("code")
		if t.lists[l] == nil {
			r.problem(file, row.line, "list %q is not one of mechanism, nature, bodily_location, agency", l)
			continue
		}
		c, ok := t.Get(l, code)
		if !ok || !t.isLeaf(c) {
			if builtIn {
				t.unused++
				continue
			}
			r.problem(file, row.line, "%s %q is not a code that may be assigned", l.Title(), code)
			continue
		}
		for text := range strings.SplitSeq(row.get("phrases"), ";") {
			text = strings.TrimSpace(text)
			switch n := len(strings.Fields(text)); {
			case n > maxUnits:
				r.problem(file, row.line, "a phrase of %s has %d parts; use at most %d", code, n, maxUnits)
			case n > 0:
				out = append(out, phrase{list: l, code: code, text: text, line: row.line})
			}
		}
	}
	return out
}

// readWords builds the lexicon and the indexes from the built-in words and
// the edition's own phrases.
func (t *Table) readWords(fsys fs.FS, own []phrase) error {
	r := &reader{fsys: fsys}
	x := &lexicon{
		atoms: map[string]atom{}, classes: map[string][]atom{}, stop: map[string]bool{}, silent: map[string]bool{},
		forms: map[string]string{}, same: map[string]string{}, joins: map[string]string{},
	}
	var pairs []string
	const file = "words.csv"
	for _, row := range r.rows(file, true, "kind", "to", "words") {
		kind, to := row.get("kind"), row.get("to")
		for w := range strings.SplitSeq(row.get("words"), ";") {
			w = strings.TrimSpace(w)
			switch {
			case w == "":
			case kind == "stop":
				x.stop[w] = true
			case kind == "form":
				x.forms[w] = to
			case kind == "same":
				x.same[w] = to
			case kind == "join" && len(strings.Fields(w)) == 2:
				x.joins[w] = to
				x.same[strings.ReplaceAll(w, " ", "")] = to
				pairs = append(pairs, strings.ReplaceAll(w, " ", ""))
			default:
				r.problem(file, row.line, "%q is not a rule; use stop, form, same or join (of two words)", kind)
			}
		}
	}
	const classFile = "classes.csv"
	for _, row := range r.rows(classFile, true, "class", "words") {
		class := x.add("<" + row.get("class") + ">")
		for w := range strings.FieldsSeq(row.get("words")) {
			stem := w
			if w != numberStem {
				stem = x.stem(w)
			}
			x.add(stem)
			x.classes[stem] = append(x.classes[stem], class)
		}
	}
	phrases := append(r.readThesaurus(t, true), own...)
	t.words = x
	for w := range x.stop {
		x.silent[x.stem(w)] = true
	}
	for _, l := range Lists() {
		t.lists[l].index = newIndex(r, t, l, phrases)
	}
	// A slip is never taken for a word that says nothing.
	x.spell = newSpeller(slices.DeleteFunc(slices.Clone(x.stems), func(s string) bool { return x.silent[s] }))
	x.pairs = newSpeller(pairs)
	return r.err()
}
