package main

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestFresh holds the types of the tablet to the contract.
func TestFresh(t *testing.T) {
	t.Parallel()
	committed, err := os.ReadFile("../src/gen/contract.ts")
	require.NoError(t, err)
	require.Equal(t, types(), string(committed), "the contract has changed: run go generate ./clients/tablet, then make tablet")
}
