// Package fonts embeds the typeface that printed documents use.
//
// It is the last link of an export: the page writer hands these bytes to the
// PDF library, which embeds the glyphs a document needs. It holds no layout
// knowledge and reads no files at run time. Provenance and licence are in
// README.md beside the files.
package fonts

import _ "embed"

// Family is the family name under which the faces are registered with a PDF
// document.
const Family = "AtkinsonHyperlegibleNext"

// MonoFamily is the family name of the fixed-width face, for columns of
// numbers.
const MonoFamily = "AtkinsonHyperlegibleMono"

// Regular is Atkinson Hyperlegible Next Regular as TrueType.
//
//go:embed AtkinsonHyperlegibleNext-Regular.ttf
var Regular []byte

// Bold is Atkinson Hyperlegible Next Bold as TrueType.
//
//go:embed AtkinsonHyperlegibleNext-Bold.ttf
var Bold []byte

// Mono is Atkinson Hyperlegible Mono Regular as TrueType. All its glyphs are
// equally wide, so digits line up.
//
//go:embed AtkinsonHyperlegibleMono-Regular.ttf
var Mono []byte
