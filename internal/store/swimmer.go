package store

import (
	"errors"
	"fmt"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/units"
)

// Swimmer is somebody who swims here, with the timed swims that were put in and the history of the threshold.
type Swimmer struct {
	Name    string // in capitals or not, there is one of each
	Unit    units.Unit
	Cap     units.Speed // zero for none of their own
	Offset  float64     // s per 100 m that a pool threshold is slower by in the flume
	Timed   []Timed     // in the order they were put in
	History []Threshold // the latest one last: that one counts
}

// Timed is a timed swim that was put in by hand.
type Timed struct {
	Number   int64 // 0 until it is kept
	Distance units.Distance
	Time     time.Duration
	Day      time.Time // a date at midnight UTC; zero where not known
	Flume    bool
}

// Threshold is a threshold as it was found, or set by hand.
type Threshold struct {
	Day     time.Time // a date at midnight UTC; zero where not known
	Pace    units.Pace
	Error   float64        // half of the band that has it in 95 of 100 cases, s per 100 m; 0 where not known
	Reserve units.Distance // 0 where not known
	Flume   bool           // else in the pool
	ByHand  bool
	Swims   string // what it is from, in words
}

// Threshold is the one that counts; false for none.
func (w *Swimmer) Threshold() (Threshold, bool) {
	if len(w.History) == 0 {
		return Threshold{}, false
	}
	return w.History[len(w.History)-1], true
}

// ErrNobody says that there is no swimmer of that name.
var ErrNobody = errors.New("there is no swimmer of that name")

// Swimmers gives everybody, in the order of their names.
func (s *Store) Swimmers() (all []Swimmer, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		all, err = swimmers(conn, `ORDER BY name`)
		return err
	})
	return all, err
}

// Swimmer gives somebody by name, in capitals or not; ErrNobody.
func (s *Store) Swimmer(name string) (*Swimmer, error) {
	var found []Swimmer
	err := s.view(func(conn *sqlite.Conn) (err error) {
		found, err = swimmers(conn, `WHERE name = ?`, name)
		return err
	})
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, fmt.Errorf("swimmer %q: %w", name, ErrNobody)
	}
	return &found[0], nil
}

func swimmers(conn *sqlite.Conn, where string, values ...any) (all []Swimmer, err error) {
	var ids []int64
	err = sqlitex.Execute(conn, `SELECT id, name, unit, cap_mps, offset_s_per_100m FROM swimmer `+where, &sqlitex.ExecOptions{Args: values, ResultFunc: func(row *sqlite.Stmt) error {
		w := Swimmer{Name: row.ColumnText(1), Cap: units.MetresPerSecond(row.ColumnFloat(3)), Offset: row.ColumnFloat(4)}
		var err error
		w.Unit, err = units.ParseUnit(row.ColumnText(2))
		all, ids = append(all, w), append(ids, row.ColumnInt64(0))
		return err
	}})
	for i := 0; i < len(all) && err == nil; i++ {
		if all[i].Timed, err = timed(conn, ids[i]); err == nil {
			all[i].History, err = thresholds(conn, ids[i])
		}
	}
	return all, err
}

func timed(conn *sqlite.Conn, swimmer int64) (out []Timed, err error) {
	err = sqlitex.Execute(conn, `SELECT id, distance_m, time_s, day, flume FROM timed WHERE swimmer = ? ORDER BY id`,
		&sqlitex.ExecOptions{Args: []any{swimmer}, ResultFunc: func(row *sqlite.Stmt) error {
			day, err := dayOf(row.ColumnText(3))
			out = append(out, Timed{row.ColumnInt64(0), metres(row, 1), seconds(row, 2), day, row.ColumnBool(4)})
			return err
		}})
	return out, err
}

func thresholds(conn *sqlite.Conn, swimmer int64) (out []Threshold, err error) {
	err = sqlitex.Execute(conn, `SELECT day, s_per_100m, error_s_per_100m, reserve_m, flume, by_hand, swims FROM threshold WHERE swimmer = ? ORDER BY id`,
		&sqlitex.ExecOptions{Args: []any{swimmer}, ResultFunc: func(row *sqlite.Stmt) error {
			day, err := dayOf(row.ColumnText(0))
			out = append(out, Threshold{
				Day: day, Pace: units.PacePer100(row.ColumnFloat(1), units.Metre), Error: row.ColumnFloat(2), Reserve: metres(row, 3),
				Flume: row.ColumnBool(4), ByHand: row.ColumnBool(5), Swims: row.ColumnText(6),
			})
			return err
		}})
	return out, err
}

// PutSwimmer keeps name, unit, cap and offset of somebody, new or known. Timed swims and thresholds stay as they are.
func (s *Store) PutSwimmer(w *Swimmer) error {
	return s.change(func(conn *sqlite.Conn) error { return putSwimmer(conn, w) })
}

func putSwimmer(conn *sqlite.Conn, w *Swimmer) error {
	return sqlitex.Execute(conn, `INSERT INTO swimmer (name, unit, cap_mps, offset_s_per_100m) VALUES (?1, ?2, nullif(?3, 0.0), ?4)
		ON CONFLICT (name) DO UPDATE SET unit = ?2, cap_mps = nullif(?3, 0.0), offset_s_per_100m = ?4`,
		args(w.Name, w.Unit.String(), w.Cap.MetresPerSecond(), w.Offset))
}

