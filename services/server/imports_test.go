package server

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestImportRules holds the house to its plan: who may import whom. The plan
// is the table in DEVELOPERS.md.
func TestImportRules(t *testing.T) {
	t.Parallel()
	// leaves are packages of services that any room may use.
	leaves := map[string]bool{
		"fairlead/services/ledger": true, "fairlead/services/access": true, "fairlead/services/fault": true,
		"fairlead/services/paging": true, "fairlead/services/record": true, "fairlead/services/harm": true,
		"fairlead/services/answers": true, "fairlead/services/guard": true, "fairlead/services/cube": true, "fairlead/services/moment": true,
		"fairlead/services/blob": true, "fairlead/services/checkpoint": true,
		"fairlead/services/receiptcode": true, "fairlead/services/mask": true,
	}
	// wires are the packages that may know every room.
	wires := func(pkg string) bool {
		return under(pkg, "fairlead/services/server") || under(pkg, "fairlead/services/cmd")
	}
	for _, p := range packages(t) {
		for _, imp := range p.Imports {
			switch {
			case under(p.ImportPath, "fairlead/analytics"):
				std := !strings.Contains(strings.SplitN(imp, "/", 2)[0], ".") && !under(imp, "fairlead")
				require.True(t, std || under(imp, "gonum.org/v1/gonum") || under(imp, "fairlead/analytics"),
					"%s imports %s: analytics is std and gonum only", p.ImportPath, imp)
			case under(p.ImportPath, "fairlead/proto"):
				require.False(t, under(imp, "fairlead/services") || under(imp, "fairlead/clients") || under(imp, "fairlead/analytics"),
					"%s imports %s: the contract knows nobody", p.ImportPath, imp)
			case under(p.ImportPath, "fairlead/clients"):
				require.False(t, under(imp, "fairlead/services"),
					"%s imports %s: clients reach services by gRPC only", p.ImportPath, imp)
			case wires(p.ImportPath):
			case under(p.ImportPath, "fairlead/services"):
				require.False(t, under(imp, "fairlead/clients"), "%s imports %s: services do not know their faces", p.ImportPath, imp)
				if under(imp, "fairlead/services") && !leaves[imp] {
					require.Equal(t, room(p.ImportPath), room(imp),
						"%s imports %s: rooms do not know each other; declare a small interface and let server wire it", p.ImportPath, imp)
				}
			}
			if imp == "database/sql" || strings.Contains(imp, "sqlite") || strings.Contains(imp, "goose") || strings.Contains(imp, "jackc/") {
				require.True(t, under(p.ImportPath, "fairlead/services/ledger") || p.ImportPath == "fairlead/services/blob/postgres" || wires(p.ImportPath),
					"%s imports %s: only the ledger and the store of photos know SQL", p.ImportPath, imp)
			}
			if strings.Contains(imp, "blevesearch") {
				require.True(t, under(p.ImportPath, "fairlead/services/search") || under(p.ImportPath, "fairlead/services/cmd/fairlead-bench"),
					"%s imports %s: only search knows bleve", p.ImportPath, imp)
			}
		}
	}
}

type listed struct {
	ImportPath string
	Imports    []string
}

func packages(t *testing.T) []listed {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "fairlead/...").Output()
	require.NoError(t, err)
	var all []listed
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p listed
		err := dec.Decode(&p)
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		all = append(all, p)
	}
	require.Greater(t, len(all), 10)
	return all
}

func under(pkg, root string) bool { return pkg == root || strings.HasPrefix(pkg, root+"/") }

// room is the first folder below services.
func room(pkg string) string {
	rest := strings.TrimPrefix(pkg, "fairlead/services/")
	return strings.SplitN(rest, "/", 2)[0]
}
