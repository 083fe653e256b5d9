package main

import (
	"bytes"
	"compress/gzip"
	"crypto/md5"
	"embed"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// tree is what a package unpacks to, with its control files in DEBIAN.
type tree struct {
	*source
	machine machine
	dir     string
	files   []string // without DEBIAN, relative, in the order of their making
}

//go:embed debian
var scripts embed.FS

const (
	conffile = "etc/sequencerd/sequencerd.toml"
	docs     = "usr/share/doc/sequencerd"
	share    = "usr/share/sequencerd"
	program  = "usr/bin/sequencerd"
)

func (t *tree) fill() error {
	for _, step := range []func() error{t.binary, t.service, t.configuration, t.examples, t.manual, t.documents, t.owed, t.control} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// binary builds the program, stamped with the version.
func (t *tree) binary() error {
	out, err := filepath.Abs(filepath.Join(t.dir, program))
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(out), 0o755); err != nil {
		return err
	}
	if _, err := t.goTool(t.machine, "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -X main.release="+t.version, "-o", out, "./cmd/sequencerd"); err != nil {
		return err
	}
	t.files = append(t.files, program)
	return os.Chmod(out, 0o755)
}

func (t *tree) service() error {
	for from, to := range map[string]string{
		"sequencerd.service":  "usr/lib/systemd/system/sequencerd.service",
		"60-sequencerd.rules": "usr/lib/udev/rules.d/60-sequencerd.rules",
		"sequencerd.sysusers": "usr/lib/sysusers.d/sequencerd.conf",
		"sequencerd.sysctl":   "usr/lib/sysctl.d/60-sequencerd.conf",
	} {
		if err := t.copy("deploy/systemd/"+from, to); err != nil {
			return err
		}
	}
	return nil
}

// storeKey is the one key in which the package's configuration differs from the default: so that the owner's commands find the service's swims.
const storeKey, storeIs = "path = \"\"                       #", "path = \"/var/lib/sequencerd\"    #"

func (t *tree) configuration() error {
	text, err := os.ReadFile(filepath.Join(t.root, "config/sequencerd.toml"))
	if err != nil {
		return err
	}
	if n := bytes.Count(text, []byte(storeKey)); n != 1 {
		return fmt.Errorf("config/sequencerd.toml: the line of [store] path was looked for as %q and is there %d times", storeKey, n)
	}
	text = bytes.Replace(text, []byte(storeKey), []byte(storeIs), 1)
	if err := t.write(conffile, text, 0o644); err != nil {
		return err
	}
	return t.write(share+"/sequencerd.toml", text, 0o644) // as it came, beside the owner's
}

// examples are the demo sessions and drive maps, which the program has in itself too.
func (t *tree) examples() error {
	for _, dir := range []string{"sessions", "drives"} {
		if err := t.copyAll("config/"+dir, share+"/"+dir, ".toml"); err != nil {
			return err
		}
	}
	return nil
}

// manual asks the program itself, built for this computer, for its pages.
func (t *tree) manual() error {
	dir, err := os.MkdirTemp("", "sequencerd-man-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	here := machine{"", nil}
	if _, err := t.goTool(here, "run", "-trimpath", "-buildvcs=false", "-ldflags", "-X main.release="+t.version, "./cmd/sequencerd", "man", dir); err != nil {
		return err
	}
	pages, err := filepath.Glob(filepath.Join(dir, "*.1"))
	if err != nil || len(pages) == 0 {
		return fmt.Errorf("no manual pages (%v)", err)
	}
	for _, p := range pages {
		text, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		if err := t.writeGzip("usr/share/man/man1/"+filepath.Base(p)+".gz", text); err != nil {
			return err
		}
	}
	return nil
}

func (t *tree) documents() error {
	for _, name := range []string{"README.md", "SAFETY.md"} {
		if err := t.copy(name, docs+"/"+name); err != nil {
			return err
		}
	}
	if err := t.copyAll("docs", docs+"/docs", ".md", ".svg", ".png"); err != nil {
		return err
	}
	changes, err := os.ReadFile(filepath.Join(t.root, "CHANGELOG.md"))
	if err != nil {
		return err
	}
	if err := t.writeGzip(docs+"/changelog.gz", changes); err != nil {
		return err
	}
	entry := fmt.Sprintf("sequencerd (%s) unstable; urgency=medium\n\n  * Built from the source of that version; changelog.gz has what changed.\n\n -- %s  %s\n",
		t.debianVersion(), maintainer, t.at.Format("Mon, 02 Jan 2006 15:04:05 -0700"))
	if err := t.writeGzip(docs+"/changelog.Debian.gz", []byte(entry)); err != nil {
		return err
	}
	overrides, err := scripts.ReadFile("debian/lintian-overrides")
	if err != nil {
		return err
	}
	return t.write("usr/share/lintian/overrides/sequencerd", overrides, 0o644)
}

// owed is debian/copyright.
func (t *tree) owed() error {
	text, err := t.copyright(t.machine)
	if err != nil {
		return err
	}
	return t.write(docs+"/copyright", text, 0o644)
}

const maintainer = "The sequencerd developers <sequencerd@flume.example>"

func (t *tree) control() error {
	slices.Sort(t.files)
	var sums strings.Builder
	size := 0 // KiB, as dpkg-gencontrol counts: each file rounded up, each folder one
	folders := map[string]bool{}
	for _, f := range t.files {
		text, err := os.ReadFile(filepath.Join(t.dir, f))
		if err != nil {
			return err
		}
		if f != conffile {
			fmt.Fprintf(&sums, "%x  %s\n", md5.Sum(text), f)
		}
		size += (len(text) + 1023) / 1024
		for d := filepath.Dir(f); d != "."; d = filepath.Dir(d) {
			folders[d] = true
		}
	}
	control := fmt.Sprintf(`Package: sequencerd
Version: %s
Architecture: %s
Maintainer: %s
Installed-Size: %d
Depends: init-system-helpers (>= 1.54~), systemd | systemd-standalone-sysusers | systemd-sysusers
Recommends: systemd, tzdata, udev
Suggests: mosquitto
Section: misc
Priority: optional
Description: swims training sessions in a flume
 A flume is a small pool in which a motor drives the water and one swims
 against it on the spot. This service reads a session from a text file, works
 out the speed of the water for every moment of it, shows beforehand what will
 be swum, and commands the motor, so that the water changes pace by itself.
 It has a deck panel for browsers, reads buttons beside the water, and keeps
 what was swum.
 .
 As installed it moves a simulated motor. It is not a safety device: read
 SAFETY.md before anybody swims in water that it moves.
`, t.debianVersion(), t.machine.debian, maintainer, size+len(folders))
	for name, text := range map[string]string{"control": control, "md5sums": sums.String(), "conffiles": "/" + conffile + "\n"} {
		if err := t.place("DEBIAN/"+name, []byte(text), 0o644); err != nil {
			return err
		}
	}
	for _, name := range []string{"postinst", "prerm", "postrm"} {
		text, err := scripts.ReadFile("debian/" + name)
		if err != nil {
			return err
		}
		if err := t.place("DEBIAN/"+name, text, 0o755); err != nil {
			return err
		}
	}
	return nil
}

// copy copies a file of the tree that git knows.
func (t *tree) copy(from, to string) error {
	text, err := os.ReadFile(filepath.Join(t.root, from))
	if err != nil {
		return err
	}
	return t.write(to, text, 0o644)
}

// copyAll copies the files below a folder that have one of the endings.
func (t *tree) copyAll(from, to string, endings ...string) error {
	return fs.WalkDir(os.DirFS(filepath.Join(t.root, from)), ".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && d.Name() == "decisions" { // for whoever works on the source
			return fs.SkipDir
		}
		if err != nil || d.IsDir() || !slices.Contains(endings, filepath.Ext(path)) {
			return err
		}
		return t.copy(filepath.Join(from, path), filepath.Join(to, path))
	})
}

// writeGzip writes a file as gzip -9n does: neither name nor time in it.
func (t *tree) writeGzip(to string, text []byte) error {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := z.Write(text); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	return t.write(to, b.Bytes(), 0o644)
}

func (t *tree) write(to string, text []byte, mode os.FileMode) error {
	t.files = append(t.files, to)
	return t.place(to, text, mode)
}

// place writes a file with folders and modes that no umask has a say in.
func (t *tree) place(to string, text []byte, mode os.FileMode) error {
	path := filepath.Join(t.dir, to)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(path, text, mode); err != nil {
		return err
	}
	return os.Chmod(path, mode)
}
