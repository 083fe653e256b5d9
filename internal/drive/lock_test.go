package drive_test

import (
	"bufio"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
)

// holdIfAsked makes this test binary the second process that some tests need: it takes the lock of the link that it is given and keeps it.
func holdIfAsked() {
	link := os.Getenv("HOLD_DRIVE")
	if link == "" {
		return
	}
	if _, err := drive.Acquire(link, "holder", "told by the holder"); err != nil {
		os.Stdout.WriteString(err.Error() + "\n")
		os.Exit(1)
	}
	os.Stdout.WriteString("held\n")
	os.Stdin.Read(make([]byte, 1)) // until somebody ends us
	os.Exit(0)
}

// hold starts a second process that holds the lock.
func hold(t *testing.T, link string) *exec.Cmd {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), "HOLD_DRIVE="+link)
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); c.Process.Kill(); c.Wait() })
	if said, err := bufio.NewReader(out).ReadString('\n'); said != "held\n" {
		t.Fatalf("the second process says %q (%v)", said, err)
	}
	return c
}

// folder makes a folder for locks of this test alone.
func folder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	t.Setenv("RUNTIME_DIRECTORY", dir+":/nowhere")
	return dir
}

func TestOneOwner(t *testing.T) {
	folder(t)
	link := "tcp://192.0.2.7:502" // an address for documents, RFC 5737
	holder := hold(t, link)
	_, err := drive.Acquire(link, "second", "")
	var held *drive.Held
	if !errors.As(err, &held) {
		t.Fatalf("the drive is held, and Acquire says %v", err)
	}
	if held.By.PID != holder.Process.Pid || held.By.Command != "holder" || held.Link != link {
		t.Errorf("held by %+v, want process %d", held.By, holder.Process.Pid)
	}
	if text := err.Error(); !strings.Contains(text, `held by "holder" (process `) || !strings.Contains(text, link) {
		t.Errorf("a person is told %q", text)
	}
	if _, err := drive.AcquireWithin(200*time.Millisecond, link, "stop-drive", ""); !errors.As(err, &held) {
		t.Errorf("the drive is held, and AcquireWithin says %v", err)
	}
	if r, err := drive.ReadRecord(link); err != nil || r.Drive != "told by the holder" || r.Link != link {
		t.Errorf("record %+v, %v", r, err)
	}
	other, err := drive.Acquire("tcp://192.0.2.8:502", "second", "")
	if err != nil {
		t.Fatalf("another drive: %v", err)
	}
	if err := other.Release(); err != nil {
		t.Error(err)
	}
}

func TestLockDiesWithItsProcess(t *testing.T) {
	folder(t)
	link := "tcp://192.0.2.7:502"
	holder := hold(t, link)
	got := make(chan error, 1)
	go func() {
		l, err := drive.AcquireWithin(time.Minute, link, "second", "second's drive")
		if err == nil {
			err = l.Release()
		}
		got <- err
	}()
	if err := holder.Process.Kill(); err != nil { // kill -9
		t.Fatal(err)
	}
	if err := <-got; err != nil {
		t.Errorf("the holder was killed, and: %v", err)
	}
	if r, err := drive.ReadRecord(link); err != nil || r.PID != os.Getpid() || r.Drive != "second's drive" {
		t.Errorf("record %+v, %v; want that of the second", r, err)
	}
}

func TestRecordOutlivesAKilledHolder(t *testing.T) {
	folder(t)
	link := "tcp://192.0.2.7:502"
	holder := hold(t, link)
	if err := holder.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	holder.Wait()
	all, err := drive.Records()
	if err != nil || len(all) != 1 || all[0].Drive != "told by the holder" || all[0].PID != holder.Process.Pid {
		t.Errorf("records %+v, %v; want the killed holder's", all, err)
	}
}

func TestOneDeviceHasOneLock(t *testing.T) {
	dir := folder(t)
	device, byName := filepath.Join(dir, "ttyX0"), filepath.Join(dir, "by-name")
	if err := os.WriteFile(device, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("ttyX0", byName); err != nil {
		t.Fatal(err)
	}
	l, err := drive.Acquire(byName, "first", "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Release()
	var held *drive.Held
	if _, err := drive.Acquire(device, "second", ""); !errors.As(err, &held) || held.Link != device {
		t.Errorf("one device under two names: %v", err)
	}
}

func TestReleaseAndForget(t *testing.T) {
	folder(t)
	link := "/dev/serial/by-id/not-there"
	if _, err := drive.ReadRecord(link); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("before anything was locked: %v", err)
	}
	l, err := drive.Acquire(link, "first", "one")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := l.Release(); err != nil {
			t.Error(err)
		}
	}
	if r, err := drive.ReadRecord(link); err != nil || r.Drive != "one" {
		t.Errorf("a lock let go: record %+v, %v; want it to stay", r, err)
	}
	if l, err = drive.Acquire(link, "first", "two"); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := l.Forget(); err != nil {
			t.Error(err)
		}
	}
	if _, err := drive.ReadRecord(link); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("after Forget: %v", err)
	}
	var held *drive.Held
	if _, err := drive.Acquire(link, "second", ""); !errors.As(err, &held) || !strings.Contains(err.Error(), "held by another program") {
		t.Errorf("held without a record: %v", err)
	}
	l.Release()
}

