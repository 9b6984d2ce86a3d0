package proof

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// browserName is the program that drives the tests, as Debian calls it.
const browserName = "chromium"

// shared is the browser that most tests open a window of; each window has its
// own storage. Tests that kill their browser start their own.
var shared *browser

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	profile, err := os.MkdirTemp("", "fairlead-tablet-")
	if err != nil {
		fmt.Fprintln(os.Stderr, "FAIL: proof:", err)
		return 1
	}
	defer os.RemoveAll(profile)
	if shared, err = startBrowser(profile); err != nil {
		fmt.Fprintln(os.Stderr, "FAIL: proof:", err)
		return 1
	}
	defer shared.stop()
	return m.Run()
}

// browser is a running Chromium.
type browser struct {
	ctx  context.Context
	stop func()
}

// startBrowser starts Chromium with a profile and nothing of its own to say to
// the network.
func startBrowser(profile string) (*browser, error) {
	path, err := exec.LookPath(browserName)
	if err != nil {
		return nil, errors.New("these tests need a real browser and Chromium is missing; install it:\n\n    sudo apt-get install -y chromium")
	}
	alloc, stop := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(path), chromedp.UserDataDir(profile),
		chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.NoSandbox, chromedp.Headless, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("lang", "en-AU"),
		chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-fake-ui-for-media-stream", true))
	ctx, cancel := chromedp.NewContext(alloc)
	if err := chromedp.Do(ctx); err != nil {
		stop()
		return nil, fmt.Errorf("start %s: %w", path, err)
	}
	return &browser{ctx: ctx, stop: func() { cancel(); stop() }}, nil
}

// kill ends the browser as a flat battery does: at once, with all that belongs
// to it.
func (b *browser) kill(t *testing.T) {
	t.Helper()
	process := chromedp.FromContext(b.ctx).Browser.Process()
	require.NotNil(t, process)
	require.NoError(t, process.Signal(syscall.SIGKILL))
	b.stop()
	// Its children follow it; until they have, they hold the profile.
	time.Sleep(300 * time.Millisecond)
}
