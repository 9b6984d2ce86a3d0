package words

import "strings"

// Workplace expands a short id, `northside`, to `workplaces/northside`. A full
// name stays as it is, and so does an empty one.
func Workplace(id string) string { return expand("workplaces/", id) }

// Report expands a report's UUID or short code to `reports/...`. A full name
// stays as it is, and so does an empty one.
func Report(id string) string { return expand("reports/", id) }

// Person expands a short id to `people/...`.
func Person(id string) string { return expand("people/", id) }

// Short returns the last part of a resource name: what people type.
func Short(name string) string {
	return name[strings.LastIndexByte(name, '/')+1:]
}

func expand(prefix, id string) string {
	id = strings.TrimSpace(id)
	if id == "" || strings.HasPrefix(id, prefix) {
		return id
	}
	return prefix + id
}
