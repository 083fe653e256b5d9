package panel

import (
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
)

// access knows the panel's code and the devices that were paired with it. Both are kept in one small file, as hashes only.
type access struct {
	folder *os.Root // nil where nothing outlives the program

	mu     sync.Mutex
	kept   keys
	dirty  bool
	trying chan struct{} // one code is hashed at a time: it costs a good part of a second
	tries  limiter       // by address
	all    limiter       // by everybody together
}

// keys is the file.
type keys struct {
	Code    *hashed  `json:"code"`
	Devices []device `json:"devices"`
}

// hashed is the code through PBKDF2 with HMAC-SHA-256 (RFC 8018, section 5.2).
type hashed struct {
	Salt   []byte `json:"salt"`
	Rounds int    `json:"rounds"`
	Hash   []byte `json:"hash"`
}

// device is one that has given the code.
type device struct {
	ID     string    `json:"id"`
	Name   string    `json:"name"`
	Paired time.Time `json:"paired"` // by the wall clock: a label
	Seen   time.Time `json:"seen"`   // to the hour
	Token  []byte    `json:"token"`  // SHA-256 of 256 random bits, which need no slow hash
}

const (
	accessFile = "access.json"
	// rounds: what OWASP's Password Storage Cheat Sheet asks of PBKDF2 with HMAC-SHA-256 (from memory).
	rounds      = 600_000
	mostRounds  = 100 * rounds // more than that no program of ours has written: a try would take minutes
	leastCode   = 6
	mostCode    = 64
	mostDevices = 50
)

// openAccess reads what is kept in the folder; an empty one keeps nothing.
func openAccess(folder string) (*access, error) {
	a := &access{
		trying: make(chan struct{}, 1),
		tries:  limiter{burst: 5, every: 30 * time.Second},
		all:    limiter{burst: 20, every: 3 * time.Second},
	}
	if folder == "" {
		return a, nil
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("the folder for the panel's code cannot be made: %w", err)
	}
	var err error
	if a.folder, err = os.OpenRoot(folder); err != nil {
		return nil, fmt.Errorf("the folder for the panel's code cannot be opened: %w", err)
	}
	text, err := a.folder.ReadFile(accessFile)
	if errors.Is(err, fs.ErrNotExist) {
		return a, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &a.kept)
	}
	if err == nil && a.kept.Code != nil && (a.kept.Code.Rounds < 1 || a.kept.Code.Rounds > mostRounds || len(a.kept.Code.Hash) != sha256.Size) {
		err = errors.New("it has no good code")
	}
	if err != nil {
		return nil, fmt.Errorf("the panel's code in %s cannot be read: %w; delete the file, and set a new code", accessFile, err)
	}
	return a, nil
}

// SetCode sets the panel's code in a state folder, and forgets every paired device. A panel that runs reads it when it is started again.
// An empty code takes the code away.
func SetCode(folder, code string) error {
	if folder == "" {
		return errors.New("there is no folder to keep a code in")
	}
	a, err := openAccess(folder)
	if err != nil {
		if a = (&access{}); a.openFresh(folder) != nil {
			return err
		}
	}
	a.kept = keys{}
	if code != "" {
		if a.kept.Code, err = hash(code); err != nil {
			return err
		}
	}
	a.dirty = true
	return a.save()
}

func (a *access) openFresh(folder string) (err error) {
	a.folder, err = os.OpenRoot(folder)
	return err
}

// hash refuses a code that is too short, too long, or cannot be typed.
func hash(code string) (*hashed, error) {
	if n := utf8.RuneCountInString(code); n < leastCode || n > mostCode || strings.TrimSpace(code) != code || strings.ContainsFunc(code, unicode.IsControl) {
		return nil, fmt.Errorf("the code must have %d to %d characters, without blanks around them", leastCode, mostCode)
	}
	h := &hashed{Salt: make([]byte, 16), Rounds: rounds}
	rand.Read(h.Salt)
	var err error
	h.Hash, err = pbkdf2.Key(sha256.New, code, h.Salt, h.Rounds, sha256.Size)
	return h, err
}

// save writes the file if anything in it has changed.
func (a *access) save() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.dirty || a.folder == nil {
		return nil
	}
	text, err := json.MarshalIndent(a.kept, "", "  ")
	if err == nil {
		err = keep(a.folder, accessFile, append(text, '\n'))
	}
	if err != nil {
		return fmt.Errorf("the panel's devices cannot be kept: %w", err)
	}
	a.dirty = false
	return nil
}

func (a *access) hasCode() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.kept.Code != nil
}

