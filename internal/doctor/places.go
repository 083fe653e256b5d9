package doctor

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/store"
)

// Disk looks at the folder where swims are kept: room, kind, whether the store in it can be read and is whole.
func Disk(dir string) Check {
	return Check{"disk", func() []Finding {
		at := dir
		for { // the folder is made at the first start
			if _, err := os.Stat(at); err == nil || at == "/" || at == "." {
				break
			}
			at = filepath.Dir(at)
		}
		var st syscall.Statfs_t
		if err := syscall.Statfs(at, &st); err != nil {
			return []Finding{bad("Look whether the disk is mounted.", "%s cannot be looked at: %v.", at, err)}
		}
		flags, freeMiB := int64(st.Flags), uint64(st.Bavail)*uint64(st.Bsize)>>20
		out := disk(dir, int64(uint32(st.Type)), flags, freeMiB) // the type is of 32 bits on some machines, and signed
		return append(out, stored(dir, flags, freeMiB)...)
	}}
}

// Kinds of file systems that are gone with the power: statfs(2).
var inMemory = map[int64]string{0x01021994: "tmpfs", 0x858458f6: "ramfs"}

const readOnly = 1 // ST_RDONLY, statvfs(3)

func disk(dir string, kind int64, flags int64, freeMiB uint64) (out []Finding) {
	if name := inMemory[kind]; name != "" {
		out = append(out, bad("Give [store] path a folder on a disk or memory card.", "%s is in memory (%s): what is swum is gone with the power.", dir, name))
	}
	if flags&readOnly != 0 {
		out = append(out, bad("Have the disk or memory card checked; a worn card turns read-only by itself.", "The disk of %s takes no writes: nothing is kept.", dir))
	}
	switch {
	case freeMiB < 1:
		out = append(out, bad("Make room: delete files that nobody needs.", "The disk of %s is full: nothing more is kept.", dir))
	case freeMiB < 20:
		out = append(out, bad("Make room: delete old files, or swims (sequencerd swims delete).", "Only %d MiB are free at %s: nothing more is kept soon.", freeMiB, dir))
	case freeMiB < 200:
		out = append(out, caution("Make room before it is full.", "%d MiB are free at %s.", freeMiB, dir))
	case freeMiB < 10<<10:
		out = append(out, good("%d MiB are free at %s.", freeMiB, dir))
	default:
		out = append(out, good("%d GiB are free at %s.", freeMiB>>10, dir))
	}
	return out
}

// stored looks at the file itself, on a disk with so much room.
func stored(dir string, flags int64, freeMiB uint64) []Finding {
	if f, is := foreign(dir); is {
		return []Finding{f}
	}
	s, err := store.Open(dir)
	if errors.Is(err, store.ErrNone) {
		return []Finding{good("Nothing was swum here yet.")}
	}
	const copied = "Keep a copy of that folder, then put a backup in its place: sequencerd restore."
	switch {
	case err != nil && (freeMiB < 1 || flags&readOnly != 0): // it wants to write before it reads: a backup would only take the place of what is whole
		return []Finding{bad("Mend the disk first, then ask the doctor again. Leave the file alone: it may well be whole.", "What was swum, in %s, cannot be looked at while the disk takes nothing.", dir)}
	case err != nil:
		return []Finding{bad(copied, "What was swum cannot be read: %v.", err)}
	}
	defer s.Close()
	if err := s.Check(); err != nil {
		return []Finding{bad(copied, "The file with what was swum is damaged: %v.", err)}
	}
	swims, err := s.List(store.Which{})
	if err != nil {
		return []Finding{bad(copied, "What was swum cannot be listed: %v.", err)}
	}
	return []Finding{good("The file with what was swum is whole; swims in it: %d.", len(swims))}
}

// foreign says where folder or files of a store belong to another than they should: who asks may not use them, or the folder's owner, as whom the service
// runs, may not.
func foreign(dir string) (f Finding, is bool) {
	folder, err := os.Stat(dir)
	if err != nil {
		return f, false // none yet
	}
	files, _ := filepath.Glob(filepath.Join(dir, "swims.db*"))
	for _, path := range append([]string{dir}, files...) {
		if err := syscall.Access(path, readWrite); err == syscall.EACCES {
			return bad(fmt.Sprintf("Ask as its owner: sudo -u %s sequencerd doctor. Who runs sequencerd must be its owner too.", belongs(folder)),
				"%s, where what was swum is kept, may not be used by %s: it belongs to %s.", dir, account(), belongs(folder)), true
		}
		info, err := os.Stat(path)
		if err == nil && belongs(info) != belongs(folder) && belongs(folder) != "root" {
			return bad(fmt.Sprintf("Give it back, with the service stopped: chown %s: %s", belongs(folder), path),
				"%s belongs to %s, and its folder to %s, who cannot keep swims in it.", path, belongs(info), belongs(folder)), true
		}
	}
	return f, false
}

