package panel

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

var shots = flag.String("shots", "", "folder for screenshots")

// browser is a real one. Where none is here, a test logs that and returns; with CI=true that is a failure.
type browser struct {
	t   testing.TB
	ctx context.Context
	axe string
}

func newBrowser(t testing.TB) *browser {
	t.Helper()
	missing := func(what string) *browser {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not here, and the pages cannot be tested without it", what)
		}
		t.Logf("%s is not here: the pages are NOT tested", what)
		return nil
	}
	program := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			program = p
			break
		}
	}
	if program == "" {
		return missing("chromium")
	}
	axe, err := os.ReadFile(filepath.Join("testdata", "browser", "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		return missing("axe-core (npm install in internal/panel/testdata/browser)")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
	)
	all, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(all)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 6*time.Minute)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("the browser does not start: %v", err)
	}
	return &browser{t, ctx, string(axe)}
}

// tab is another page in the same browser.
func (b *browser) tab() *browser {
	ctx, cancel := chromedp.NewContext(b.ctx)
	b.t.Cleanup(cancel)
	return &browser{b.t, ctx, b.axe}
}

func (b *browser) open(url string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.Navigate(url)); err != nil {
		b.t.Fatalf("%s: %v", url, err)
	}
}

// until waits for a condition in the page, or in the one that comes in its place.
func (b *browser) until(condition string) {
	b.t.Helper()
	var err error
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); {
		if _, err = chromedp.Run(b.ctx, chromedp.Poll[bool](loaded(condition), chromedp.WithPollingTimeout(time.Until(end)), chromedp.WithPollingInterval(20*time.Millisecond))); err == nil {
			return
		}
		if !strings.Contains(err.Error(), "navigated") && !strings.Contains(err.Error(), "context with specified id") {
			break
		}
	}
	b.t.Fatalf("%s did not come: %v\nthe page says: %s", condition, err, b.text("body"))
}

// loaded is a condition that is not so, instead of an error, as long as the page is not all there.
func loaded(condition string) string {
	return "(() => { try { return !!(" + condition + "); } catch { return false; } })()"
}

// within reports whether a condition comes in time.
func (b *browser) within(condition string, d time.Duration) bool {
	_, err := chromedp.Run(b.ctx, chromedp.Poll[bool](loaded(condition), chromedp.WithPollingTimeout(d), chromedp.WithPollingInterval(20*time.Millisecond)))
	return err == nil
}

// click waits for a button that can be pressed, and presses it.
func (b *browser) click(id string) {
	b.t.Helper()
	b.until(fmt.Sprintf(`(() => { const e = document.getElementById(%q); return e && !e.hidden && !e.disabled && e.getClientRects().length > 0; })()`, id))
	if err := chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("#"+id))); err != nil {
		b.t.Fatalf("#%s: %v", id, err)
	}
}

func (b *browser) eval(script string) string {
	b.t.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](script, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", script, err)
	}
	return s
}

func (b *browser) text(css string) string {
	return b.eval(fmt.Sprintf(`document.querySelector(%q)?.innerText ?? ""`, css))
}

func (b *browser) key(k string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.KeyEvent(k)); err != nil {
		b.t.Fatal(err)
	}
}

// look sets the size of the screen and light or dark.
func (b *browser) look(width, height int64, scheme string) {
	b.t.Helper()
	err := chromedp.Do(b.ctx,
		chromedp.EmulateViewport(width, height),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}},
			})
			return err
		}))
	if err != nil {
		b.t.Fatal(err)
	}
}

// shot keeps what is seen, where the test was asked to.
func (b *browser) shot(name string) {
	b.t.Helper()
	if *shots == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
	if err == nil {
		err = os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// sound holds the page to axe's rules of WCAG 2.2, levels A and AA, and to the contrast of AAA.
func (b *browser) accessible(name string) {
	b.t.Helper()
	b.eval(b.axe + `;""`)
	raw := b.eval(`axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}, rules: {"color-contrast-enhanced": {enabled: true}}}).then((r) => JSON.stringify({
		passes: r.passes.length, found: r.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + n.target + ": " + n.failureSummary)) }))`)
	var r struct {
		Passes int
		Found  []string
	}
	if err := json.Unmarshal([]byte(raw), &r); err != nil {
		b.t.Fatal(err)
	}
	if len(r.Found) > 0 || r.Passes < 10 {
		b.t.Errorf("%s: %d rules pass; axe finds:\n%s", name, r.Passes, strings.Join(r.Found, "\n"))
	}
}
