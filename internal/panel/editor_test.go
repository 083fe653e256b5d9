package panel

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	devtools "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
)

// named presses a button by the name that it has for those who hear the page.
func (b *browser) named(name string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(fmt.Sprintf(`button[aria-label=%q]`, name)))); err != nil {
		b.t.Fatalf("%q: %v", name, err)
	}
}

// write puts text into a field as somebody types it, in place of what is there.
func (b *browser) write(field, text string) {
	b.t.Helper()
	b.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.focus(); e.select(); return ""; })()`, field))
	b.key(text)
}

// give gives a file to a field for files.
func (b *browser) give(id, path string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.SetUploadFiles(chromedp.CSS("#"+id), []string{path})); err != nil {
		b.t.Fatal(err)
	}
}

// keepFile writes a file of a test's own, and says where.
func keepFile(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// saved follows a link to a file, and gives what the browser has saved under its name.
func (b *browser) saved(link, name string) string {
	b.t.Helper()
	folder := b.t.TempDir()
	if _, err := chromedp.Call(b.ctx, devtools.SetDownloadBehavior, devtools.SetDownloadBehaviorParams{Behavior: devtools.SetDownloadBehaviorBehaviorAllow, DownloadPath: folder}); err != nil {
		b.t.Fatal(err)
	}
	if err := chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(link))); err != nil {
		b.t.Fatalf("%s: %v", link, err)
	}
	path := filepath.Join(folder, name)
	waitFor(b.t, "the file "+name, func() bool { _, err := os.Stat(path); return err == nil })
	text, err := os.ReadFile(path)
	if err != nil {
		b.t.Fatal(err)
	}
	return string(text)
}

// rowsAre is the condition that the lines of the editor are these.
func rowsAre(lines ...string) string {
	return fmt.Sprintf(`[...document.querySelectorAll("#lines input")].map((i) => i.value).join("|") === %q`, strings.Join(lines, "|"))
}

// wordsOf is the condition that some line's words have a text in them.
func wordsOf(line int, text string) string {
	return fmt.Sprintf(`document.querySelectorAll("#lines .words")[%d]?.innerText.includes(%q)`, line-1, text)
}

const totals = `document.getElementById("totals").innerText`

// A session is written in the browser, line by line: added, moved, doubled, deleted, each with its words, the totals and the curve as one writes, and a mistake
// at its line; what is kept is the plain file, and no more.
func TestEditor(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{})
	b.look(1280, 800, "light")
	b.open(r.base + "/sessions/+new")
	const warm, main, cool = "Warm-up: 2:00 at 2:20", "Main: 4 x 50 at 2:00, rest :20", "Cool-down: 1:00 at 2:30"
	b.until(rowsAre(warm, main, cool) + ` && ` + wordsOf(1, "2:20") + ` && document.querySelectorAll("#line svg .edge").length === 9`)
	// 2:00, four times 1:00 and 0:20, and 1:00 are asked: 8:20. 2:00 at 2:20 are 85.7 m, 1:00 at 2:30 are 40 m, with 200 m 326 m.
	b.until(totals + `.includes("8:20 and 326 m are asked")`)

	b.click("add")
	b.key("Drills: 2 x 1:00 at 2:30")
	b.until(wordsOf(4, "2:30") + ` && ` + totals + `.includes("10:20 and 406 m are asked") && document.querySelectorAll("#line svg .edge").length === 11`)
	b.named("Up: Line 4")
	b.named("Up: Line 3")
	const drills = "Drills: 2 x 1:00 at 2:30"
	b.until(rowsAre(warm, drills, main, cool) + ` && ` + wordsOf(2, "2:30"))
	b.named("Down: Line 2")
	b.until(rowsAre(warm, main, drills, cool))
	b.named("Double: Line 2")
	b.until(rowsAre(warm, main, main, drills, cool) + ` && ` + totals + `.includes("15:40 and 606 m are asked")`)
	b.named("Delete: Line 4")
	b.until(rowsAre(warm, main, main, cool) + ` && ` + totals + `.includes("13:40 and 526 m are asked")`)

	b.write("#lines li:nth-child(3) input", "Main: 4 x fifty at 2:00")
	b.until(`document.querySelector("#lines li:nth-child(3)").className === "wrong" && document.querySelector("#lines li:nth-child(3) input").getAttribute("aria-invalid") === "true"`)
	b.until(wordsOf(3, "fifty") + ` && ` + totals + ` === "1 to mend." && !document.querySelector("#line svg")`)
	if n := b.eval(`String(document.querySelectorAll("#lines .wrong").length)`); n != "1" {
		t.Errorf("%s lines are marked", n)
	}
	b.accessible("a mistake in the editor")
	b.shot("editor-mistake-tablet-light")
	b.write("#name", "From the browser")
	b.click("keep")
	b.until(`document.getElementById("says").innerText.includes("The session has mistakes")`)
	if _, err := os.Stat(filepath.Join(r.sessions, "From the browser.toml")); err == nil {
		t.Error("a session with a mistake was kept")
	}
	b.write("#lines li:nth-child(3) input", `Sprint: 2 x 25 at 1:50, rest :30`)
	b.until(wordsOf(3, "1:50") + ` && !document.querySelector("#lines .wrong") && document.querySelector("#line svg")`)
	b.write("#session-title", `Otterford "short"`)
	b.until(`document.getElementById("title").innerText === 'Otterford "short"'`)
	b.click("keep")
	b.until(`location.pathname === "/sessions/From%20the%20browser" && document.querySelector("#lines input")`)
	got, err := os.ReadFile(filepath.Join(r.sessions, "From the browser.toml"))
	want := "format = 1\ntitle = \"Otterford \\\"short\\\"\"\nunit = \"m\"\nlines = \"\"\"\n" + warm + "\n" + main + "\nSprint: 2 x 25 at 1:50, rest :30\n" + cool + "\n\"\"\"\n"
	if err != nil || string(got) != want {
		t.Errorf("kept was (%v)\n%s\nwant\n%s", err, got, want)
	}
	if out := b.saved(`a[href$="?download"]`, "From the browser.toml"); out != want {
		t.Errorf("the browser saved\n%s", out)
	}
}

const commented = `# Tuesdays, before school.
format = 1
title = "Tuesday"      # as on the board
unit = "m"

