package doctor

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Computer is the board: what it is, how long it has been up, whether it has room to work.
func Computer() Check {
	return Check{"computer", func() []Finding {
		var info syscall.Sysinfo_t
		if err := syscall.Sysinfo(&info); err != nil {
			return []Finding{caution("", "The computer does not tell how it is: %v.", err)}
		}
		what := cmp.Or(Model(), "This computer")
		unit := uint64(max(info.Unit, 1))
		total, free := uint64(info.Totalram)*unit>>20, available(uint64(info.Freeram)*unit)>>20
		load, cores := float64(info.Loads[0])/65536, runtime.NumCPU() // getloadavg(3): fixed point, 16 bits
		out := []Finding{good("%s, %s, %d cores, up for %s, %d of %d MiB of memory free.", what, runtime.GOARCH, cores, roughly(time.Duration(info.Uptime)*time.Second), free, total)}
		if free < 50 {
			out = append(out, caution("End other programs, or give it more memory.", "Only %d MiB of memory are free.", free))
		}
		if load > 2*float64(cores) {
			out = append(out, caution("Look what else runs here (top); the flume should have this computer to itself.", "It is busy: %.1f programs wanted %d cores over the last minute.", load, cores))
		}
		return out
	}}
}

// Model is what the board's own description calls it; empty where it has none, as most desktop computers.
func Model() string {
	text, _ := os.ReadFile("/proc/device-tree/model")
	return strings.TrimRight(string(text), "\x00\n ")
}

// roughly is a time as people say it.
func roughly(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%d days", int(d.Hours())/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%d hours", int(d.Hours()))
	}
	return fmt.Sprintf("%d minutes", int(d.Minutes()))
}

// available is what programs can still have, as the kernel estimates it; else what is free.
func available(free uint64) uint64 {
	text, err := os.ReadFile("/proc/meminfo")
	if err != nil {
		return free
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "MemAvailable:"); ok {
			if f := strings.Fields(rest); len(f) > 0 {
				if kib, err := strconv.ParseUint(f[0], 10, 64); err == nil {
					return kib << 10
				}
			}
		}
	}
	return free
}

// Clock judges the wall clock: swims are labelled with it, nothing else. now is the time, synced whether the kernel holds it for right, battery whether
// there is a clock that goes on without power.
func Clock() Check {
	return Check{"clock", func() []Finding {
		var t syscall.Timex
		_, err := syscall.Adjtimex(&t)
		const unsync = 0x40 // STA_UNSYNC, adjtimex(2)
		_, rtc := os.Stat("/sys/class/rtc/rtc0")
		return clock(time.Now(), err == nil && t.Status&unsync == 0, rtc == nil)
	}}
}

func clock(now time.Time, synced, battery bool) []Finding {
	says := now.Format("2 January 2006, 15:04")
	switch {
	case now.Year() < 2025:
		return []Finding{bad("Connect the computer to a network with a time server, or set the time by hand (timedatectl set-time).",
			"The clock says %s: it was never set since the computer was switched on. Swims would be kept with wrong dates; the water does not mind.", says)}
	case !synced && !battery:
		return []Finding{caution("Connect it to a network with a time server, or fit a battery clock.", "The clock says %s. Nobody keeps it right, and it stops with the power: there is no battery clock.", says)}
	case !synced:
		return []Finding{caution("Look whether that is the time; a time server would keep it right (timedatectl set-ntp true).", "The clock says %s, from a battery clock. Nobody keeps it right.", says)}
	case !battery:
		return []Finding{good("%s, kept right by the network. There is no battery clock: after a start without network it is wrong for a while.", says)}
	}
	return []Finding{good("%s, kept right by the network, with a battery clock.", says)}
}

// Service looks at the daemon under its supervisor, by what systemctl and the kernel tell.
func Service(unit string) Check {
	return Check{"service", func() []Finding {
		path, err := exec.LookPath("systemctl")
		if err != nil {
			return []Finding{good("There is no supervisor (systemd) here: the program is started by hand.")}
		}
		if _, err := os.Stat("/run/systemd/system"); err != nil { // sd_booted(3)
			return []Finding{good("No supervisor (systemd) has started this computer: the program is started by hand.")}
		}
		text, err := exec.Command(path, "show", unit, "-p", "LoadState,ActiveState,SubState,MainPID,NRestarts,Result").Output()
		if err != nil {
			return []Finding{caution("Ask it yourself: systemctl status sequencerd.", "The supervisor (systemd) does not answer: whether the service runs is not known.")}
		}
		return service(string(text), policy)
	}}
}

