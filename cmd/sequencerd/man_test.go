package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// Every command that help shows has a page, with every flag and argument and its help; and man, where it is here, has nothing to warn of.
func TestTheManualSaysWhatTheHelpSays(t *testing.T) {
	dir := t.TempDir()
	var out, errs bytes.Buffer
	if code := execute(t.Context(), []string{"man", dir}, console{os.Stdin, &out, &errs}); code != exitOK {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	k, err := kong.New(&commandLine{}, kong.Name("sequencerd"), kong.Vars{"version": "v"})
	if err != nil {
		t.Fatal(err)
	}
	plain := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	pages := 0
	look := func(page string, n *kong.Node) {
		text, err := os.ReadFile(filepath.Join(dir, page+".1"))
		if err != nil {
			t.Error(err)
			return
		}
		has := plain(string(text))
		want := []string{n.Help}
		for _, f := range n.Flags {
			if !f.Hidden {
				want = append(want, "--"+f.Name, f.Help)
			}
		}
		for _, a := range n.Positional {
			want = append(want, strings.ToUpper(a.Name), a.Help)
		}
		for _, w := range want {
			if !strings.Contains(has, plain(roff(w))) {
				t.Errorf("%s does not say %q", page, w)
			}
		}
	}
	look("sequencerd", k.Model.Node)
	for _, c := range k.Model.Children {
		page := "sequencerd-" + c.Name
		if c.Hidden {
			if _, err := os.Stat(filepath.Join(dir, page+".1")); err == nil {
				t.Errorf("%s is hidden and has a page", page)
			}
			continue
		}
		pages++
		look(page, c)
		for _, l := range c.Leaves(true) {
			look(page, l)
		}
	}
	written, err := filepath.Glob(filepath.Join(dir, "*.1"))
	if err != nil || len(written) != pages+1 || pages < 10 {
		t.Errorf("%d pages for %d commands and the program (%v)", len(written), pages, err)
	}
	manIsContent(t, written)
}

// manIsContent holds pages to groff, as man runs it and lintian does.
func manIsContent(t *testing.T, pages []string) {
	if _, err := exec.LookPath("groff"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Errorf("groff is not here: %v", err)
		} else {
			t.Log("NOT CHECKED: groff is not here")
		}
		return
	}
	warns := func(file string) string {
		c := exec.Command("groff", "-mandoc", "-Tutf8", "-Kutf8", "-ww", "-z", file)
		out, err := c.CombinedOutput()
		if err != nil {
			t.Errorf("groff %s: %v", file, err)
		}
		return string(out)
	}
	for _, p := range pages {
		if w := warns(p); w != "" {
			t.Errorf("%s: %s", filepath.Base(p), w)
		}
	}
	// groff is seen to mind a mistake.
	bad := filepath.Join(t.TempDir(), "bad.1")
	if err := os.WriteFile(bad, []byte(".TH BAD 1\n.SH NAME\n.NOSUCHMACRO x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if warns(bad) == "" {
		t.Error("groff did not mind an unknown macro")
	}
}

// Text from the help cannot become a command of the page.
func TestNothingInAPageIsACommand(t *testing.T) {
	for in, want := range map[string]string{
		".so /etc/passwd": `\&.so /etc/passwd`, "'x": `\&'x`, "a\n.b": "a\n\\&.b", `\fB`: `\efB`, "--a-b": `\-\-a\-b`, "1 … 2": "1 ... 2",
	} {
		if got := roff(in); got != want {
			t.Errorf("roff(%q) = %q, want %q", in, got, want)
		}
	}
}
