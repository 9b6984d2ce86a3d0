package cli

import (
	"encoding/json"
	"fmt"

	"fairlead/clients/importer"
)

// importJSON prints what came of an import. The contract has no message for a
// whole import, only for a batch, so the members are named here.
func (s *session) importJSON(r importer.Result) error {
	b, err := json.Marshal(map[string]any{
		"rows": r.Rows, "created": r.Created, "unchanged": r.Unchanged, "refused": r.Refused, "skipped": r.Skipped,
		"unusedColumns": r.Unused, "uncrossedCodes": r.Uncrossed,
	})
	if err != nil {
		return fmt.Errorf("cli: encode: %w", err)
	}
	if err := s.writeJSON(b); err != nil {
		return err
	}
	if r.Refused > 0 {
		return failf("%d rows were not taken.", r.Refused)
	}
	return nil
}
