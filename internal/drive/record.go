package drive

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// Record is what stands beside a drive's lock: who took it last, and how the drive can be reached.
type Record struct {
	PID     int       `json:"pid"`
	Command string    `json:"command"`
	Since   time.Time `json:"since"` // wall time, a label only
	Link    string    `json:"link"`  // resolved
	Drive   string    `json:"drive"` // the resolved drive, as whoever took the lock described it
}

// ReadRecord reads the record of the drive behind link. Without one the error is an fs.ErrNotExist.
func ReadRecord(link string) (Record, error) {
	base, _, err := place(link)
	if err != nil {
		return Record{}, err
	}
	return readRecord(base + ".json")
}

// Records reads all records there are, the latest first: for stop-drive, which may have nothing else to go by.
// What cannot be read is left out, and told in the error.
func Records() ([]Record, error) {
	dir, err := runtimeDir()
	if err != nil {
		return nil, err
	}
	paths, err := filepath.Glob(filepath.Join(dir, "drive-*.json"))
	if err != nil {
		return nil, fmt.Errorf("cannot look for records of drives in %s: %w", dir, err)
	}
	var records []Record
	var bad []error
	for _, p := range paths {
		r, err := readRecord(p)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		records = append(records, r)
	}
	slices.SortFunc(records, func(a, b Record) int { return b.Since.Compare(a.Since) })
	return records, errors.Join(bad...)
}

func readRecord(path string) (Record, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Record{}, fmt.Errorf("cannot read the drive's record: %w", err)
	}
	var r Record
	if err := json.Unmarshal(text, &r); err != nil {
		return Record{}, fmt.Errorf("cannot understand the drive's record %s: %w", path, err)
	}
	return r, nil
}

// write puts the record in its place whole, or not at all.
func (r Record) write(path string) error {
	text, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("cannot write the drive's record: %w", err)
	}
	half := path + ".new" // only the holder of the lock writes it
	if err := os.WriteFile(half, append(text, '\n'), 0o600); err != nil {
		return fmt.Errorf("cannot write the drive's record: %w", err)
	}
	if err := os.Rename(half, path); err != nil {
		return fmt.Errorf("cannot write the drive's record: %w", err)
	}
	return nil
}

// place is where the lock and the record of a link stand, but for their endings, and the resolved link. One device has one place,
// by whichever of its names it is called.
func place(link string) (base, resolved string, err error) {
	dir, err := runtimeDir()
	if err != nil {
		return "", "", err
	}
	resolved = link
	if !strings.Contains(link, "://") {
		if resolved, err = filepath.Abs(link); err != nil {
			return "", "", fmt.Errorf("cannot resolve the link %q: %w", link, err)
		}
		if real, err := filepath.EvalSymlinks(resolved); err == nil { // else the device is away: then its name has to do
			resolved = real
		}
	}
	safe := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' {
			return r
		}
		return '-'
	}, resolved)
	// The sum tells apart what the map makes alike; the name is for people, and may be cut.
	safe = strings.Trim(safe[max(0, len(safe)-60):], "-.")
	sum := sha256.Sum256([]byte(resolved))
	return filepath.Join(dir, fmt.Sprintf("drive-%s-%x", safe, sum[:4])), resolved, nil
}

// runtimeDir is the folder of the locks: of the service where there is one, else of the user's session, else one of the user's own below
// the temporary folder, where anybody could have made it first.
func runtimeDir() (string, error) {
	if list := os.Getenv("RUNTIME_DIRECTORY"); list != "" {
		dir, _, _ := strings.Cut(list, ":") // systemd lists all of the service's
		return dir, nil
	}
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("sequencerd-%d", os.Geteuid()))
	if session := os.Getenv("XDG_RUNTIME_DIR"); session != "" {
		dir = filepath.Join(session, "sequencerd")
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
		return "", fmt.Errorf("cannot make a folder for the drive's lock: %w", err)
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return "", fmt.Errorf("cannot use the folder for the drive's lock: %w", err)
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !info.IsDir() || info.Mode().Perm()&0o077 != 0 || !ok || int(owner.Uid) != os.Geteuid() {
		return "", fmt.Errorf("cannot trust the folder for the drive's lock: %s must be a folder (%v) of this user alone, mode 0700; remove it", dir, info.Mode())
	}
	return dir, nil
}