// service judges what systemctl show says.
func service(text string, policy func(pid int) (string, error)) []Finding {
	is := map[string]string{}
	for line := range strings.Lines(text) {
		if k, v, ok := strings.Cut(strings.TrimSpace(line), "="); ok {
			is[k] = v
		}
	}
	if is["LoadState"] != "loaded" {
		return []Finding{caution("Install the package, or start it by hand with sequencerd serve.", "The service sequencerd is not installed.")}
	}
	if is["ActiveState"] != "active" && is["ActiveState"] != "reloading" {
		return []Finding{bad("Look why: journalctl -u sequencerd -n 50. Then systemctl start sequencerd.", "The service does not run: it is %s (%s).", is["ActiveState"], is["Result"])}
	}
	pid, _ := strconv.Atoi(is["MainPID"])
	out := []Finding{good("The service runs, process %d.", pid)}
	if n := is["NRestarts"]; n != "0" && n != "" {
		out = append(out, caution("Look why: journalctl -u sequencerd, at the lines before each \"begun\".", "It had to be started again %s times since it was started by hand or by a boot.", n))
	}
	switch p, err := policy(pid); {
	case err != nil:
		out = append(out, caution("Run the doctor as root to see it.", "Whether it goes before other programs cannot be seen: %v.", err))
	case p == "ordinary":
		out = append(out, bad("Use the unit that comes with the program (CPUSchedulingPolicy=rr); some containers do not allow it.",
			"It has no real-time priority: other programs can hold the control loop up, which stops the water."))
	default:
		out = append(out, good("It goes before other programs (%s).", p))
	}
	return out
}

// policy is the scheduling of a process: sched_getscheduler(2), which everybody may ask.
func policy(pid int) (string, error) {
	n, _, errno := syscall.Syscall(syscall.SYS_SCHED_GETSCHEDULER, uintptr(pid), 0, 0)
	if errno != 0 {
		return "", errno
	}
	switch n &^ 0x40000000 { // SCHED_RESET_ON_FORK
	case 1:
		return "real time, first come first served", nil
	case 2:
		return "real time, in turns", nil
	}
	return "ordinary", nil
}

// account says who asks, since what may be opened depends on it.
func account() string {
	u, err := user.Current()
	if err != nil {
		return fmt.Sprintf("user %d", os.Getuid())
	}
	return "user " + u.Username
}

// Device is a device that the configuration names.
type Device struct {
	What, Path string
	Group      string // that mostly owns such devices
}

// Devices looks whether devices are there and may be used, without opening them: to open a serial line can already tell a drive something.
func Devices(all []Device) Check {
	return Check{"devices", func() (out []Finding) {
		if len(all) == 0 {
			return []Finding{good("The configuration names none: no serial line, no pins, no hardware watchdog.")}
		}
		for _, d := range all {
			out = append(out, device(d))
		}
		return out
	}}
}

const readWrite = 6 // access(2): R_OK | W_OK

func device(d Device) Finding {
	info, err := os.Stat(d.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return bad("Look whether it is plugged in (dmesg | tail), and whether the configuration has its right name."+others(d.Path), "%s: there is no %s.", d.What, d.Path)
	case err != nil:
		return bad("Run the doctor as root, or as the service's user.", "%s: %s cannot be looked at: %v.", d.What, d.Path, err)
	case info.Mode()&fs.ModeDevice == 0:
		return bad("Correct its name in the configuration.", "%s: %s is no device.", d.What, d.Path)
	}
	if err := syscall.Access(d.Path, readWrite); err != nil {
		do := fmt.Sprintf("Put the service's user into the group of the device: usermod -aG %s sequencerd. Then restart the service.", d.Group)
		if owner(info) != "group "+d.Group {
			do = fmt.Sprintf("Have the device belong to the group %s, as udev's rules do, and the service's user be in it.", d.Group)
		}
		return bad(do,
			"%s: %s may not be used by %s (%v, %s).", d.What, d.Path, account(), err, owner(info))
	}
	if strings.HasPrefix(filepath.Base(d.Path), "ttyUSB") || strings.HasPrefix(filepath.Base(d.Path), "ttyACM") {
		return caution("Name it by /dev/serial/by-id/… in the configuration."+others(d.Path), "%s: %s is there, and may be called otherwise after the next start.", d.What, d.Path)
	}
	return good("%s: %s is there, and %s may use it (%s).", d.What, d.Path, account(), owner(info))
}

func owner(info fs.FileInfo) string {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return info.Mode().String()
	}
	g, err := user.LookupGroupId(strconv.Itoa(int(st.Gid)))
	if err != nil {
		return info.Mode().String()
	}
	return "group " + g.Name
}

// others names the serial lines that are there, for one that is not.
func others(path string) string {
	if !strings.Contains(path, "tty") && !strings.Contains(path, "serial") {
		return ""
	}
	all, _ := filepath.Glob("/dev/serial/by-id/*")
	if len(all) == 0 {
		return ""
	}
	return " Plugged in now: " + strings.Join(all, ", ") + "."
}
