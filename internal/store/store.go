// Package store keeps what was swum, durably: swims with their blocks, happenings and samples, and the desk with what is laid out.
//
// It is one SQLite file with a write-ahead log in a folder of its own. What Write has returned for survives kill -9 and the plug. Several processes may
// read and make small changes at once; one at a time records. Wall time is a label only: a board without a battery clock boots in a year long past, so
// swims are ordered by their number, and times within a swim are counted from its start by a clock that does not jump.
package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
)

// File is the name of the store in its folder; SQLite puts its log beside it.
const File = "swims.db"

// Store is an open store. It is safe for concurrent use; one call at a time is carried out.
type Store struct {
	dir string

	mu     sync.Mutex
	conn   *sqlite.Conn // nil where the last try to open the file failed
	lock   *os.File     // held by who records
	closed bool

	orphans bool // swims without an end have lost their recorder, and that could not be written
}

// ErrNone says that there is no store in the folder.
var ErrNone = errors.New("no swims are kept here")

// busyWait is how long a change waits for another process.
const busyWait = 2 * time.Second

// Open opens the store in a folder for reading and small changes; it must be there (ErrNone). Swims that a recorder left open when it died are marked so.
func Open(dir string) (*Store, error) {
	if _, err := os.Stat(filepath.Join(dir, File)); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w", dir, ErrNone)
	}
	s := &Store{dir: dir}
	if err := s.connect(false); err != nil {
		return nil, err
	}
	if lock, err := takeLock(dir, 0); err == nil {
		s.orphans = s.sweep() != nil // a disk that is full or takes no writes
		lock.Close()
	}
	return s, nil
}

// OpenToRecord opens the store in a folder for recording, making both where they are not there. One process at a time records: where another one does, the
// error is the fault store-busy.
func OpenToRecord(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("cannot make the folder of the store: %w", err)
	}
	lock, err := takeLock(dir, time.Second)
	if err != nil {
		return nil, err
	}
	s := &Store{dir: dir, lock: lock}
	err = s.connect(true)
	if err != nil && os.Remove(s.reserve()) == nil {
		err = s.connect(true) // perhaps the disk was full
	}
	if err == nil {
		err = s.sweep()
	}
	if err != nil && CodeOf(err) != fault.StoreFull { // a full disk is no reason not to begin
		return nil, errors.Join(err, s.Close())
	}
	s.keepReserve()
	return s, nil
}

// Dir is the folder of the store.
func (s *Store) Dir() string { return s.dir }

// Close closes the store, and gives up the right to record.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var err error
	s.closed = true
	if s.conn != nil {
		err = s.conn.Close()
		s.conn = nil
	}
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close())
		s.lock = nil
	}
	return err
}

// Reopen lets go of a file that has failed: what comes next opens it again, or another one that was put in its place.
func (s *Store) Reopen() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		_ = s.conn.Close() // it has failed already
		s.conn = nil
	}
}

func (s *Store) connect(create bool) error {
	flags := sqlite.OpenReadWrite
	if create {
		flags |= sqlite.OpenCreate
	}
	conn, err := sqlite.OpenConn(filepath.Join(s.dir, File), flags)
	if err != nil {
		return fmt.Errorf("cannot open the store: %w", err)
	}
	if err := prepare(conn); err != nil {
		return errors.Join(fmt.Errorf("cannot open the store %s: %w", s.dir, err), conn.Close())
	}
	s.conn = conn
	return nil
}

// prepare sets a connection up, and brings the file to the present schema.
func prepare(conn *sqlite.Conn) error {
	conn.SetBusyTimeout(busyWait)
	if err := migrate(conn); err != nil {
		return err
	}
	for _, p := range []string{
		`PRAGMA foreign_keys = on`,
		`PRAGMA temp_store = memory`,
		`PRAGMA cache_size = -2048`, // KiB
		`PRAGMA journal_mode = wal`,
		`PRAGMA synchronous = full`,           // a commit is on the disk when it returns
		`PRAGMA wal_autocheckpoint = 256`,     // pages: the log is emptied into the file at 1 MiB,
		`PRAGMA journal_size_limit = 1048576`, // and does not stay larger than that
	} {
		if err := sqlitex.ExecuteTransient(conn, p, nil); err != nil && sqlite.ErrCode(err).ToPrimary() != sqlite.ResultReadOnly {
			return err
		}
	}
	return nil
}

// lockFile is what a recorder holds a lock on.
func lockFile(dir string) string { return filepath.Join(dir, "recording") }

// takeLock takes the right to record, waiting a little for somebody who looks in. The lock is the kernel's, so it dies with its process.
func takeLock(dir string, wait time.Duration) (*os.File, error) {
	f, err := os.OpenFile(lockFile(dir), os.O_CREATE|os.O_RDWR, 0o600)
	if errors.Is(err, syscall.EROFS) {
		f, err = os.Open(lockFile(dir)) // enough for a lock
	}
	if err != nil {
		return nil, fmt.Errorf("cannot lock the store: %w", err)
	}
	for until := time.Now().Add(wait); ; {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			return f, nil
		case !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR):
			f.Close()
			return nil, fmt.Errorf("cannot lock the store: %w", err)
		case !time.Now().Before(until):
			f.Close()
			return nil, fault.Of(fault.StoreBusy)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// errClosed is what a closed store answers.
var errClosed = errors.New("the store is closed")

// view carries out f on the connection.
func (s *Store) view(f func(*sqlite.Conn) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return errClosed
	}
	if s.conn == nil {
		if err := s.connect(s.lock != nil); err != nil {
			return err
		}
	}
	return f(s.conn)
}

// change carries out f as one transaction: all of it is on the disk when change returns nil, else nothing.
func (s *Store) change(f func(*sqlite.Conn) error) error {
	return s.view(func(conn *sqlite.Conn) (err error) {
		end, err := sqlitex.ImmediateTransaction(conn)
		if err != nil {
			return err
		}
		defer end(&err)
		return f(conn)
	})
}

// CodeOf is what a person is told of an error of the store's; empty for none.
func CodeOf(err error) fault.Code {
	if err == nil {
		return ""
	}
	var f fault.Fault
	if errors.As(err, &f) {
		return f.Code
	}
	switch sqlite.ErrCode(err).ToPrimary() {
	case sqlite.ResultFull:
		return fault.StoreFull
	case sqlite.ResultReadOnly:
		return fault.StoreReadOnly
	case sqlite.ResultCorrupt, sqlite.ResultNotADB:
		return fault.StoreDamaged
	case sqlite.ResultBusy, sqlite.ResultLocked:
		return fault.StoreBusy
	}
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return fault.StoreFull
	case errors.Is(err, syscall.EROFS):
		return fault.StoreReadOnly
	}
	return fault.StoreFailing
}