// pair checks a code from an address, and gives a new device its token.
func (a *access) pair(address, code, name string) (token string, err error) {
	a.mu.Lock()
	h := a.kept.Code
	a.mu.Unlock()
	switch {
	case h == nil:
		return "", fault.Of(fault.NoCode)
	case !a.tries.allow(address) || !a.all.allow(""):
		return "", fault.Of(fault.TooManyTries)
	case utf8.RuneCountInString(code) > mostCode:
		return "", fault.Of(fault.CodeWrong)
	}
	select {
	case a.trying <- struct{}{}:
	default:
		return "", fault.Of(fault.TooManyTries)
	}
	got, err := pbkdf2.Key(sha256.New, code, h.Salt, h.Rounds, len(h.Hash))
	<-a.trying
	if err != nil {
		return "", err
	}
	if subtle.ConstantTimeCompare(got, h.Hash) != 1 {
		return "", fault.Of(fault.CodeWrong)
	}
	a.tries.forget(address)
	secret := make([]byte, 32)
	rand.Read(secret)
	sum := sha256.Sum256(secret)
	now := time.Now()
	a.mu.Lock()
	if len(a.kept.Devices) >= mostDevices { // the one that was seen least lately goes
		i := 0
		for j := range a.kept.Devices {
			if a.kept.Devices[j].Seen.Before(a.kept.Devices[i].Seen) {
				i = j
			}
		}
		a.kept.Devices = slices.Delete(a.kept.Devices, i, i+1)
	}
	a.kept.Devices = append(a.kept.Devices, device{ID: rand.Text()[:10], Name: deviceName(name), Paired: now, Seen: now, Token: sum[:]})
	a.dirty = true
	a.mu.Unlock()
	return base64.RawURLEncoding.EncodeToString(secret), a.save()
}

// deviceName is a name as it may be shown.
func deviceName(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60])
	}
	if s = strings.TrimSpace(s); s == "" {
		return "unnamed"
	}
	return s
}

// known is the ID of the device that a token belongs to; empty for none.
func (a *access) known(token string) string {
	secret, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(secret) != 32 {
		return ""
	}
	sum := sha256.Sum256(secret)
	a.mu.Lock()
	defer a.mu.Unlock()
	for i := range a.kept.Devices {
		d := &a.kept.Devices[i]
		if subtle.ConstantTimeCompare(d.Token, sum[:]) == 1 {
			if now := time.Now(); now.Sub(d.Seen) > time.Hour || now.Before(d.Seen) {
				d.Seen, a.dirty = now, true // written with the next change, or at the end
			}
			return d.ID
		}
	}
	return ""
}

// devices lists the paired ones, without their tokens.
func (a *access) devices() []device {
	a.mu.Lock()
	defer a.mu.Unlock()
	out := slices.Clone(a.kept.Devices)
	for i := range out {
		out[i].Token = nil
	}
	return out
}

// revoke forgets a device.
func (a *access) revoke(id string) error {
	a.mu.Lock()
	n := len(a.kept.Devices)
	a.kept.Devices = slices.DeleteFunc(a.kept.Devices, func(d device) bool { return d.ID == id })
	a.dirty = a.dirty || len(a.kept.Devices) != n
	a.mu.Unlock()
	return a.save()
}

// limiter lets so many pass at once, and then one every so often, for each key.
type limiter struct {
	burst int
	every time.Duration

	mu   sync.Mutex
	seen map[string]*bucket
}

type bucket struct {
	left float64
	at   time.Time
}

// mostKeys bounds the memory: beyond it those that are full again are forgotten, then all.
const mostKeys = 4096

func (l *limiter) allow(key string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	if l.seen == nil || len(l.seen) >= mostKeys {
		l.tidy(now)
	}
	b := l.seen[key]
	if b == nil {
		b = &bucket{left: float64(l.burst), at: now}
		l.seen[key] = b
	}
	b.left = min(b.left+now.Sub(b.at).Seconds()/l.every.Seconds(), float64(l.burst))
	b.at = now
	if b.left < 1 {
		return false
	}
	b.left--
	return true
}

func (l *limiter) tidy(now time.Time) {
	for k, b := range l.seen {
		if b.left+now.Sub(b.at).Seconds()/l.every.Seconds() >= float64(l.burst) {
			delete(l.seen, k)
		}
	}
	if l.seen == nil || len(l.seen) >= mostKeys {
		l.seen = map[string]*bucket{}
	}
}

func (l *limiter) forget(key string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, key)
}

// HasCode reports whether a code was set in a folder; false where that cannot be read. Nothing is made there.
func HasCode(folder string) bool {
	text, err := os.ReadFile(filepath.Join(folder, accessFile))
	var is keys
	return err == nil && json.Unmarshal(text, &is) == nil && is.Code != nil
}
