package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
)

const (
	configuration = "/etc/sequencerd/sequencerd.toml"
	state         = "/var/lib/sequencerd"
	edit          = "\n# the owner's own line\n"
)

// unpacked installs, upgrades, removes and purges where there is no service manager: what dpkg and the scripts do to files.
func (d *debian) unpacked(t *table) error {
	root, remove, err := d.root()
	if err != nil {
		return err
	}
	defer remove()
	in := func(args ...string) (string, error) { return output("chroot", append([]string{root}, args...)...) }
	at := func(path string) string { return filepath.Join(root, path) }
	is := func(path string) bool { _, err := os.Lstat(at(path)); return err == nil }
	holds := func(path, what string) bool {
		text, err := os.ReadFile(at(path))
		return err == nil && strings.Contains(string(text), what)
	}

	if _, err := in("dpkg", "-i", "/packages/old.deb"); err != nil {
		return err
	}
	version, err := in("sequencerd", "--version")
	if err != nil {
		return err
	}
	groups, err := in("id", "-nG", "sequencerd")
	if err != nil {
		return err
	}
	if enabled, err := in("systemctl", "is-enabled", "sequencerd"); err != nil || strings.Join(strings.Fields(groups), " ") != "sequencerd dialout gpio" {
		return fmt.Errorf("installed: service %s (%v), user in %s", enabled, err, groups)
	}
	t.saw("installed", "%s; enabled; user in %s", version, groups)

	if _, err := in("runuser", "-u", "sequencerd", "--", "sequencerd", "rehearse", "/usr/share/sequencerd/sessions/first-swim.toml"); err != nil {
		return err
	}
	t.saw("a demo session is rehearsed", "by the service's user, with the configuration installed")

	// A configuration that nobody touched is the new one after an upgrade.
	if _, err := in("dpkg", "-i", "/packages/new.deb"); err != nil {
		return err
	}
	if holds(configuration, "older version") {
		return errors.New("upgrade: the configuration is the old one, though nobody had changed it")
	}
	t.saw("upgraded", "%s to %s; a configuration that nobody touched is the new one", olderVersion, must(in("dpkg-query", "-W", "-f", "${Version}", "sequencerd")))
	if _, err := in("dpkg", "-i", "/packages/old.deb"); err != nil {
		return err
	}

	// One that the owner changed stays, like what the owner disabled and everything that is kept.
	text, err := os.ReadFile(at(configuration))
	if err != nil {
		return err
	}
	if err := errors.Join(os.WriteFile(at(configuration), append(text, edit...), 0o644), os.MkdirAll(at(state), 0o700), os.WriteFile(at(state+"/kept"), []byte("x"), 0o600)); err != nil {
		return err
	}
	if _, err := in("systemctl", "disable", "sequencerd"); err != nil {
		return err
	}
	if _, err := in("dpkg", "--force-confdef", "--force-confold", "-i", "/packages/new.deb"); err != nil {
		return err
	}
	if !holds(configuration, edit) || !holds(configuration, "older version") || !is(configuration+".dpkg-dist") || !is(state+"/kept") {
		return errors.New("upgrade: the owner's configuration or state was not kept")
	}
	if now, err := in("systemctl", "is-enabled", "sequencerd"); err == nil || strings.TrimSpace(now) != "disabled" {
		if !strings.HasPrefix(now, "disabled") {
			return fmt.Errorf("upgrade: the owner had disabled the service, it is %s", now)
		}
	}
	t.saw("upgraded, changed by the owner", "configuration kept, the new one beside it (.dpkg-dist); state kept; disabled stays disabled")

	// What this version refuses is said while somebody reads.
	if err := os.WriteFile(at(configuration), []byte("[flume]\ntop_speed_mps = 99\n"), 0o644); err != nil {
		return err
	}
	said, err := in("dpkg", "--force-confold", "-i", "/packages/new.deb")
	if err != nil || !strings.Contains(said, configuration+":2") || !strings.Contains(said, "is mended") {
		return fmt.Errorf("a configuration with a mistake: %v: %s", err, said)
	}
	t.saw("a configuration with a mistake", "is told with its line at the upgrade")

	if _, err := in("dpkg", "-r", "sequencerd"); err != nil {
		return err
	}
	if is("/usr/bin/sequencerd") || is("/usr/lib/systemd/system/sequencerd.service") || !is(configuration) || !is(state+"/kept") {
		return errors.New("remove: the program is still there, or the owner's things are not")
	}
	t.saw("removed", "program and service gone; configuration and state kept")

	if _, err := in("dpkg", "-P", "sequencerd"); err != nil {
		return err
	}
	left, err := left(root)
	if err != nil {
		return err
	}
	if len(left) > 0 {
		return fmt.Errorf("purge leaves %s", strings.Join(left, " "))
	}
	t.saw("purged", "nothing left but the user")
	return d.emulated(t)
}

// left are files of ours after a purge.
func left(root string) (found []string, err error) {
	err = filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return nil // what vanished or cannot be read: /proc and the like
		}
		rel := "/" + strings.TrimPrefix(strings.TrimPrefix(path, root), "/")
		for _, not := range []string{"/packages", "/proc", "/sys", "/var/lib/dpkg", "/var/log", "/dev"} {
			if rel == not && e.IsDir() {
				return fs.SkipDir
			}
		}
		if strings.Contains(e.Name(), "sequencerd") {
			found = append(found, rel)
		}
		return nil
	})
	return found, err
}

// emulated starts the Arm builds as they are in their packages, and holds what they rehearse to what the one for this computer does.
func (d *debian) emulated(t *table) error {
	type rehearsed struct {
		TotalS float64 `json:"total_s"`
		TotalM float64 `json:"total_m"`
	}
	var want rehearsed
	for _, m := range []struct{ arch, by string }{{"amd64", ""}, {"arm64", "qemu-aarch64-static"}, {"armhf", "qemu-arm-static"}} {
		deb, err := d.deb(m.arch)
		if err != nil {
			return err
		}
		dir, err := os.MkdirTemp("", "emulated-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		if err := command("dpkg-deb", "-x", deb, dir); err != nil {
			return err
		}
		run := []string{filepath.Join(dir, "usr/bin/sequencerd")}
		if m.by != "" {
			run = append([]string{m.by}, run...)
		}
		version, err := output(run[0], append(run[1:], "--version")...)
		if err != nil {
			return err
		}
		text, err := output(run[0], append(run[1:], "--config", filepath.Join(dir, configuration), "rehearse", "--json", filepath.Join(dir, "usr/share/sequencerd/sessions/first-swim.toml"))...)
		if err != nil {
			return err
		}
		var got rehearsed
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			return err
		}
		if m.by == "" {
			want = got
		}
		if math.Abs(got.TotalS-want.TotalS) > 1e-6 || math.Abs(got.TotalM-want.TotalM) > 1e-6 || got.TotalM < 10 {
			return fmt.Errorf("%s rehearses %+v, amd64 %+v", m.arch, got, want)
		}
		t.saw("the "+m.arch+" build", "%s; rehearses %.1f s, %.3f m", version, got.TotalS, got.TotalM)
	}
	return nil
}

func must(text string, err error) string {
	if err != nil {
		return err.Error()
	}
	return text
}
