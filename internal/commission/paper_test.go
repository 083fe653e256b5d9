package commission_test

import (
	"context"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"flume.example/sequencerd/internal/commission"
)

var shots = flag.String("shots", "", "folder for the record as a picture and on paper")

// newChromium is a real browser; nil, and said so, where there is none. With CI=true that is a failure.
func newChromium(t *testing.T) context.Context {
	t.Helper()
	program, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("chromium is not here, and the paper cannot be tested without it")
		}
		t.Log("chromium is not here: the paper is NOT CHECKED")
		return nil
	}
	all, stop := chromedp.NewExecAllocator(t.Context(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true))...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(all)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// TestTheRecordFitsItsPaper: on A4, as a browser prints it, nothing is wider than the sheet, no row and no figure is cut, and the whole is a few sheets.
func TestTheRecordFitsItsPaper(t *testing.T) {
	ctx := newChromium(t)
	if ctx == nil {
		return
	}
	for _, c := range []struct {
		name      string
		simulated bool
	}{{"real", false}, {"simulated", true}} {
		r := aRecord()
		r.Simulated = c.simulated
		html, _, err := commission.SaveReport(t.TempDir(), r, installed)
		if err != nil {
			t.Fatal(err)
		}
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(1000, 1400), chromedp.Navigate("file://"+html)); err != nil {
			t.Fatal(err)
		}
		if *shots != "" {
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(90))
			if err != nil {
				t.Fatal(err)
			}
			keep(t, "record-"+c.name+".jpg", png)
		}
		pdf := printed(t, ctx)
		keep(t, "record-"+c.name+".pdf", pdf)
		pages := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(pdf, -1))
		if pages < 3 || pages > 6 {
			t.Errorf("%s: it takes %d sheets; 3 to 6 are what one reads", c.name, pages)
		}
		// Between the margins an A4 sheet has 180 × 265 mm, at 96 CSS pixels an inch: what must not be cut has to be lower than that, and nothing wider.
		var got struct {
			Wide   float64
			Avoid  string
			Tall   float64
			Repeat string
		}
		err = chromedp.Do(ctx, chromedp.EmulateViewport(680, 1001), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
			return err
		}))
		if err != nil {
			t.Fatal(err)
		}
		raw, err := chromedp.Run(ctx, chromedp.Evaluate[string](`(() => {
			const uncut = [...document.querySelectorAll("tr, .whole, .part.short, .figure, .signatures, .cautions li")];
			return JSON.stringify({
				wide: document.documentElement.scrollWidth, tall: Math.max(...uncut.map((e) => e.getBoundingClientRect().height)),
				avoid: [...new Set(uncut.map((e) => getComputedStyle(e).breakInside))].join(), repeat: [...new Set([...document.querySelectorAll("thead")].map((e) => getComputedStyle(e).display))].join(),
			}); })()`))
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(raw), &got); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d sheets, widest %.0f of 680 px, tallest piece %.0f of 1001 px", c.name, pages, got.Wide, got.Tall)
		if got.Wide > 680 || got.Tall > 1001 || got.Avoid != "avoid" || got.Repeat != "table-header-group" {
			t.Errorf("%s: it does not fit its paper: %+v", c.name, got)
		}
	}
}

// printed is the page as a browser prints it.
func printed(t *testing.T, ctx context.Context) (pdf []byte) {
	t.Helper()
	err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		got, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: new(true), PrintBackground: new(true)})
		if err == nil {
			pdf = got.Data
		}
		return err
	}))
	if err != nil {
		t.Fatal(err)
	}
	return pdf
}

func keep(t *testing.T, name string, data []byte) {
	t.Helper()
	if *shots == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(*shots, name), data, 0o644); err != nil {
		t.Fatal(err)
	}
}
