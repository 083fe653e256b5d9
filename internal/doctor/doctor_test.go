package doctor

import (
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/store"
)

// one checks that there is a finding of a verdict that says something, and one thing to do where it is not good.
func one(t *testing.T, found []Finding, verdict Verdict, saw string) {
	t.Helper()
	for _, f := range found {
		if f.Verdict == verdict && strings.Contains(f.Saw, saw) {
			if verdict == Fault && f.Do == "" {
				t.Errorf("a fault, and nothing to do: %+v", f)
			}
			return
		}
	}
	t.Errorf("no %s that says %q in %+v", verdict, saw, found)
}

func TestClock(t *testing.T) {
	now := time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)
	one(t, clock(time.Unix(60, 0), false, false), Fault, "1970")
	one(t, clock(time.Unix(60, 0), true, true), Fault, "1970")
	one(t, clock(now, false, false), Caution, "no battery clock")
	one(t, clock(now, false, true), Caution, "Nobody keeps it right")
	one(t, clock(now, true, false), Good, "There is no battery clock")
	one(t, clock(now, true, true), Good, "with a battery clock")
}

// The lines are those of systemctl show, systemd 252.
func TestService(t *testing.T) {
	as := func(p string, err error) func(int) (string, error) {
		return func(int) (string, error) { return p, err }
	}
	up := "LoadState=loaded\nActiveState=active\nSubState=running\nMainPID=412\nNRestarts=0\nResult=success\n"
	one(t, service(up, as("real time, in turns", nil)), Good, "process 412")
	one(t, service(up, as("ordinary", nil)), Fault, "no real-time priority")
	one(t, service(up, as("", errors.New("x"))), Caution, "cannot be seen")
	one(t, service(strings.Replace(up, "NRestarts=0", "NRestarts=3", 1), as("real time", nil)), Caution, "3 times")
	one(t, service("LoadState=not-found\nActiveState=inactive\n", as("", nil)), Caution, "not installed")
	one(t, service("LoadState=loaded\nActiveState=failed\nResult=watchdog\n", as("", nil)), Fault, "failed (watchdog)")
}

func TestPolicyOfThisProcess(t *testing.T) {
	if p, err := policy(os.Getpid()); err != nil || p == "" {
		t.Errorf("%q, %v", p, err)
	}
	if _, err := policy(1 << 30); err == nil {
		t.Error("a process that is not has a policy")
	}
}

// Numbers of file systems: statfs(2).
func TestDisk(t *testing.T) {
	one(t, disk("/d", 0xef53, 0, 1000), Good, "1000 MiB")
	one(t, disk("/d", 0xef53, 0, 199), Caution, "199 MiB")
	one(t, disk("/d", 0xef53, 0, 19), Fault, "19 MiB")
	one(t, disk("/d", 0xef53, 1, 1000), Fault, "takes no writes")
	one(t, disk("/d", 0x01021994, 0, 1000), Fault, "in memory")
	damaged := t.TempDir()
	if err := os.WriteFile(filepath.Join(damaged, "swims.db"), []byte(strings.Repeat("no database ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	one(t, Disk(damaged).Look(), Fault, "cannot be read")
	one(t, Disk(filepath.Join(t.TempDir(), "not", "there")).Look(), Good, "Nothing was swum")
}

func TestDevices(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	one(t, Devices([]Device{{"Line", "/dev/null", "g"}}).Look(), Good, "/dev/null is there")
	one(t, Devices([]Device{{"Line", "/dev/ttyNONE", "g"}}).Look(), Fault, "there is no /dev/ttyNONE")
	one(t, Devices([]Device{{"Line", file, "g"}}).Look(), Fault, "is no device")
}

func TestPins(t *testing.T) {
	chips := []chip{{"gpiochip0", "pinctrl", []gpioLine{{name: "ID_SD"}, {name: "GPIO1", used: true, user: "spi0 CS0"}, {used: true, user: "sequencerd"}, {}}}}
	one(t, []Finding{pin(Pin{"stop_pin", "gpiochip0:0"}, chips)}, Good, "is free")
	one(t, []Finding{pin(Pin{"stop_pin", "pinctrl:3"}, chips)}, Good, "is free")
	one(t, []Finding{pin(Pin{"stop_pin", "GPIO1"}, chips)}, Fault, `in use by "spi0 CS0"`)
	one(t, []Finding{pin(Pin{"stop_pin", "gpiochip0:2"}, chips)}, Good, "by this program")
	one(t, []Finding{pin(Pin{"stop_pin", "gpiochip0:4"}, chips)}, Fault, "There are: gpiochip0 (pinctrl, 4 lines)")
	one(t, []Finding{pin(Pin{"stop_pin", ""}, chips)}, Fault, "no such line")
}

func TestDriveIsSeenAndNotTaken(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	one(t, Drive("").Look(), Caution, "SIMULATED")
	one(t, Drive("/dev/line").Look(), Good, "is free")
	lock, err := drive.Acquire("/dev/line", "sequencerd serve", "{}")
	if err != nil {
		t.Fatal(err)
	}
	one(t, Drive("/dev/line").Look(), Good, `held by "sequencerd serve"`)
	if err := lock.Release(); err != nil { // as a program that dies: its record stays
		t.Fatal(err)
	}
	one(t, Drive("/dev/line").Look(), Fault, "did not see its motor at rest")
	lock, err = drive.Acquire("/dev/line", "sequencerd stop-drive", "{}")
	if err != nil {
		t.Fatalf("looking has taken it: %v", err)
	}
	if err := errors.Join(lock.Forget(), lock.Release()); err != nil {
		t.Fatal(err)
	}
	one(t, Drive("/dev/line").Look(), Good, "is free")
}

func TestPanelAndBroker(t *testing.T) {
	ours := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte(`{"boot_id":"x"}`)) }))
	defer ours.Close()
	other := httptest.NewServer(http.NotFoundHandler())
	defer other.Close()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := free.Addr().String()
	free.Close()
	one(t, Panel(ours.Listener.Addr().String(), false, false).Look(), Good, "answers")
	one(t, Panel(other.Listener.Addr().String(), false, false).Look(), Fault, "Another program")
	one(t, Panel(nobody, false, false).Look(), Caution, "does not run")
	one(t, Panel("0.0.0.0:0", false, false).Look(), Fault, "has no code")
	one(t, Broker("The drive", "mqtt://"+ours.Listener.Addr().String()).Look(), Good, "can be reached")
	one(t, Broker("The drive", "mqtt://"+nobody).Look(), Fault, "no such program answers")
}

