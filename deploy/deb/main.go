// Command deb builds the Debian packages: for each kind of machine the program, its service, its documents and what it owes to others.
//
//	go run ./deploy/deb [-out bin/packages] [-arch amd64,arm64,armhf] [-version 1.2.3]
//
// The same tree gives the same bytes, on any machine with the same Go and dpkg.
package main

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// machine is a kind of machine: Debian's name, and what Go calls it.
type machine struct {
	debian string
	env    []string
}

// machines are all that packages are built for. Arm v7 is what Debian's armhf demands of a processor.
var machines = []machine{
	{"amd64", []string{"GOARCH=amd64"}},
	{"arm64", []string{"GOARCH=arm64"}},
	{"armhf", []string{"GOARCH=arm", "GOARM=7"}},
}

// source is what is packed: a tree, its version and its time.
type source struct {
	root    string
	version string
	at      time.Time
}

func main() {
	out := flag.String("out", "bin/packages", "folder for the packages")
	arch := flag.String("arch", "amd64,arm64,armhf", "kinds of machines, by Debian's names")
	version := flag.String("version", "", "version; else the tag of this commit, as in v1.2.3, else one made of its time")
	root := flag.String("root", ".", "the tree")
	flag.Parse()
	if err := run(*root, *out, *version, strings.Split(*arch, ",")); err != nil {
		fmt.Fprintf(os.Stderr, "deb: %v\n", err)
		os.Exit(1)
	}
}

func run(root, out, version string, arches []string) error {
	if _, err := exec.LookPath("dpkg-deb"); err != nil {
		return fmt.Errorf("dpkg-deb is missing: apt install dpkg")
	}
	s, err := readSource(root, version)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return fmt.Errorf("no folder for the packages: %w", err)
	}
	for _, a := range arches {
		i := slices.IndexFunc(machines, func(m machine) bool { return m.debian == a })
		if i < 0 {
			return fmt.Errorf("-arch %s: allowed are amd64, arm64, armhf", a)
		}
		began := time.Now()
		name, err := s.pack(machines[i], out)
		if err != nil {
			return err
		}
		fmt.Printf("%s, %.0f s\n", name, time.Since(began).Seconds())
	}
	return nil
}

// versions of upstream, as Debian Policy 5.6.12 allows them; "-" is left to divide off our revision.
var upstream = regexp.MustCompile(`^[0-9][A-Za-z0-9.+~]*$`)

// readSource finds version and time: of the commit, so that building it again gives the same bytes. SOURCE_DATE_EPOCH goes before (the
// specification of reproducible-builds.org).
func readSource(root, version string) (*source, error) {
	s := &source{root: root, version: version}
	git := func(args ...string) (string, error) {
		c := exec.Command("git", append([]string{"-C", root}, args...)...)
		text, err := c.Output()
		return strings.TrimSpace(string(text)), err
	}
	epoch, given := os.LookupEnv("SOURCE_DATE_EPOCH")
	if !given {
		var err error
		if epoch, err = git("log", "-1", "--format=%ct"); err != nil {
			return nil, fmt.Errorf("the tree's time is not known (no git here: %w): set SOURCE_DATE_EPOCH, and -version", err)
		}
	}
	seconds, err := strconv.ParseInt(epoch, 10, 64)
	if err != nil {
		return nil, fmt.Errorf("SOURCE_DATE_EPOCH %q: allowed are seconds since 1970", epoch)
	}
	s.at = time.Unix(seconds, 0).UTC()
	if s.version == "" {
		if tag, err := git("describe", "--tags", "--exact-match", "--match", "v[0-9]*"); err == nil {
			s.version = strings.TrimPrefix(tag, "v")
		} else if commit, err := git("rev-parse", "--short=9", "HEAD"); err == nil {
			s.version = "0~" + s.at.Format("20060102.150405") + "." + commit // below any release, and rising
		} else {
			return nil, fmt.Errorf("the version is not known (no git here): give -version")
		}
		if dirty, err := git("status", "--porcelain", "--untracked-files=no"); err != nil || dirty != "" {
			s.version += "+changed"
		}
	}
	if !upstream.MatchString(s.version) {
		return nil, fmt.Errorf("-version %q: allowed are a digit, then letters, digits, %q, %q and %q", s.version, ".", "+", "~")
	}
	return s, nil
}

// debianVersion is the version with our revision.
func (s *source) debianVersion() string { return s.version + "-1" }

// pack builds one package and gives its path.
func (s *source) pack(m machine, out string) (string, error) {
	dir, err := os.MkdirTemp("", "sequencerd-deb-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(dir)
	t := &tree{source: s, machine: m, dir: filepath.Join(dir, "root")}
	if err := t.fill(); err != nil {
		return "", err
	}
	name := filepath.Join(out, fmt.Sprintf("sequencerd_%s_%s.deb", s.debianVersion(), m.debian))
	// One thread: what several make differs from what one makes.
	c := exec.Command("dpkg-deb", "--root-owner-group", "-Zxz", "--threads-max=1", "--build", t.dir, name)
	c.Env = append(os.Environ(), fmt.Sprintf("SOURCE_DATE_EPOCH=%d", s.at.Unix()))
	if text, err := c.CombinedOutput(); err != nil {
		return "", fmt.Errorf("dpkg-deb: %w\n%s", err, text)
	}
	return name, nil
}

// goTool runs Go for a machine, in the tree.
func (s *source) goTool(m machine, args ...string) ([]byte, error) {
	c := exec.Command("go", args...)
	c.Dir = s.root
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOFLAGS=", "GOWORK=off")
	c.Env = append(c.Env, m.env...)
	c.Stderr = os.Stderr
	text, err := c.Output()
	if err != nil {
		return nil, fmt.Errorf("go %s: %w", args[0], err)
	}
	return text, nil
}
