package access

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestMatrix prints who may do what and compares it with what was agreed: a
// change of the policy is a change of this file, and is read by somebody. Write
// it anew with `go test ./services/access -run Matrix -update`.
func TestMatrix(t *testing.T) {
	t.Parallel()
	var got bytes.Buffer
	require.NoError(t, NewPolicy().PrintMatrix(&got))
	path := filepath.Join("testdata", "matrix.golden")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got.Bytes(), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got.String(), "the policy has changed: read the difference, then write it anew with -update")
}

// TestMatrixIsWhole: every method has a condition in words, no condition is of a
// method that is gone, and no two roles look alike.
func TestMatrixIsWhole(t *testing.T) {
	t.Parallel()
	known := map[string]bool{}
	for _, m := range methods(t) {
		known[m] = true
		for i := range m {
			if m[i] == '.' {
				known[m[:i]] = true
			}
		}
		require.NotEmpty(t, Condition(m), m)
	}
	for m := range conditions {
		require.True(t, known[m], m)
	}
	seen := map[string]bool{}
	for n := range pb.Role_name {
		if n != 0 {
			require.False(t, seen[short(pb.Role(n))], pb.Role(n))
			seen[short(pb.Role(n))] = true
		}
	}
	verb, resource := verbAndResource("ReportService.ListReportHistory")
	require.Equal(t, [2]string{"list", "report history"}, [2]string{verb, resource})
	verb, resource = verbAndResource("SignInService.FinishOpenIDLink")
	require.Equal(t, [2]string{"finish", "open idlink"}, [2]string{verb, resource})
}
