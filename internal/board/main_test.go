//go:build board

package board

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission/commissiontest"
	"flume.example/sequencerd/internal/settings"
)

const qemu = "qemu-system-aarch64"

var initrd string // the file, made by TestMain

func kernelDir() string { return os.Getenv("SEQUENCERD_BOARD_KERNEL") }

// stops is how many stops are pressed.
func stops() int {
	n, err := strconv.Atoi(os.Getenv("SEQUENCERD_BOARD_STOPS"))
	if err != nil || n < 1 {
		n = 20
	}
	return n
}

func TestMain(m *testing.M) {
	ahead()
	flag.Parse()
	_ = flag.Set("test.parallel", "8") // boards wait far more than they work
	dir, err := os.MkdirTemp("", "board")
	if err == nil {
		err = prepare(dir)
	}
	code := 1
	if err != nil {
		fmt.Fprintln(os.Stderr, "the board cannot be tried:", err)
	} else {
		code = m.Run()
		if err := keepTable(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.RemoveAll(dir)
	os.Exit(code)
}

// realTime is set in the environment of a test that has seen to its scheduling policy.
const realTime = "BOARD_REAL_TIME"

// ahead puts board, line and drive, which have hardware of their own in life, ahead of whatever else this machine does, where that is allowed.
func ahead() {
	if os.Getenv(realTime) != "" {
		return
	}
	chrt, err := exec.LookPath("chrt")
	if err != nil || exec.Command(chrt, "-r", "20", "true").Run() != nil {
		os.Setenv(realTime, "no")
		return
	}
	os.Setenv(realTime, "yes")
	self, err := os.Executable()
	if err == nil {
		err = syscall.Exec(chrt, append([]string{chrt, "-r", "20", self}, os.Args[1:]...), os.Environ())
	}
	fmt.Fprintln(os.Stderr, "not ahead of other work:", err)
}

// prepare puts together what the board boots into.
func prepare(dir string) error {
	var missing []string
	for _, tool := range []string{qemu, "cpio", "mkfs.ext4", "e2fsck", "debugfs"} {
		if _, err := exec.LookPath(tool); err != nil {
			missing = append(missing, tool)
		}
	}
	if missing != nil {
		return fmt.Errorf("not here: %s (packages qemu-system-arm, cpio, e2fsprogs)", strings.Join(missing, ", "))
	}
	if _, err := os.Stat(filepath.Join(kernelDir(), "vmlinuz")); err != nil {
		return fmt.Errorf("no kernel, which internal/board/fetch-kernel.sh fetches: %w", err)
	}
	root := filepath.Join(dir, "root")
	for _, d := range []string{"proc", "sys", "dev", "run", "tmp", "data", "mod", "etc/sequencerd"} {
		if err := os.MkdirAll(filepath.Join(root, d), 0o755); err != nil {
			return err
		}
	}
	modules, err := filepath.Glob(filepath.Join(kernelDir(), "*.ko"))
	if err != nil {
		return err
	}
	for _, m := range modules {
		text, err := os.ReadFile(m)
		if err == nil {
			err = os.WriteFile(filepath.Join(root, "mod", filepath.Base(m)), text, 0o644)
		}
		if err != nil {
			return err
		}
	}
	knobs, err := os.ReadFile(filepath.Join("..", "..", "deploy", "systemd", "sequencerd.sysctl"))
	if err != nil {
		return err
	}
	s, err := settings.Parse("the board's configuration", []byte(configuration), config.Default())
	if err != nil {
		return err
	}
	record, err := commissiontest.Record(s, time.Now())
	if err != nil {
		return err
	}
	err = errors.Join(
		os.WriteFile(filepath.Join(root, "sysctl.conf"), knobs, 0o644),
		os.WriteFile(filepath.Join(root, "course.json"), record, 0o644),
		os.WriteFile(filepath.Join(root, "etc/sequencerd/sequencerd.toml"), []byte(configuration), 0o644),
		os.WriteFile(filepath.Join(root, "session.toml"), []byte(session), 0o644),
		build("./cmd/sequencerd", filepath.Join(root, "sequencerd")), build("./internal/board/guest", filepath.Join(root, "init")))
	if err != nil {
		return err
	}
	initrd = filepath.Join(dir, "initrd")
	c := exec.Command("sh", "-c", "find . | cpio -o -H newc --quiet >"+initrd)
	c.Dir = root
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("cpio: %w\n%s", err, out)
	}
	return nil
}

// build builds a program for the board as it is shipped.
func build(what, to string) error {
	c := exec.Command("go", "build", "-buildvcs=false", "-trimpath", "-o", to, what)
	if os.Getenv(realTime) == "yes" {
		c = exec.Command("chrt", append([]string{"-o", "0"}, c.Args...)...)
	}
	c.Dir = filepath.Join("..", "..")
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm64")
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("%s does not build: %w\n%s", what, err, out)
	}
	return nil
}

var consoles sync.Mutex

// keepConsole adds what a board's console said to the file for that.
func keepConsole(p *place) {
	name := os.Getenv("SEQUENCERD_BOARD_KEEP")
	if name == "" {
		return
	}
	consoles.Lock()
	defer consoles.Unlock()
	f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		p.t.Error(err)
		return
	}
	defer f.Close()
	for _, l := range p.lines {
		fmt.Fprintf(f, "%s %s %s\n", p.name, l.at.Format("15:04:05.000"), l.text)
	}
}
