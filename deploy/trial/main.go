// Command trial tries the Debian packages in a minimal Debian, as root, and leaves nothing behind but a table of what was seen and the Debian itself,
// kept for the next time.
//
//	go build -o bin/trial ./deploy/trial && bin/trial [-only unpacked|boot|service] [-packages bin/packages] [-keep bin/debian]
//
// "unpacked" installs, upgrades, removes and purges by dpkg where no service can run, and starts the Arm builds under emulation. "service" boots that
// Debian under its own systemd, swims, changes the configuration, hangs the program, and does the same again, with the lines that the documents show; "boot"
// only boots it. It ends with 0 where all was as it should be, 1 where not, and 4
// where this computer cannot do it: one that is itself a container often may not start another.
package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

const (
	exitWrong  = 1
	exitCannot = 4
)

// cannot is something that this computer does not allow.
type cannot struct{ error }

func main() {
	only := flag.String("only", "", "unpacked, boot or service; else the first and the last")
	packages := flag.String("packages", "bin/packages", "folder with one package for each kind of machine")
	keep := flag.String("keep", "bin/debian", "folder for the minimal Debian")
	inside := flag.String("inside", "", "file for the table; for the run within the minimal Debian")
	flag.Parse()
	var err error
	if *inside != "" {
		err = withinDebian(*inside)
	} else {
		err = outside(*only, *packages, *keep)
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "trial: %v\n", err)
		if errors.As(err, &cannot{}) {
			os.Exit(exitCannot)
		}
		os.Exit(exitWrong)
	}
}

// needs are the programs that each part wants, and their packages.
var needs = map[string][][2]string{
	"unpacked": {{"mmdebstrap", "mmdebstrap"}, {"dpkg-deb", "dpkg"}, {"chroot", "coreutils"}, {"qemu-aarch64-static", "qemu-user-static"}, {"qemu-arm-static", "qemu-user-static"}},
	"boot":     {{"mmdebstrap", "mmdebstrap"}, {"dpkg-deb", "dpkg"}, {"systemd-nspawn", "systemd-container"}},
	"service":  {{"mmdebstrap", "mmdebstrap"}, {"dpkg-deb", "dpkg"}, {"systemd-nspawn", "systemd-container"}},
}

func outside(only, packages, keep string) error {
	parts := []string{"unpacked", "service"}
	if only != "" {
		if needs[only] == nil {
			return fmt.Errorf("-only %s: allowed are unpacked, boot, service", only)
		}
		parts = []string{only}
	}
	var missing []string
	for _, p := range parts {
		for _, n := range needs[p] {
			if _, err := exec.LookPath(n[0]); err != nil {
				missing = append(missing, n[1])
			}
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("missing here: apt install %s", strings.Join(missing, " "))
	}
	if os.Geteuid() != 0 {
		return errors.New("it installs packages into a Debian of its own: run it as root")
	}
	d := &debian{keep: keep, packages: packages}
	if err := d.make(); err != nil {
		return err
	}
	for _, p := range parts {
		began := time.Now()
		t := &table{began: began}
		err := map[string]func(*table) error{"unpacked": d.unpacked, "boot": d.boots, "service": d.service}[p](t)
		t.print(os.Stdout)
		if err != nil {
			return fmt.Errorf("%s: %w", p, err)
		}
		fmt.Printf("%s: all as it should be, %.0f s\n\n", p, time.Since(began).Seconds())
	}
	return nil
}

// debian is the minimal Debian, packed, and the packages that are tried in it.
type debian struct {
	keep, packages string
	packed         string
}

// release and included are what the Debian is of: no more than a service needs, and a broker for a drive that outlives the program.
const (
	release  = "bookworm"
	included = "systemd,systemd-sysv,dbus,udev,mosquitto,init-system-helpers,procps"
)

// make makes the Debian once; another list of what is in it is another Debian.
func (d *debian) make() error {
	d.packed = filepath.Join(d.keep, release+"-"+strings.ReplaceAll(included, ",", "-")+".tar")
	if _, err := os.Stat(d.packed); err == nil {
		return nil
	}
	if err := os.MkdirAll(d.keep, 0o755); err != nil {
		return err
	}
	began := time.Now()
	half := d.packed + ".new"
	defer os.Remove(half)
	if err := command("mmdebstrap", "-q", "--format=tar", "--variant=minbase", "--include="+included, release, half); err != nil {
		return fmt.Errorf("no minimal Debian: %w", err)
	}
	fmt.Printf("minimal Debian made, %.0f s; kept in %s\n", time.Since(began).Seconds(), d.keep)
	return os.Rename(half, d.packed)
}

// root unpacks the Debian to a folder that remove takes away again, with the packages in its /packages: ours, and an older one.
func (d *debian) root() (dir string, remove func(), err error) {
	if dir, err = os.MkdirTemp(d.keep, "root-"); err != nil {
		return "", nil, err
	}
	if dir, err = filepath.Abs(dir); err != nil {
		return "", nil, err
	}
	remove = func() { _ = command("rm", "-rf", "--one-file-system", dir) }
	defer func() {
		if err != nil {
			remove()
		}
	}()
	if err := command("tar", "-xf", d.packed, "-C", dir, "--numeric-owner"); err != nil {
		return "", nil, err
	}
	if err := os.Mkdir(filepath.Join(dir, "packages"), 0o755); err != nil {
		return "", nil, err
	}
	deb, err := d.deb("amd64")
	if err != nil {
		return "", nil, err
	}
	if err := command("cp", deb, filepath.Join(dir, "packages", "new.deb")); err != nil {
		return "", nil, err
	}
	return dir, remove, older(deb, filepath.Join(dir, "packages", "old.deb"))
}

// deb finds the one package for a kind of machine.
func (d *debian) deb(arch string) (string, error) {
	found, err := filepath.Glob(filepath.Join(d.packages, "sequencerd_*_"+arch+".deb"))
	if err != nil || len(found) != 1 {
		return "", fmt.Errorf("%d packages for %s in %s, one is wanted: make packages", len(found), arch, d.packages)
	}
	return found[0], nil
}

// older makes an earlier version of a package, whose configuration as it came is another one: what an upgrade meets.
func older(deb, out string) error {
	dir, err := os.MkdirTemp("", "older-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	if err := command("dpkg-deb", "-R", deb, dir); err != nil {
		return err
	}
	for file, change := range map[string]func(string) string{
		"DEBIAN/control": func(s string) string {
			before, rest, _ := strings.Cut(s, "Version: ")
			_, after, _ := strings.Cut(rest, "\n")
			return before + "Version: " + olderVersion + "\n" + after
		},
		"etc/sequencerd/sequencerd.toml": func(s string) string { return "# as it came with an older version\n" + s },
	} {
		path := filepath.Join(dir, file)
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if err := os.WriteFile(path, []byte(change(string(text))), 0o644); err != nil {
			return err
		}
	}
	return command("dpkg-deb", "--root-owner-group", "-Znone", "-b", dir, out)
}

const olderVersion = "0~0-1"

// command runs a program, whose words are shown only where it fails.
func command(name string, args ...string) error {
	_, err := output(name, args...)
	return err
}

func output(name string, args ...string) (string, error) {
	c := exec.Command(name, args...)
	c.Env = environment("DEBIAN_FRONTEND=noninteractive", "LC_ALL=C.UTF-8")
	text, err := c.CombinedOutput()
	if err != nil {
		return string(text), fmt.Errorf("%s %s: %w\n%s", name, strings.Join(args, " "), err, text)
	}
	return string(text), nil
}

func environment(more ...string) []string {
	return append(append(os.Environ(), "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"), more...)
}
