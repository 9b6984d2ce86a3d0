package main

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestFresh holds the types of the tablet to the contract: whatever the tablet
// counts on must still be there, as it was. What was only added to the contract
// makes nothing stale; make generate brings it in.
func TestFresh(t *testing.T) {
	t.Parallel()
	committed, err := os.ReadFile("../src/gen/contract.ts")
	require.NoError(t, err)
	now := members(types())
	for member := range members(string(committed)) {
		require.Contains(t, now, member, "the contract has changed: run go generate ./clients/tablet and see that the tablet still fits")
	}
}

// members are the lines of each type, under its name.
func members(file string) map[string]bool {
	out := map[string]bool{}
	of := ""
	for line := range strings.SplitSeq(file, "\n") {
		line = strings.TrimSuffix(line, ";")
		if strings.HasPrefix(line, "export ") {
			of = line
			out[of] = true
		} else if strings.HasPrefix(line, "  ") {
			out[of+line] = true
		}
	}
	return out
}

func TestMembers(t *testing.T) {
	t.Parallel()
	file := "// made\n\nexport interface A {\n  x?: string;\n}\n\nexport type B =\n  | \"ONE\"\n  | \"TWO\";\n"
	require.Equal(t, map[string]bool{"export interface A {": true, "export interface A {  x?: string": true,
		"export type B =": true, `export type B =  | "ONE"`: true, `export type B =  | "TWO"`: true}, members(file))
}