[[step]]               # nothing hard yet
kind = "warm-up"
distance = 200
pace = "2:20"

[[step]]
repeat = 10            # the point of it

  [[step.step]]
  distance = 100
  pace = "2:00"

  [[step.step]]
  rest = "0:20"
`

// A file is taken in, seen changed as a whole before it is changed, changed, kept and given out: comments and order stay.
func TestWholeSessionChanges(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{})
	b.look(1280, 800, "light")
	b.open(r.base + "/sessions")
	b.give("import", keepFile(t, "Tuesday.toml", commented))
	b.until(`location.pathname === "/sessions/Tuesday" && document.querySelector("#line svg")`)
	kept := filepath.Join(r.sessions, "Tuesday.toml")
	file := func() string {
		t.Helper()
		text, err := os.ReadFile(kept)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	if file() != commented {
		t.Errorf("taken in was\n%s", file())
	}
	// 200 m at 2:20 are 4:40, ten hundreds at 2:00 and rests of 0:20 are 23:20.
	b.until(totals + `.includes("28:00 and 1200 m are asked")`)
	b.write("#change-percent", "50")
	b.click("change-shorter")
	b.until(`!document.getElementById("change").hidden && !document.getElementById("previewed").hidden && ` + totals + `.includes("14:00 and 600 m are asked")`)
	if text := b.text("#changes"); !strings.Contains(text, "repeat = 10            # the point of it") || !strings.Contains(text, "repeat = 5            # the point of it") || !strings.Contains(text, "distance = 100") {
		t.Errorf("the preview shows\n%s", text)
	}
	b.accessible("a change that is not kept yet")
	b.shot("editor-change-tablet-light")
	b.click("change-drop")
	b.until(`document.getElementById("change").hidden && ` + totals + `.includes("28:00 and 1200 m are asked")`)
	area := func() string { return b.eval(`document.getElementById("text").value`) }
	if area() != commented {
		t.Error("a change that was dropped changed the text")
	}
	b.write("#change-seconds", "5")
	b.click("change-slower")
	b.until(`!document.getElementById("change").hidden`)
	b.click("change-keep")
	slower := strings.NewReplacer(`"2:20"`, `"2:25"`, `"2:00"`, `"2:05"`).Replace(commented)
	if area() != slower {
		t.Errorf("slower it is\n%s", area())
	}
	if file() != commented {
		t.Error("the file changed before anybody kept it")
	}
	b.click("change-faster")
	b.until(`!document.getElementById("change").hidden`)
	b.click("change-keep")
	if area() != commented {
		t.Errorf("and faster by the same\n%s", area())
	}
	b.click("change-unit")
	b.until(`!document.getElementById("change").hidden && ` + totals + `.includes("yd are asked")`)
	b.click("change-keep")
	// 2:20 per 100 m is 2:08 per 100 yd (140 s × 0.9144 = 128.0), 2:00 is 1:49.7; 200 m are 218.7 yd, written as 225; 100 m are 109.4, written as 100.
	yards := strings.NewReplacer(`"m"`, `"yd"`, `"2:20"`, `"2:08"`, `"2:00"`, `"1:49.7"`, "= 200", "= 225", "= 100", "= 100").Replace(commented)
	if area() != yards {
		t.Errorf("in yards it is\n%s\nwant\n%s", area(), yards)
	}
	b.until(`document.getElementById("change-unit").innerText === "Write it in metres" && document.getElementById("unit").value === "yd"`)
	b.write("#change-percent", "1")
	b.click("change-shorter")
	b.until(`document.getElementById("change-says").innerText.includes("nothing in it gets shorter by so little")`)
	b.click("keep")
	b.until(`document.getElementById("says").innerText === "Kept as Tuesday."`)
	if file() != yards {
		t.Errorf("kept was\n%s", file())
	}
	if out := b.saved(`a[href$="?download"]`, "Tuesday.toml"); out != yards {
		t.Errorf("the browser saved\n%s", out)
	}
	// What is wrong in a file that is taken in is said with its place, and nothing is kept.
	b.open(r.base + "/sessions")
	b.give("import", keepFile(t, "Bad one.toml", "format = 1\ntitle = \"x\"\nlines = \"\"\"\n4 x fifty\n\"\"\"\n"))
	b.until(`document.getElementById("says").innerText.includes("Bad one.toml:4:")`)
	if _, err := os.Stat(filepath.Join(r.sessions, "Bad one.toml")); err == nil {
		t.Error("a file with mistakes was kept")
	}
}