// belongs is the owner of a file, by name where it has one.
func belongs(info fs.FileInfo) string {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "somebody"
	}
	u, err := user.LookupId(strconv.Itoa(int(st.Uid)))
	if err != nil {
		return strconv.Itoa(int(st.Uid))
	}
	return u.Username
}

// Drive says who has the drive, without opening it. An empty link is a simulated drive.
func Drive(link string) Check {
	return Check{"drive", func() []Finding {
		if link == "" {
			return []Finding{caution("Name your drive under [drive] in the configuration, once there is one.", "The drive is SIMULATED: nothing outside this computer moves.")}
		}
		record, held, err := drive.Holder(link)
		since := record.Since.Local().Format("2 January, 15:04")
		switch {
		case err != nil:
			return []Finding{caution("Run the doctor as root, or as the service's user.", "Who has the drive on %s cannot be seen: %v.", link, err)}
		case held && record.PID == 0:
			return []Finding{caution("Look for another sequencerd (ps ax).", "The drive on %s is held by a program that has left no name.", link)}
		case held:
			return []Finding{good("The drive on %s is held by %q, process %d, since %s.", link, record.Command, record.PID, since)}
		case record.PID != 0:
			return []Finding{bad("Look at the motor. Run sequencerd stop-drive, which stops it and waits until it is seen at rest.",
				"Nobody holds the drive on %s, and the last one who did (%q, %s) did not see its motor at rest.", link, record.Command, since)}
		}
		return []Finding{good("The drive on %s is free, and nobody has left it with its motor turning.", link)}
	}}
}

// Broker looks whether a broker can be reached; it says nothing to it.
func Broker(what, address string) Check {
	return Check{"broker", func() []Finding {
		u, err := url.Parse(address)
		if err != nil {
			return []Finding{bad("Correct it in the configuration.", "%s: %q is no address.", what, address)}
		}
		port := u.Port()
		if port == "" {
			port = map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme]
		}
		c, err := net.DialTimeout("tcp", net.JoinHostPort(u.Hostname(), port), 3*time.Second)
		if err != nil {
			return []Finding{bad("Look whether the broker runs, and whether the network and its name are right.", "%s: the broker %s cannot be reached: %s.", what, address, reason(err))}
		}
		c.Close()
		return []Finding{good("%s: the broker %s can be reached.", what, address)}
	}}
}

// reason is a network's error in plain words, where it is one that is often met; else the innermost, since what around it repeats the address.
func reason(err error) string {
	var name *net.DNSError
	var timeout net.Error
	switch {
	case errors.As(err, &name):
		return fmt.Sprintf("nobody on this network knows the name %q", name.Name)
	case errors.Is(err, syscall.ECONNREFUSED):
		return "the computer is there, and no such program answers on it"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return "no computer there, or no network here"
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return "this computer has no such address"
	case errors.Is(err, syscall.EACCES):
		return "ports below 1024 are for root alone"
	case errors.As(err, &timeout) && timeout.Timeout():
		return "no answer within 3 s"
	}
	for {
		inner := errors.Unwrap(err)
		if inner == nil {
			return err.Error()
		}
		err = inner
	}
}

// Panel looks whether the panel answers where it should, or could. code tells whether one is set.
func Panel(listen string, https bool, code bool) Check {
	return Check{"panel", func() (out []Finding) {
		host, port, err := net.SplitHostPort(listen)
		if err != nil {
			return []Finding{bad("Correct listen under [panel].", "%q is no address.", listen)}
		}
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) && !code {
			out = append(out, bad("Set a code: sequencerd panel-code.", "The panel is to be reached from other computers, at %s, and has no code: the program does not start so.", listen))
		}
		l, err := net.Listen("tcp", listen)
		if err == nil {
			l.Close()
			return append(out, caution("Start it: systemctl start sequencerd, or sequencerd serve.", "Nobody answers at %s, and the port is free: the daemon does not run.", listen))
		}
		if !errors.Is(err, syscall.EADDRINUSE) {
			return append(out, bad("Correct listen under [panel].", "The panel cannot listen on %s: %s.", listen, reason(err)))
		}
		if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
			host = "127.0.0.1"
		}
		if is := answers(net.JoinHostPort(host, port), https); is != nil {
			return append(out, bad("Find it (ss -ltnp), and end it or give the panel another port.", "Another program listens on %s: %v.", listen, is))
		}
		return append(out, good("The panel answers at %s.", listen))
	}}
}

// answers asks for the panel's health.
func answers(at string, https bool) error {
	scheme := "http"
	if https {
		scheme = "https"
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, fmt.Sprintf("%s://%s/api/v1/status", scheme, at), nil)
	if err != nil {
		return err
	}
	c := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // it is asked whether it is there, and told nothing
	defer c.CloseIdleConnections()
	a, err := c.Do(r)
	if err != nil {
		return errors.New(reason(err))
	}
	defer a.Body.Close()
	text, err := io.ReadAll(io.LimitReader(a.Body, 1<<16))
	if err != nil || !strings.Contains(string(text), `"boot_id"`) {
		return errors.New("what it answers is not the panel's")
	}
	return nil
}