func TestAllIsToldAndTheWorstCounts(t *testing.T) {
	all := Run([]Check{{"first", func() []Finding { return []Finding{good("Well."), caution("Do this.", "Less well.")} }}, {"second", func() []Finding { panic("oh") }}})
	if len(all) != 3 || Worst(all) != Fault || Worst(all[:2]) != Caution || Worst(all[:1]) != Good {
		t.Errorf("%+v", all)
	}
	var b strings.Builder
	if err := Write(&b, all); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"good     first          Well.\n", "CAUTION  first", "→ Do this.", "FAULT    second", "To mend: 1. To know or look at: 1."} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
}

// A store that is whole must never be told to be replaced: not because the disk is full, nor because of who asks. The disk is a real one, of 8 MiB.
func TestAWholeStoreIsNotCondemned(t *testing.T) {
	full := fullDisk(t)
	if full == "" {
		return
	}
	found := Disk(full).Look()
	one(t, found, Fault, "is full")
	one(t, found, Fault, "while the disk takes nothing")
	for _, f := range found {
		if strings.Contains(f.Do, "restore") {
			t.Errorf("a backup is to take the place of what is whole: %+v", f)
		}
	}
}

// fullDisk is a file system without room, with a store in it; empty where this account or computer cannot mount one.
func fullDisk(t *testing.T) string {
	image, at := filepath.Join(t.TempDir(), "image"), t.TempDir()
	if err := errors.Join(os.WriteFile(image, nil, 0o600), os.Truncate(image, 8<<20)); err != nil {
		t.Fatal(err)
	}
	for _, line := range [][]string{{"mkfs.ext4", "-q", "-F", "-m", "0", image}, {"mount", "-o", "loop", image, at}} {
		if said, err := exec.Command(line[0], line[1:]...).CombinedOutput(); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatalf("%v: %v: %s", line, err, said)
			}
			t.Logf("NOT CHECKED: a disk of the test's own needs root: %v: %v: %s", line, err, said)
			return ""
		}
	}
	t.Cleanup(func() {
		if said, err := exec.Command("umount", at).CombinedOutput(); err != nil {
			t.Errorf("umount: %v: %s", err, said)
		}
	})
	s, err := store.OpenToRecord(at)
	if err == nil {
		err = s.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(filepath.Join(at, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 1024); err == nil; {
		_, err = f.Write(block)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("the disk does not get full: %v", err)
	}
	return at
}

func TestAStoreOfSomebodyElse(t *testing.T) {
	if os.Getuid() != 0 {
		t.Log("NOT CHECKED: only root can give files away")
		return
	}
	dir := t.TempDir()
	s, err := store.OpenToRecord(dir)
	if err == nil {
		err = errors.Join(s.Close(), os.Chown(dir, 1, 1)) // 1: daemon in Debian's base-passwd; any other than root's will do
	}
	if err != nil {
		t.Fatal(err)
	}
	found := Disk(dir).Look()
	one(t, found, Fault, "cannot keep swims in it")
	for _, f := range found {
		if strings.Contains(f.Do, "restore") {
			t.Errorf("a backup is to take the place of what is whole: %+v", f)
		}
	}
}

func TestReasonsInPlainWords(t *testing.T) {
	at := func(err error) error { return &net.OpError{Op: "dial", Err: os.NewSyscallError("connect", err)} }
	for want, err := range map[string]error{
		`knows the name "pump.lan"`: &net.OpError{Op: "dial", Err: &net.DNSError{Err: "no such host", Name: "pump.lan"}},
		"no such program answers":   at(syscall.ECONNREFUSED),
		"no network here":           at(syscall.ENETUNREACH),
		"has no such address":       at(syscall.EADDRNOTAVAIL),
		"for root alone":            at(syscall.EACCES),
		"no answer within":          &net.OpError{Op: "dial", Err: os.ErrDeadlineExceeded},
		"connection reset by peer":  at(syscall.ECONNRESET),
	} {
		if got := reason(err); !strings.Contains(got, want) {
			t.Errorf("%v is told as %q, want %q", err, got, want)
		}
	}
}
