package logbook

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// kills is how often the process is killed: few times here, FLUME_KILLS times where somebody wants to know it well.
func kills() int {
	if n, err := strconv.Atoi(os.Getenv("FLUME_KILLS")); err == nil {
		return n
	}
	return 25
}

// able reports whether the machine has what a test needs; where CI=true, one that has not is a failure.
func able(t *testing.T, root bool, programs ...string) bool {
	t.Helper()
	var missing []string
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			missing = append(missing, p)
		}
	}
	if root && len(missing) == 0 && !mayMount(t) {
		missing = append(missing, "the right to mount")
	}
	if len(missing) == 0 {
		return true
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("not here: %s", strings.Join(missing, ", "))
	}
	t.Logf("left out, not here: %s", strings.Join(missing, ", "))
	return false
}

// mayMount reports whether this process may mount at all: root may, but not in every container.
func mayMount(t *testing.T) bool {
	dir := t.TempDir()
	if exec.Command("mount", "-t", "tmpfs", "flume", dir).Run() != nil {
		return false
	}
	command(t, "umount", dir)
	return true
}

// life lets a process swim and keep, kills it at a random instant (with harm: after ten blocks and then harm), and gives what it said.
func life(t *testing.T, dir string, harm func()) (kept [][2]int64, cautions map[fault.Code]int) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "FLUME_STORE="+dir)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	if !lines.Scan() || lines.Text() != "ready" {
		cmd.Wait()
		t.Fatalf("the process did not begin: %s", errs.String())
	}
	kill := func() {
		time.AfterFunc(time.Duration(rand.Int64N(int64(80*time.Millisecond))), func() { cmd.Process.Kill() })
	}
	if harm == nil {
		kill()
	}
	cautions = map[fault.Code]int{}
	for lines.Scan() {
		if harm != nil && len(kept) == 10 {
			harm()
			harm = nil
			kill()
		}
		var k [2]int64
		var c fault.Code
		if n, _ := fmt.Sscanf(lines.Text(), "kept %d %d", &k[0], &k[1]); n == 2 {
			kept = append(kept, k)
		} else if n, _ := fmt.Sscanf(lines.Text(), "caution %s", &c); n == 1 {
			cautions[c]++
		}
	}
	cmd.Wait() // "signal: killed"
	return kept, cautions
}

// checkKept holds a store to its promises: it opens, every block that was told is there, sqlite3 finds nothing wrong. It gives the number of swims.
func checkKept(t *testing.T, dir string, kept map[[2]int64]bool) int {
	t.Helper()
	s, err := store.Open(dir)
	if err != nil {
		t.Fatalf("the store does not open: %v", err)
	}
	defer s.Close()
	swims, err := s.List(store.Which{})
	must(t, err)
	there := map[[2]int64]bool{}
	for i := range swims {
		if swims[i].Outcome == store.UnderWay {
			t.Errorf("swim %d is still under way", swims[i].ID)
		}
		blocks, err := s.Blocks(&swims[i])
		must(t, err)
		for _, b := range blocks {
			if b.Was && b.Swum.Time > 0 {
				there[[2]int64{swims[i].ID, int64(b.Number)}] = true
			}
		}
		if _, err := s.Samples(&swims[i]); err != nil {
			t.Errorf("swim %d: %v", swims[i].ID, err)
		}
	}
	for k := range kept {
		if !there[k] {
			t.Errorf("swim %d, block %d was promised and is not there", k[0], k[1])
		}
	}
	integrity(t, filepath.Join(dir, store.File))
	return len(swims)
}

// integrity asks sqlite3, a program that is not ours.
func integrity(t *testing.T, file string) {
	t.Helper()
	if !able(t, false, "sqlite3") {
		return
	}
	out, err := exec.Command("sqlite3", file, "PRAGMA integrity_check; PRAGMA foreign_key_check;").CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "ok" {
		t.Errorf("sqlite3 finds: %s %v", out, err)
	}
}

// TestKilledAtAnyInstant: kill -9 at random instants while swims are written, again and again on the same store: every block whose end was told is there.
func TestKilledAtAnyInstant(t *testing.T) {
	dir, kept := t.TempDir(), map[[2]int64]bool{}
	n, swims := kills(), 0
	for i := range n {
		now, _ := life(t, dir, nil)
		for _, k := range now {
			kept[k] = true
		}
		if i%10 == 9 || i == n-1 {
			swims = checkKept(t, dir, kept)
		}
	}
	t.Logf("%d kills: %d blocks promised, all there, in %d swims", n, len(kept), swims)
	if len(kept) < n {
		t.Errorf("only %d blocks were promised in %d lives", len(kept), n)
	}
}

