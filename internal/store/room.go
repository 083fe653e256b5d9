package store

import (
	"errors"
	"os"
	"path/filepath"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

// Room is made in one order: samples of the oldest swims go, a swim at a time; what they sum up to never does. Dropping them needs some room itself, for
// the log, so a file of zeros is kept for the day when the disk is full.

// DefaultMost is how large a store may grow before the oldest samples go, in bytes: about 18,000 hours with all samples.
const DefaultMost = 512 << 20

// reserveBytes is the size of the file that gives way on a full disk: enough for a log of a hundred pages or two.
const reserveBytes = 1 << 20

// swimsAtOnce is how many swims lose their samples in one transaction, which keeps its log small.
const swimsAtOnce = 4

// Thin drops samples of the oldest swims until the store is no larger than most bytes. What is freed is used again, the file does not shrink.
func (s *Store) Thin(most int64) error {
	for {
		used, err := s.used()
		if err != nil || used <= most {
			return err
		}
		if n, err := s.drop(); err != nil || n == 0 {
			return err
		}
	}
}

// Tidy is Thin, and then makes up the reserve that a full disk may have used.
func (s *Store) Tidy(most int64) error {
	err := s.Thin(most)
	s.keepReserve()
	return err
}

// yield makes room on a full disk, more with each try: the log is emptied into the file; then the reserve goes, which is room for the log in which the
// samples of a few of the oldest swims go. It reports whether another try may help.
func (s *Store) yield(try int) bool {
	if try == 0 {
		_ = s.emptyLog() // may want room itself, which the next try gives
		return true
	}
	gone := os.Remove(s.reserve()) == nil
	n, err := s.drop()
	_ = s.emptyLog()
	return gone || n > 0 && err == nil
}

// emptyLog brings the log into the file, and gives its room back.
func (s *Store) emptyLog() error {
	return s.view(func(conn *sqlite.Conn) error {
		return sqlitex.ExecuteTransient(conn, `PRAGMA wal_checkpoint(truncate)`, nil)
	})
}

// keepReserve makes the reserve where it is not there and there is room, the log's where nothing else is left. Without one a full disk is full a little
// earlier, nothing worse.
func (s *Store) keepReserve() {
	if info, err := os.Stat(s.reserve()); err == nil && info.Size() == reserveBytes {
		return
	}
	zeros := func() error { return os.WriteFile(s.reserve(), make([]byte, reserveBytes), 0o600) }
	if zeros() != nil && (s.emptyLog() != nil || zeros() != nil) {
		os.Remove(s.reserve())
	}
}

func (s *Store) reserve() string { return filepath.Join(s.dir, "reserve") }

// used is how many bytes of the file are in use.
func (s *Store) used() (n int64, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		pages, err1 := number(conn, `PRAGMA page_count`)
		free, err2 := number(conn, `PRAGMA freelist_count`)
		size, err3 := number(conn, `PRAGMA page_size`)
		n = int64(pages-free) * int64(size)
		return errors.Join(err1, err2, err3)
	})
	return n, err
}

// drop takes the samples of the oldest swims that have any, but never of the newest swim.
func (s *Store) drop() (n int, err error) {
	err = s.change(func(conn *sqlite.Conn) error {
		var ids []int64
		err := sqlitex.Execute(conn, `SELECT DISTINCT swim FROM samples WHERE swim < (SELECT max(id) FROM swim) ORDER BY swim LIMIT ?`,
			&sqlitex.ExecOptions{Args: []any{swimsAtOnce}, ResultFunc: func(row *sqlite.Stmt) error {
				ids = append(ids, row.ColumnInt64(0))
				return nil
			}})
		if err != nil {
			return err
		}
		for _, id := range ids {
			if err := sqlitex.Execute(conn, `DELETE FROM samples WHERE swim = ?`, args(id)); err != nil {
				return err
			}
			if err := sqlitex.Execute(conn, `UPDATE swim SET thinned = 1 WHERE id = ?`, args(id)); err != nil {
				return err
			}
		}
		n = len(ids)
		return nil
	})
	return n, err
}

// writable is the error of a disk that takes no writes. When a file system fails and turns read-only under open files, a sync that is under way may return
// as if all were well (seen on ext4 with an aborted journal, Linux 6.18). So a sync is believed only if the file system still takes a change after it:
// another size, because that is refused from the moment when the journal is aborted, while another time is let through until a little later.
func (s *Store) writable() error {
	info, err := os.Stat(lockFile(s.dir))
	if err != nil {
		return err
	}
	return os.Truncate(lockFile(s.dir), 1-min(info.Size(), 1))
}
