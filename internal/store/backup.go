package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
)

// Backup writes a whole and consistent copy of the store to a file that must not be there yet, while others go on recording. It is on the disk when
// Backup returns, and a store of its own: any SQLite reads it.
func (s *Store) Backup(file string) error {
	if _, err := os.Lstat(file); err == nil {
		return fmt.Errorf("%s is there already", file)
	}
	part := file + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	err := s.view(func(conn *sqlite.Conn) error { return sqlitex.ExecuteTransient(conn, `VACUUM INTO ?`, args(part)) })
	if err == nil {
		err = settle(part)
	}
	if err == nil {
		err = os.Link(part, file) // unlike a rename it never takes the place of another file
	}
	os.Remove(part)
	if err != nil {
		return fmt.Errorf("no backup was made: %w", err)
	}
	return settle(filepath.Dir(file))
}

// settle waits until a file or folder is on the disk.
func settle(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Restore puts the contents of a backup in the place of all that is in the store of a folder, while others have it open: all of it or, with an error,
// nothing. A backup of a former version is brought up to date on the way. While a swim is being recorded it is refused. A store that is damaged
// is put aside, under the name that is returned.
func Restore(dir, backup string) (aside string, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("cannot make the folder of the store: %w", err)
	}
	work, err := os.MkdirTemp(dir, "restore-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(work)
	fresh := filepath.Join(work, File)
	if err := copyFile(fresh, backup); err != nil {
		return "", err
	}
	if err := verify(work); err != nil {
		return "", fmt.Errorf("%s is no good backup: %w", backup, err)
	}
	s := &Store{dir: dir}
	if err := s.connect(true); err != nil {
		if CodeOf(err) != fault.StoreDamaged {
			return "", err
		}
		if aside, err = putAside(dir); err != nil {
			return "", err
		}
		if err := s.connect(true); err != nil {
			return aside, err
		}
	}
	return aside, errors.Join(s.replace(fresh), s.Close())
}

// verify opens a copy of a backup, which brings it up to date, and has SQLite check it.
func verify(dir string) error {
	s := &Store{dir: dir}
	if err := s.connect(false); err != nil {
		return err
	}
	err := s.Check()
	if err == nil {
		err = s.readable()
	}
	return errors.Join(err, s.Close())
}

// readable reads all that there is: a file that SQLite finds whole may still hold what no program of ours has written, and every later list would fail of it.
func (s *Store) readable() error {
	swims, err := s.List(Which{})
	if err != nil {
		return fmt.Errorf("its swims cannot be read: %w", err)
	}
	for i := range swims {
		r, err := s.Record(swims[i].ID)
		if err == nil {
			_, err = r.MarshalJSON() // which knows what is no number
		}
		if err != nil {
			return fmt.Errorf("its swim %d cannot be read: %w", swims[i].ID, err)
		}
	}
	if _, err := s.Desk(); err != nil {
		return fmt.Errorf("what is laid out in it cannot be read: %w", err)
	}
	all, err := s.Swimmers()
	if err == nil {
		err = WriteSwimmers(io.Discard, all)
	}
	if err != nil {
		return fmt.Errorf("its swimmers cannot be read: %w", err)
	}
	return nil
}

// Check has SQLite check the whole file.
func (s *Store) Check() error {
	return s.view(func(conn *sqlite.Conn) error {
		return sqlitex.ExecuteTransient(conn, `PRAGMA integrity_check(1)`, &sqlitex.ExecOptions{ResultFunc: func(row *sqlite.Stmt) error {
			if text := row.ColumnText(0); text != "ok" {
				return fault.Of(fault.StoreDamaged)
			}
			return nil
		}})
	})
}

// tables are all that hold anything, those that others refer to first.
var tables = []string{"text", "swim", "block", "happening", "samples", "desk", "swimmer", "timed", "threshold"}

func (s *Store) replace(from string) error {
	err := s.view(func(conn *sqlite.Conn) error {
		return sqlitex.ExecuteTransient(conn, `ATTACH ? AS old`, args(from))
	})
	if err != nil {
		return err
	}
	return s.change(func(conn *sqlite.Conn) error {
		open, err := number(conn, `SELECT count(*) FROM swim WHERE ended IS NULL`)
		if err != nil {
			return err
		}
		if open > 0 && held(s.dir) {
			return fault.Of(fault.UnderWay)
		}
		for i := range tables {
			if err := sqlitex.ExecuteTransient(conn, `DELETE FROM main.`+tables[len(tables)-1-i], nil); err != nil {
				return err
			}
		}
		for _, t := range tables {
			if err := sqlitex.ExecuteTransient(conn, `INSERT INTO main.`+t+` SELECT * FROM old.`+t, nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// held reports whether somebody records in a folder.
func held(dir string) bool {
	lock, err := takeLock(dir, 0)
	if err != nil {
		return true
	}
	lock.Close()
	return false
}

// putAside gives the store's files another name.
func putAside(dir string) (name string, err error) {
	for n := 1; ; n++ {
		name = filepath.Join(dir, fmt.Sprintf("damaged-%d.db", n))
		if _, err := os.Lstat(name); errors.Is(err, os.ErrNotExist) {
			break
		}
	}
	for _, tail := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(filepath.Join(dir, File+tail), name+tail); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
	}
	return name, nil
}

func copyFile(to, from string) error {
	in, err := os.Open(from)
	if err != nil {
		return fmt.Errorf("the backup cannot be read: %w", err)
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