func TestRecords(t *testing.T) {
	dir := folder(t)
	if all, err := drive.Records(); err != nil || len(all) != 0 {
		t.Errorf("an empty folder has %v, %v", all, err)
	}
	old := `{"pid":4,"command":"run","since":"2026-01-01T10:00:00Z","link":"b","drive":"older"}`
	for name, text := range map[string]string{"drive-b-1.json": old, "drive-c-1.json": "{", "other.json": "{"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	l, err := drive.Acquire("tcp://192.0.2.7:502", "run", "newer")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Release()
	all, err := drive.Records()
	if len(all) != 2 || all[0].Drive != "newer" || all[1].Drive != "older" {
		t.Errorf("records %+v, want the newer, then the older", all)
	}
	if err == nil || !strings.Contains(err.Error(), "drive-c-1.json") {
		t.Errorf("a spoilt record is told as %v", err)
	}
}

// TestForeignFolder: only root can give a folder to somebody else, so for anybody else it asks for a folder of root's.
func TestForeignFolder(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("RUNTIME_DIRECTORY", "")
	t.Setenv("XDG_RUNTIME_DIR", dir)
	if err := os.Mkdir(dir+"/sequencerd", 0o700); err != nil {
		t.Fatal(err)
	}
	if os.Geteuid() != 0 {
		t.Setenv("XDG_RUNTIME_DIR", "/proc/1") // no folder of ours, and none can be made
	} else if err := os.Chown(dir+"/sequencerd", 65534, 65534); err != nil {
		t.Fatal(err)
	}
	if l, err := drive.Acquire("/dev/ttyX0", "test", ""); err == nil {
		l.Release()
		t.Error("a lock in somebody else's folder")
	}
}

func TestFolderOfLocks(t *testing.T) {
	for _, c := range []struct {
		what  string
		make  func(t *testing.T, dir string) // dir/session and dir/tmp exist
		where string                         // below dir; empty: refused
	}{
		{"the user's session", func(t *testing.T, dir string) { t.Setenv("XDG_RUNTIME_DIR", dir+"/session") }, "session/sequencerd"},
		{"the temporary folder", func(t *testing.T, dir string) {}, "tmp/sequencerd-*"},
		{"somebody else may write there", func(t *testing.T, dir string) {
			t.Setenv("XDG_RUNTIME_DIR", dir+"/session")
			if err := errors.Join(os.Mkdir(dir+"/session/sequencerd", 0o700), os.Chmod(dir+"/session/sequencerd", 0o777)); err != nil {
				t.Fatal(err)
			}
		}, ""},
		{"a link in its place", func(t *testing.T, dir string) {
			t.Setenv("XDG_RUNTIME_DIR", dir+"/session")
			if err := os.Symlink(dir+"/tmp", dir+"/session/sequencerd"); err != nil {
				t.Fatal(err)
			}
		}, ""},
		{"a file in its place", func(t *testing.T, dir string) {
			t.Setenv("XDG_RUNTIME_DIR", dir+"/session")
			if err := os.WriteFile(dir+"/session/sequencerd", nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, ""},
		{"a session that is not there", func(t *testing.T, dir string) { t.Setenv("XDG_RUNTIME_DIR", dir+"/gone") }, ""},
	} {
		t.Run(c.what, func(t *testing.T) {
			dir := t.TempDir()
			if err := errors.Join(os.Mkdir(dir+"/session", 0o700), os.Mkdir(dir+"/tmp", 0o755)); err != nil {
				t.Fatal(err)
			}
			t.Setenv("RUNTIME_DIRECTORY", "")
			t.Setenv("XDG_RUNTIME_DIR", "")
			t.Setenv("TMPDIR", dir+"/tmp")
			c.make(t, dir)
			l, err := drive.Acquire("/dev/ttyX0", "test", "")
			if c.where == "" {
				if err == nil || !strings.Contains(err.Error(), "folder for the drive's lock") {
					t.Errorf("a lock in a folder that cannot be trusted: %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer l.Release()
			files, err := filepath.Glob(filepath.Join(dir, c.where, "drive-dev-ttyX0-*"))
			if err != nil || len(files) != 2 {
				t.Errorf("lock and record: %v, %v", files, err)
			}
			info, err := os.Stat(filepath.Dir(files[0]))
			if err != nil || info.Mode().Perm() != 0o700 {
				t.Errorf("folder %v, %v; want mode 0700", info.Mode(), err)
			}
		})
	}
}