// mounted mounts a file system for the test, and gives a function that takes it away again.
func mounted(t *testing.T, args ...string) (dir string, unmount func()) {
	t.Helper()
	dir = t.TempDir()
	command(t, "mount", append(args, dir)...)
	gone := false
	unmount = func() {
		if !gone {
			gone = true
			command(t, "umount", dir)
		}
	}
	t.Cleanup(unmount)
	return dir, unmount
}

func command(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v: %s", name, strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

// TestKilledOnAFullDisk: the same on a disk too small for all of it. Old samples give way; what was promised stays.
func TestKilledOnAFullDisk(t *testing.T) {
	if !able(t, true, "mount", "umount") {
		return
	}
	dir, _ := mounted(t, "-t", "tmpfs", "-o", "size=2560k", "flume")
	kept, full := map[[2]int64]bool{}, 0
	for range kills() {
		now, cautions := life(t, dir, nil)
		for _, k := range now {
			kept[k] = true
		}
		full += cautions[fault.StoreFull]
	}
	// Fill what is left, without a reserve, so that the end comes for sure.
	os.Remove(filepath.Join(dir, "reserve"))
	os.WriteFile(filepath.Join(dir, "filler"), make([]byte, 4<<20), 0o600)
	for n := 0; full == 0 && n < 300; n++ {
		now, cautions := life(t, dir, nil)
		for _, k := range now {
			kept[k] = true
		}
		full += cautions[fault.StoreFull]
	}
	os.Remove(filepath.Join(dir, "filler"))
	swims := checkKept(t, dir, kept)
	t.Logf("%d blocks promised, all there, in %d swims; store-full was shown %d times", len(kept), swims, full)
	if full == 0 {
		t.Error("the disk was never full: the test tests nothing")
	}
}

// TestAFullDiskUnderWay: the swim goes on, the caution shows, and goes when there is room again; then all of the swim is there.
func TestAFullDiskUnderWay(t *testing.T) {
	if !able(t, true, "mount", "umount") {
		return
	}
	dir, _ := mounted(t, "-t", "tmpfs", "-o", "size=2560k", "flume")
	f := start(t, Room)
	k := keep(t, dir, f)
	filler := filepath.Join(dir, "filler")
	_ = os.WriteFile(filler, make([]byte, 4<<20), 0o600) // as far as it goes
	swims := 0
	for k.Status().Code != fault.StoreFull {
		if st, err := f.swim(); err != nil || st != run.Finished {
			t.Fatalf("the swim ended %v, %v", st, err)
		}
		if swims++; swims > 2000 {
			t.Fatal("the disk does not get full")
		}
	}
	if st, err := f.swim(); err != nil || st != run.Finished {
		t.Errorf("with a full disk the swim ended %v, %v", st, err)
	}
	must(t, os.Remove(filler))
	k.end() // writes once more
	if s := k.Status(); s.Code != "" || s.Waiting != 0 {
		t.Errorf("with room again: %+v", s)
	}
	rs := records(t, dir)
	if len(rs) != swims+1 {
		t.Errorf("%d swims are there, %d were swum", len(rs), swims+1)
	}
	for _, r := range rs {
		if len(r.Blocks) != 3 || !r.Blocks[2].Done || r.Outcome != store.Finished {
			t.Errorf("swim %d: %+v", r.ID, r.Swim)
		}
	}
	integrity(t, filepath.Join(dir, store.File))
}

// TestOldSamplesGiveWay: on a disk that is too small for all, every swim is kept, and the newest have their samples.
func TestOldSamplesGiveWay(t *testing.T) {
	if !able(t, true, "mount", "umount") {
		return
	}
	dir, _ := mounted(t, "-t", "tmpfs", "-o", "size=4096k", "flume")
	s, err := store.OpenToRecord(dir)
	must(t, err)
	defer s.Close()
	var hour []store.Sample
	for i := range 3600 {
		hour = append(hour, store.Sample{At: time.Duration(i) * time.Second, Wish: units.MetresPerSecond(rand.Float64()), Water: units.MetresPerSecond(rand.Float64())})
	}
	const swims = 300 // about 30 kB each
	for n := range swims {
		w := &store.Swim{Began: time.Now(), Passed: time.Hour, Outcome: store.Finished, Swum: store.Figure{Time: time.Hour}}
		if err := s.Write(store.Entry{Swim: w, Samples: hour}); err != nil {
			t.Fatalf("swim %d: %v", n, err)
		}
	}
	rs, err := s.List(store.Which{})
	if err != nil || len(rs) != swims || !rs[0].Thinned || rs[swims-1].Thinned {
		t.Fatalf("%d swims, %v", len(rs), err)
	}
	if n, err := s.Samples(&rs[swims-1]); err != nil || len(n) != 3600 {
		t.Errorf("the newest has %d samples, %v", len(n), err)
	}
	must(t, s.Check())
}

// TestAFullDiskAtTheStart: a store that cannot even be made keeps what is swum in memory until there is room.
func TestAFullDiskAtTheStart(t *testing.T) {
	if !able(t, true, "mount", "umount") {
		return
	}
	dir, _ := mounted(t, "-t", "tmpfs", "-o", "size=2560k", "flume")
	filler := filepath.Join(dir, "filler")
	_ = os.WriteFile(filler, make([]byte, 4<<20), 0o600)
	f := start(t, Room)
	k := keep(t, dir, f)
	if _, err := f.swim(); err != nil {
		t.Fatal(err)
	}
	until(func() bool { return k.Status().Code == fault.StoreFull })
	must(t, os.Remove(filler))
	k.end()
	if rs := records(t, dir); len(rs) != 1 || !rs[0].Blocks[2].Done {
		t.Errorf("%d swims", len(rs))
	}
}

// TestAStoreThatIsDamagedUnderWay: the swim goes on, the caution shows; a backup that is put in its place takes what was swum since.
func TestAStoreThatIsDamagedUnderWay(t *testing.T) {
	dir, backup := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	f := start(t, Room)
	k := keep(t, dir, f)
	if _, err := f.swim(); err != nil {
		t.Fatal(err)
	}
	until(func() bool { return k.promised() >= 3 }) // there is something to lose
	must(t, k.store.Backup(backup))
	for _, name := range []string{store.File, store.File + "-wal", store.File + "-shm"} {
		name = filepath.Join(dir, name)
		info, err := os.Stat(name)
		must(t, err)
		file, err := os.OpenFile(name, os.O_WRONLY, 0)
		must(t, err)
		_, err = file.Write(bytes.Repeat([]byte{0xa5}, int(info.Size())))
		must(t, err)
		must(t, file.Close())
	}
	for k.Status().Code == "" {
		if st, err := f.swim(); err != nil || st != run.Finished {
			t.Fatalf("the swim ended %v, %v", st, err)
		}
	}
	if c := k.Status().Code; c != fault.StoreDamaged && c != fault.StoreFailing {
		t.Errorf("caution %s", c)
	}
	aside, err := store.Restore(dir, backup)
	if err != nil || aside == "" {
		t.Fatalf("restore: %q, %v", aside, err)
	}
	k.end()
	if rs := records(t, dir); len(rs) < 2 || !rs[len(rs)-1].Blocks[2].Done {
		t.Errorf("%d swims", len(rs))
	}
	integrity(t, filepath.Join(dir, store.File))
}

// TestADiskThatFails: an ext4 whose journal is aborted turns read-only under the open files, as a dying memory card does. The swim goes on, the caution
// shows, and after a repair all that was promised is there, and more can be kept.
func TestADiskThatFails(t *testing.T) {
	if !able(t, true, "mount", "umount", "mkfs.ext4", "e2fsck", "losetup") {
		return
	}
	image := filepath.Join(t.TempDir(), "card")
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 32<<20))
	command(t, "mkfs.ext4", "-q", image)
	loop := command(t, "losetup", "--find", "--show", image)
	t.Cleanup(func() { command(t, "losetup", "--detach", loop) })
	fail := func() {
		must(t, os.WriteFile("/sys/fs/ext4/"+filepath.Base(loop)+"/trigger_fs_error", []byte("1"), 0))
	}
	repair := func() {
		if out, err := exec.Command("e2fsck", "-f", "-y", loop).CombinedOutput(); err != nil && err.(*exec.ExitError).ExitCode() > 1 {
			t.Fatalf("e2fsck: %v: %s", err, out) // 1: errors were there and are mended
		}
	}

	dir, unmount := mounted(t, "-o", "errors=remount-ro", loop)
	f := start(t, Room)
	k := keep(t, dir, f)
	for range 3 {
		if _, err := f.swim(); err != nil {
			t.Fatal(err)
		}
	}
	until(func() bool { return k.promised() >= 5 }) // there is something to lose
	fail()
	for n := 0; k.Status().Code == ""; n++ {
		if st, err := f.swim(); err != nil || st != run.Finished || n > 2000 {
			t.Fatalf("the swim ended %v, %v, without a caution after %d swims", st, err, n)
		}
	}
	if c := k.Status().Code; c != fault.StoreReadOnly && c != fault.StoreFailing {
		t.Errorf("caution %s", c)
	}
	if st, err := f.swim(); err != nil || st != run.Finished {
		t.Errorf("on a disk that fails the swim ended %v, %v", st, err)
	}
	k.end()
	s, err := store.Open(dir)
	if err != nil {
		t.Errorf("what was swum cannot even be read on a disk that takes no writes: %v", err)
	} else {
		swims, err := s.List(store.Which{})
		if err != nil || len(swims) < 2 {
			t.Errorf("%d swims can be read, %v", len(swims), err)
		}
		for _, w := range swims {
			if w.Outcome == store.UnderWay {
				t.Errorf("swim %d is still under way, and nobody records", w.ID)
			}
		}
		s.Close()
	}
	kept := map[[2]int64]bool{}
	for _, b := range k.kept {
		kept[b] = true
	}
	unmount()
	repair()
	dir, unmount = mounted(t, "-o", "errors=remount-ro", loop)
	checkKept(t, dir, kept)

	// And as a process that is killed after the disk has failed.
	for range 3 {
		now, _ := life(t, dir, fail)
		for _, b := range now {
			kept[b] = true
		}
		unmount()
		repair()
		dir, unmount = mounted(t, "-o", "errors=remount-ro", loop)
		checkKept(t, dir, kept)
	}
	unmount()
	t.Logf("%d blocks promised, all there", len(kept))
}

