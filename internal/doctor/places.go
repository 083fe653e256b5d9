package doctor

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
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
		out := disk(dir, int64(uint32(st.Type)), int64(st.Flags), // both are of 32 bits on some machines, and signed
			uint64(st.Bavail)*uint64(st.Bsize)>>20)
		return append(out, stored(dir)...)
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
	case freeMiB < 20:
		out = append(out, bad("Make room: delete old files, or swims (sequencerd swims delete).", "Only %d MiB are free at %s: nothing more is kept soon.", freeMiB, dir))
	case freeMiB < 200:
		out = append(out, caution("Make room before it is full.", "%d MiB are free at %s.", freeMiB, dir))
	default:
		out = append(out, good("%d MiB are free at %s.", freeMiB, dir))
	}
	return out
}

func stored(dir string) []Finding {
	s, err := store.Open(dir)
	if errors.Is(err, store.ErrNone) {
		return []Finding{good("Nothing was swum here yet.")}
	}
	if err != nil {
		do := "Run the doctor as root, or as the service's user."
		if !errors.Is(err, os.ErrPermission) {
			do = "Put a backup in its place: sequencerd restore."
		}
		return []Finding{bad(do, "What was swum cannot be read: %v.", err)}
	}
	defer s.Close()
	if err := s.Check(); err != nil {
		return []Finding{bad("Put a backup in its place: sequencerd restore.", "The file with what was swum is damaged: %v.", err)}
	}
	swims, err := s.List(store.Which{})
	if err != nil {
		return []Finding{bad("Put a backup in its place: sequencerd restore.", "What was swum cannot be listed: %v.", err)}
	}
	return []Finding{good("The file with what was swum is whole: %d swims.", len(swims))}
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
			return []Finding{bad("Look whether the broker runs, and whether the network and its name are right.", "%s: the broker %s cannot be reached: %v.", what, address, reason(err))}
		}
		c.Close()
		return []Finding{good("%s: the broker %s can be reached.", what, address)}
	}}
}

// reason is the innermost of a network's errors: what around it repeats the address.
func reason(err error) error {
	for {
		inner := errors.Unwrap(err)
		if inner == nil {
			return err
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
			return append(out, bad("Correct listen under [panel].", "The panel cannot listen on %s: %v.", listen, reason(err)))
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
		return reason(err)
	}
	defer a.Body.Close()
	text, err := io.ReadAll(io.LimitReader(a.Body, 1<<16))
	if err != nil || !strings.Contains(string(text), `"boot_id"`) {
		return errors.New("what it answers is not the panel's")
	}
	return nil
}
