package export

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// indent gives JSON one fixed white space.
func indent(raw []byte) ([]byte, error) {
	var compact, out bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil {
		return nil, fmt.Errorf("export: json: %w", err)
	}
	if err := json.Indent(&out, compact.Bytes(), "", "  "); err != nil {
		return nil, fmt.Errorf("export: json: %w", err)
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}