// TestAStoreThatSomebodyHolds: a writer that another process keeps waiting is a caution, slow or busy, and nothing is lost.
func TestAStoreThatSomebodyHolds(t *testing.T) {
	t.Parallel()
	dir, f := t.TempDir(), start(t, Room)
	s, err := store.OpenToRecord(dir)
	must(t, err)
	must(t, s.Close())
	other, err := sqlite.OpenConn(filepath.Join(dir, store.File), sqlite.OpenReadWrite)
	must(t, err)
	defer other.Close()
	do := func(statement string) { must(t, sqlitex.ExecuteTransient(other, statement, nil)) }
	swim := func() {
		if st, err := f.swim(); err != nil || st != run.Finished {
			t.Fatalf("the swim ended %v, %v", st, err)
		}
	}
	swim() // all of it waits in the channel
	do("BEGIN IMMEDIATE")
	k := keep(t, dir, f)
	release := time.After(slow + 300*time.Millisecond)
	shows := func(want fault.Code) {
		t.Helper()
		until(func() bool {
			select {
			case <-release:
				do("ROLLBACK")
			default:
			}
			return k.Status().Code == want
		})
	}
	shows(fault.StoreSlow)
	do("BEGIN IMMEDIATE")
	swim()
	shows(fault.StoreBusy)
	do("ROLLBACK")
	k.end() // writes once more
	if s := k.Status(); s.Code != "" || s.Waiting != 0 {
		t.Errorf("afterwards: %+v", s)
	}
	if rs := records(t, dir); len(rs) != 2 || !rs[1].Blocks[2].Done {
		t.Errorf("%d swims of 2", len(rs))
	}
}

// TestTheOldestSamplesGoFirst: while no disk takes them, samples wait in memory, but not without end.
func TestTheOldestSamplesGoFirst(t *testing.T) {
	l := New(Config{})
	first, second := &record{samples: make([]store.Sample, mostWaiting/2)}, &record{samples: make([]store.Sample, mostWaiting/2)}
	l.queue = []*record{first, second}
	l.forget()
	if len(first.samples)+len(second.samples) != mostWaiting || first.swim.Thinned {
		t.Error("samples went though there was room")
	}
	second.samples = append(second.samples, make([]store.Sample, 100)...)
	l.forget()
	if len(first.samples) != mostWaiting/2-100 || len(second.samples) != mostWaiting/2+100 || !first.swim.Thinned || second.swim.Thinned {
		t.Errorf("%d and %d samples are left", len(first.samples), len(second.samples))
	}
}