// AddTimed keeps a timed swim of somebody, and gives its number.
func (s *Store) AddTimed(swimmer string, t Timed) (number int64, err error) {
	err = s.of(swimmer, func(conn *sqlite.Conn, id int64) error {
		if err := putTimed(conn, id, t); err != nil {
			return err
		}
		number = conn.LastInsertRowID()
		return nil
	})
	return number, err
}

func putTimed(conn *sqlite.Conn, swimmer int64, t Timed) error {
	return sqlitex.Execute(conn, `INSERT INTO timed (swimmer, distance_m, time_s, day, flume) VALUES (?, ?, ?, ?, ?)`,
		args(swimmer, t.Distance.Metres(), t.Time.Seconds(), date(t.Day), t.Flume))
}

// DropTimed forgets a timed swim of somebody.
func (s *Store) DropTimed(swimmer string, number int64) error {
	return s.of(swimmer, func(conn *sqlite.Conn, id int64) error {
		if err := sqlitex.Execute(conn, `DELETE FROM timed WHERE id = ? AND swimmer = ?`, args(number, id)); err != nil {
			return err
		}
		if conn.Changes() == 0 {
			return fmt.Errorf("timed swim %d: %s has none with that number", number, swimmer)
		}
		return nil
	})
}

// AddThreshold puts a threshold on top of somebody's history: from now on it counts.
func (s *Store) AddThreshold(swimmer string, t Threshold) error {
	return s.of(swimmer, func(conn *sqlite.Conn, id int64) error { return putThreshold(conn, id, t) })
}

func putThreshold(conn *sqlite.Conn, swimmer int64, t Threshold) error {
	return sqlitex.Execute(conn, `INSERT INTO threshold (swimmer, day, s_per_100m, error_s_per_100m, reserve_m, flume, by_hand, swims)
		VALUES (?, ?, ?, nullif(?, 0.0), nullif(?, 0.0), ?, ?, ?)`,
		args(swimmer, date(t.Day), t.Pace.In(units.Metre).Seconds(), t.Error, t.Reserve.Metres(), t.Flume, t.ByHand, t.Swims))
}

// AddSwimmer keeps somebody new with everything that is known of them, or nothing. One who is there already is an error.
func (s *Store) AddSwimmer(w *Swimmer) error { return s.AddSwimmers([]Swimmer{*w}) }

// AddSwimmers is AddSwimmer for all of them or none.
func (s *Store) AddSwimmers(all []Swimmer) error {
	return s.change(func(conn *sqlite.Conn) error {
		for i := range all {
			if err := addSwimmer(conn, &all[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

func addSwimmer(conn *sqlite.Conn, w *Swimmer) error {
	n, err := number(conn, `SELECT count(*) FROM swimmer WHERE name = ?`, w.Name)
	if err != nil {
		return err
	}
	if n > 0 {
		return fmt.Errorf("swimmer %q is here already", w.Name)
	}
	if err := putSwimmer(conn, w); err != nil {
		return err
	}
	id := conn.LastInsertRowID()
	for _, t := range w.Timed {
		if err := putTimed(conn, id, t); err != nil {
			return err
		}
	}
	for _, t := range w.History {
		if err := putThreshold(conn, id, t); err != nil {
			return err
		}
	}
	return nil
}

// ForgetSwimmer forgets somebody for good: with everything that they swam, or leaving that to nobody named. While a swim of theirs is under way it is
// refused.
func (s *Store) ForgetSwimmer(name string, swims bool) error {
	return s.change(func(conn *sqlite.Conn) error {
		open, err := number(conn, `SELECT count(*) FROM swim WHERE swimmer = ? COLLATE NOCASE AND ended IS NULL`, name)
		if err != nil {
			return err
		}
		if open > 0 {
			return errors.New("a swim of theirs is under way: finish it first")
		}
		if err := sqlitex.Execute(conn, `DELETE FROM swimmer WHERE name = ?`, args(name)); err != nil {
			return err
		}
		gone := conn.Changes()
		if err := sqlitex.Execute(conn, `UPDATE desk SET swimmer = '' WHERE swimmer = ? COLLATE NOCASE`, args(name)); err != nil {
			return err
		}
		what := `UPDATE swim SET swimmer = '' WHERE swimmer = ? COLLATE NOCASE`
		if swims {
			what = `DELETE FROM swim WHERE swimmer = ? COLLATE NOCASE`
		}
		if err := sqlitex.Execute(conn, what, args(name)); err != nil {
			return err
		}
		if gone == 0 && conn.Changes() == 0 {
			return fmt.Errorf("swimmer %q: %w", name, ErrNobody)
		}
		return dropTexts(conn)
	})
}

// of carries out a change to somebody.
func (s *Store) of(name string, f func(conn *sqlite.Conn, id int64) error) error {
	return s.change(func(conn *sqlite.Conn) error {
		id, err := number(conn, `SELECT coalesce((SELECT id FROM swimmer WHERE name = ?), 0)`, name)
		if err != nil {
			return err
		}
		if id == 0 {
			return fmt.Errorf("swimmer %q: %w", name, ErrNobody)
		}
		return f(conn, int64(id))
	})
}

func date(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}

func dayOf(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	return time.Parse(time.DateOnly, text)
}
