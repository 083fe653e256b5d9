package main

import (
	"bytes"
	"debug/buildinfo"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

const root = "../.."

// when is the time of the source in tests: what is packed must not depend on when.
var when = time.Date(2026, 11, 1, 12, 0, 0, 0, time.UTC)

// built is the package for amd64, made once for all tests.
var built struct {
	deb, dir string // and unpacked, with its control files in DEBIAN
	err      error
}

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "deb")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	if _, err := exec.LookPath("dpkg-deb"); err == nil {
		s := &source{root: root, version: "1.2.3", at: when}
		built.dir = filepath.Join(dir, "unpacked")
		if built.deb, built.err = s.pack(machines[0], dir); built.err == nil {
			built.err = exec.Command("dpkg-deb", "-R", built.deb, built.dir).Run()
		}
	}
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// packed says whether there is a package to look at.
func packed(t *testing.T) bool {
	t.Helper()
	if built.err != nil {
		t.Fatal(built.err)
	}
	return has(t, "dpkg-deb")
}

// has says whether a program of the system is here. On the build machine it must be.
func has(t *testing.T, name string) bool {
	t.Helper()
	_, err := exec.LookPath(name)
	if err != nil && os.Getenv("CI") == "true" {
		t.Errorf("%s is not here: %v", name, err)
	} else if err != nil {
		t.Logf("NOT CHECKED: %s is not here", name)
	}
	return err == nil
}

