package importer

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"
)

//go:embed mappings/*.yaml
var mappingFiles embed.FS

// Builtin returns the text of a mapping that comes with the program, by its
// name without .yaml.
func Builtin(name string) ([]byte, error) {
	b, err := mappingFiles.ReadFile("mappings/" + name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("importer: there is no mapping %q in the program; there are %s", name, strings.Join(Builtins(), ", "))
	}
	return b, nil
}

// Builtins returns the names of the mappings that come with the program.
func Builtins() []string {
	files, err := fs.Glob(mappingFiles, "mappings/*.yaml")
	if err != nil {
		return nil // the pattern is constant and well formed
	}
	for i, f := range files {
		files[i] = strings.TrimSuffix(strings.TrimPrefix(f, "mappings/"), ".yaml")
	}
	return files
}
