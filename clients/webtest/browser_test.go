package webtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"testing"

	"github.com/chromedp/chromedp"
)

// browserName is the program that drives the tests, as Debian calls it.
const browserName = "chromium"

// root is the running browser; every test opens its own window of it, with its
// own cookies.
var root context.Context

// atEnd are what has to be undone after the last test.
var atEnd []func()

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) (code int) {
	defer func() {
		for i := len(atEnd) - 1; i >= 0; i-- {
			atEnd[i]()
		}
	}()
	if err := startBrowser(); err != nil {
		fmt.Fprintln(os.Stderr, "FAIL: webtest:", err)
		return 1
	}
	return m.Run()
}

// startBrowser starts Chromium with an empty profile and nothing of its own to
// say to the network.
func startBrowser() error {
	path, err := exec.LookPath(browserName)
	if err != nil {
		return errors.New("these tests need a real browser and Chromium is missing; install it:\n\n    sudo apt-get install -y chromium")
	}
	profile, err := os.MkdirTemp("", "fairlead-browser-")
	if err != nil {
		return fmt.Errorf("make a profile: %w", err)
	}
	atEnd = append(atEnd, func() { _ = os.RemoveAll(profile) })
	alloc, stop := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(path), chromedp.UserDataDir(profile),
		chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.NoSandbox, chromedp.Headless, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("lang", "en-AU"))
	atEnd = append(atEnd, stop)
	ctx, cancel := chromedp.NewContext(alloc)
	atEnd = append(atEnd, cancel)
	if err := chromedp.Do(ctx); err != nil {
		return fmt.Errorf("start %s: %w", path, err)
	}
	root = ctx
	return nil
}
