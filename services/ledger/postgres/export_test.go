package postgres

// Text is text, for a test that looks at plans.
func Text(s string) string { return text(s) }