func unpacked(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(built.dir, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The same source in another folder, with another umask in force, gives the same bytes.
func TestTheSameSourceGivesTheSameBytes(t *testing.T) {
	if !packed(t) {
		return
	}
	elsewhere := filepath.Join(t.TempDir(), "another", "place")
	for _, dir := range []string{"cmd", "config", "deploy", "docs", "internal"} {
		if err := os.CopyFS(filepath.Join(elsewhere, dir), os.DirFS(filepath.Join(root, dir))); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range []string{"go.mod", "go.sum", "README.md", "SAFETY.md", "CHANGELOG.md"} {
		text, err := os.ReadFile(filepath.Join(root, f))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(elsewhere, f), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := &source{root: elsewhere, version: "1.2.3", at: when}
	again, err := s.pack(machines[0], t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	one, err := os.ReadFile(built.deb)
	if err != nil {
		t.Fatal(err)
	}
	two, err := os.ReadFile(again)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one, two) {
		t.Errorf("two builds differ: %d and %d bytes", len(one), len(two))
	}
}

// What an owner and Debian's tools look for is where the Filesystem Hierarchy Standard, systemd and Debian Policy put it.
func TestWhatIsInThePackage(t *testing.T) {
	if !packed(t) {
		return
	}
	for path, why := range map[string]string{
		"usr/bin/sequencerd": "the program", "usr/lib/systemd/system/sequencerd.service": "the service", "usr/lib/udev/rules.d/60-sequencerd.rules": "devices",
		"usr/lib/sysusers.d/sequencerd.conf": "the user", "usr/lib/sysctl.d/60-sequencerd.conf": "the slice of real-time threads", conffile: "the configuration", share + "/sequencerd.toml": "the configuration as it came",
		share + "/sessions/first-swim.toml": "a demo session", share + "/sessions/lines/first-swim.toml": "and in lines", share + "/drives/tarnholm-v.toml": "a drive's map",
		"usr/share/man/man1/sequencerd.1.gz": "the manual", "usr/share/man/man1/sequencerd-rehearse.1.gz": "a command's page",
		docs + "/copyright": "what is owed", docs + "/changelog.Debian.gz": "Debian Policy 12.7", docs + "/README.md": "cautions", docs + "/SAFETY.md": "hazards", docs + "/docs/lines.md": "how to write sessions",
	} {
		if info, err := os.Stat(filepath.Join(built.dir, path)); err != nil || info.Size() == 0 {
			t.Errorf("%s is not there (%v): %s", path, err, why)
		}
	}
	err := filepath.WalkDir(built.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(built.dir, path)
		want := fs.FileMode(0o644)
		if d.IsDir() || rel == program || regexp.MustCompile(`^DEBIAN/(postinst|prerm|postrm)$`).MatchString(rel) {
			want = 0o755
		}
		if !d.IsDir() && !d.Type().IsRegular() || info.Mode().Perm() != want {
			t.Errorf("%s is %v, want %v", rel, info.Mode(), want)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if got := unpacked(t, "DEBIAN/conffiles"); got != "/"+conffile+"\n" {
		t.Errorf("conffiles are %q", got)
	}
	out, err := exec.Command(filepath.Join(built.dir, program), "--version").Output()
	if err != nil || !strings.HasPrefix(string(out), "sequencerd 1.2.3 go1.") {
		t.Errorf("it calls itself %q (%v)", out, err)
	}
	for _, script := range []string{"postinst", "prerm", "postrm"} {
		if text := unpacked(t, "DEBIAN/"+script); !strings.HasPrefix(text, "#!/bin/sh\n") || !strings.Contains(text, "\nset -e\n") {
			t.Errorf("%s goes on after an error", script)
		}
	}
}

// The configuration is the default with one key changed, and the program takes it.
func TestTheConfigurationIsTheDefault(t *testing.T) {
	if !packed(t) {
		return
	}
	text, err := os.ReadFile(filepath.Join(root, "config/sequencerd.toml"))
	if err != nil {
		t.Fatal(err)
	}
	was, is := strings.Split(string(text), "\n"), strings.Split(unpacked(t, conffile), "\n")
	if len(was) != len(is) {
		t.Fatalf("%d lines became %d", len(was), len(is))
	}
	var changed []string
	for i := range was {
		if was[i] != is[i] {
			changed = append(changed, is[i])
		}
	}
	if len(changed) != 1 || !strings.HasPrefix(changed[0], `path = "/var/lib/sequencerd" `) {
		t.Errorf("changed are %q", changed)
	}
	if out, err := exec.Command(filepath.Join(built.dir, program), "check", filepath.Join(built.dir, conffile)).CombinedOutput(); err != nil {
		t.Errorf("the program refuses it: %s", out)
	}
}

// Every module that the linker put in, as the program itself tells (debug/buildinfo), stands in copyright with a licence that we know.
func TestEveryLinkedModuleHasItsTerms(t *testing.T) {
	if packed(t) {
		info, err := buildinfo.ReadFile(filepath.Join(built.dir, program))
		if err != nil {
			t.Fatal(err)
		}
		owed := unpacked(t, docs+"/copyright")
		for _, d := range info.Deps {
			if !regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(d.Path+" "+d.Version) + `\n    \S.*\n    .*\[\d+\]`).MatchString(owed) {
				t.Errorf("%s %s is linked in, and copyright does not have its terms", d.Path, d.Version)
			}
		}
		if len(info.Deps) < 10 || !strings.Contains(owed, "standard library and runtime go1.") {
			t.Errorf("%d modules", len(info.Deps))
		}
	}
	for _, m := range machines {
		s := &source{root: root, version: "1.2.3", at: when}
		if text, err := s.copyright(m); err != nil {
			t.Errorf("%s: %v", m.debian, err)
		} else if bytes.Contains(bytes.ToLower(text), []byte("gnu general public license\n")) {
			t.Errorf("%s: text of a licence that was not chosen", m.debian)
		}
	}
}

// Terms that nobody has read, and no terms, keep a module out.
func TestUnknownTermsAreAnError(t *testing.T) {
	for what, c := range map[string]struct {
		name, text string
		wrong      bool
		terms      []string
	}{
		"terms of somebody's own":  {"LICENSE", "You may use this on Sundays.", true, nil},
		"the GNU licence":          {"COPYING", "GNU GENERAL PUBLIC LICENSE Version 3, 29 June 2007", true, nil},
		"none":                     {"README", "Have fun.", false, nil},
		"ISC":                      {"LICENSE.md", "Permission to use, copy, modify, and/or distribute this\nsoftware for any purpose with or without fee is hereby granted", false, []string{"ISC"}},
		"source that has the name": {"license.go", "package licence", false, nil},
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, c.name), []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		m := &module{path: "example.test/m", version: "v1", dir: dir}
		if err := m.look(dir); (err != nil) != c.wrong || !slices.Equal(m.terms, c.terms) {
			t.Errorf("%s: %v, error %v", what, m.terms, err)
		}
	}
}

// Debian's own checker has nothing to say that is not answered beside the override.
func TestLintian(t *testing.T) {
	if !packed(t) || !has(t, "lintian") {
		return
	}
	lintian := func(deb string) string {
		out, err := exec.Command("lintian", "--allow-root", "--no-tag-display-limit", deb).CombinedOutput()
		if _, ran := err.(*exec.ExitError); err != nil && !ran {
			t.Fatal(err)
		}
		return string(out)
	}
	for line := range strings.Lines(lintian(built.deb)) {
		if regexp.MustCompile(`^[EW]: `).MatchString(line) {
			t.Error(strings.TrimSpace(line))
		}
	}
	// It is seen to find a fault: the same package without its copyright.
	bad := t.TempDir()
	if err := os.CopyFS(filepath.Join(bad, "root"), os.DirFS(built.dir)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(bad, "root", docs, "copyright")); err != nil {
		t.Fatal(err)
	}
	deb := filepath.Join(bad, "bad_1.2.3-1_amd64.deb")
	if out, err := exec.Command("dpkg-deb", "--root-owner-group", "-Znone", "-b", filepath.Join(bad, "root"), deb).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if out := lintian(deb); !strings.Contains(out, "E: sequencerd: no-copyright-file") {
		t.Errorf("lintian did not mind a package without copyright: %s", out)
	}
}

func TestVersions(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1700000000")
	for version, good := range map[string]bool{"1.2.3": true, "1.2.3~rc1": true, "v1.2.3": false, "1.2-3": false, "1 2": false, "1;reboot": false} {
		if _, err := readSource(root, version); (err == nil) != good {
			t.Errorf("version %q: %v", version, err)
		}
	}
	if s, err := readSource(root, "1"); err != nil || s.at.Unix() != 1700000000 {
		t.Errorf("time of the source: %v, %v", s, err)
	}
	t.Setenv("SOURCE_DATE_EPOCH", "yesterday")
	if _, err := readSource(root, "1"); err == nil {
		t.Error("a time that is none is taken")
	}
	t.Setenv("SOURCE_DATE_EPOCH", "1700000000")
	if _, err := readSource(t.TempDir(), ""); err == nil {
		t.Error("a tree without git has a version")
	}
	if err := run(root, t.TempDir(), "1", []string{"pdp11"}); has(t, "dpkg-deb") && (err == nil || !strings.Contains(err.Error(), "amd64, arm64, armhf")) {
		t.Errorf("a machine that is none: %v", err)
	}
	if !has(t, "dpkg") {
		return
	}
	// Without a tag, a later commit is a later version, and a release is later than both (deb-version(7), by dpkg).
	rising := []string{"0~20261125.180237.ffffffff0-1", "0~20261125.180238.000000000-1", "0.1.0-1", "0.10.0~rc1-1", "0.10.0-1"}
	for i := range rising[1:] {
		if err := exec.Command("dpkg", "--compare-versions", rising[i], "lt", rising[i+1]).Run(); err != nil {
			t.Errorf("dpkg does not take %s for later than %s", rising[i+1], rising[i])
		}
	}
}
