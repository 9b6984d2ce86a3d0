package keep

import (
	"bytes"
	"database/sql"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/changes"
	"fairlead/services/checkpoint"
	"fairlead/services/ledger/sqlite"
)

// TestCheck_altered alters changes behind the ledger's back: the first broken
// one is named, and nothing that was told is shown.
func TestCheck_altered(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for n := 1; n <= 5; n++ {
		h.report(n, "told in confidence")
	}
	require.Nil(t, checked(t, h.dir).First())
	key, err := checkpoint.Read(h.dir)
	require.NoError(t, err)
	signed, err := changes.SignHead(t.Context(), h.l, key, c0)
	require.NoError(t, err)
	pub, err := key.PublicPEM()
	require.NoError(t, err)
	require.NoError(t, h.l.Close())
	alter := func(text string) {
		db, err := sql.Open("sqlite", filepath.Join(h.dir, ledgerFile))
		require.NoError(t, err)
		_, err = db.Exec(text)
		require.NoError(t, err)
		require.NoError(t, db.Close())
	}
	with := func(text, pub []byte) *Checked {
		l, err := sqlite.OpenReadOnly(t.Context(), h.dir, sqlite.Options{})
		require.NoError(t, err)
		defer l.Close()
		c, err := Check(t.Context(), l, CheckPlan{Data: h.dir, Codes: codes(), Checkpoint: text, Key: pub})
		require.NoError(t, err)
		return c
	}
	require.True(t, with(signed.Text(), pub).Sound())
	other, err := checkpoint.NewKey()
	require.NoError(t, err)
	otherPub, err := other.PublicPEM()
	require.NoError(t, err)
	require.Contains(t, with(signed.Text(), otherPub).First().What, "another key")
	require.Contains(t, with(bytes.ToUpper(signed.Text()), pub).First().What, "not a checkpoint")
	forged, err := key.Sign(checkpoint.Checkpoint{Origin: signed.Origin, Seq: 3, Hash: signed.Hash, Time: c0})
	require.NoError(t, err)
	require.Contains(t, with(forged.Text(), pub).First().What, "change 3 is not the one that was signed")

	// A resource that points back, and so the figures that hang on it.
	alter("UPDATE resources SET kind = 'Nothing' WHERE name = '" + reportName(5) + "'")
	c := with(nil, nil)
	require.Equal(t, PartLog, c.First().Part)
	var figures bool
	for _, f := range c.Findings {
		figures = figures || f.Part == PartFigures
		require.NotContains(t, f.String(), "confidence")
	}
	require.True(t, figures, "the figures count five and the resources four")
	// Two changes altered: the earlier is named.
	alter("UPDATE changes SET actor = 'principals/eve' WHERE seq IN (3, 5)")
	c = with(signed.Text(), pub)
	require.EqualValues(t, 3, c.First().Change)
	require.Equal(t, reportName(2), c.First().Name)
}
