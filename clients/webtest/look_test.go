package webtest

import (
	"os"
	"path/filepath"
	"strings"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// lookFolder is where pictures of the pages go; empty takes none.
var lookFolder = os.Getenv("WEBTEST_LOOK")

// look leaves a picture of the whole page for a person to look at.
func (b *tab) look(name string, width int64) {
	if lookFolder == "" || width == 360 {
		return
	}
	require.NoError(b.t, os.MkdirAll(lookFolder, 0o755))
	file := filepath.Join(lookFolder, strings.ReplaceAll(name, " ", "_")+".png")
	require.NoError(b.t, os.WriteFile(file, get(b, chromedp.FullScreenshot(100)), 0o644))
}
