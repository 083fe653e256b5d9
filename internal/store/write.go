package store

import (
	"crypto/sha256"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Entry is what is to be kept of a swim: the swim itself, always, and what is new of it.
type Entry struct {
	Swim       *Swim // with ID 0 it is added, and then has its ID
	Blocks     []Block
	Happenings []Happening
	Samples    []Sample // whole minutes: a minute that is written again takes the place of the former
}

// Write keeps all entries, or none of them where it returns an error (see CodeOf). They are on the disk when it returns. A swim that ends before its end
// leaves its place at the desk, if its session is laid out there. On a full disk the log and the reserve give way first, then the samples of the oldest swims.
func (s *Store) Write(entries ...Entry) error {
	err := s.write(entries)
	for try := 0; CodeOf(err) == fault.StoreFull && s.yield(try); try++ {
		if err = s.write(entries); err == nil {
			_ = s.emptyLog()
			s.keepReserve() // where the samples that went were enough, there is room for it again
		}
	}
	return err
}

func (s *Store) write(entries []Entry) error {
	ids := make([]int64, len(entries))
	err := s.change(func(conn *sqlite.Conn) error {
		for i, e := range entries {
			id, err := putSwim(conn, e.Swim)
			if err != nil {
				return err
			}
			ids[i] = id
			if err := putRest(conn, id, e); err != nil {
				return err
			}
			if err := leaveAtDesk(conn, id, e.Swim); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, e := range entries {
		e.Swim.ID = ids[i]
	}
	return s.writable()
}

func putSwim(conn *sqlite.Conn, w *Swim) (int64, error) {
	id := w.ID
	known, err := number(conn, `SELECT count(*) FROM swim WHERE id = ?`, id)
	if err != nil {
		return 0, err
	}
	if known == 0 { // new, or it was on a disk that lost it
		var texts [3]int64
		for i, body := range []string{w.Session, w.Limits, w.Configuration} {
			n, err := putText(conn, body)
			if err != nil {
				return 0, err
			}
			texts[i] = n
		}
		err := sqlitex.Execute(conn, `INSERT INTO swim (id, began, title, swimmer, unit, threshold_s_per_100m, simulated, continues, session, limits, configuration,
				calibration, outcome, code, at_block, at_s, at_m, at_second_pace, passed_s, swum_s, swum_m, blocks, missed, thinned)
			VALUES (nullif(?, 0), ?, ?, ?, ?, nullif(?, 0.0), ?, nullif(?, 0), ?, ?, ?, ?, '', '', 0, 0, 0, 0, 0, 0, 0, ?, 0, 0)`, args(
			id, w.Began.Format(time.RFC3339), w.Title, w.Swimmer, w.Unit.String(), w.Threshold.In(units.Metre).Seconds(), w.Simulated, w.Continues,
			texts[0], texts[1], texts[2], w.Calibration, w.Blocks))
		if err != nil {
			return 0, err
		}
		id = conn.LastInsertRowID()
	}
	var ended any
	if w.Outcome != UnderWay {
		ended = w.Ended().Format(time.RFC3339)
	}
	return id, sqlitex.Execute(conn, `UPDATE swim SET began = ?, ended = ?, outcome = ?, code = ?, at_block = ?, at_s = ?, at_m = ?, at_second_pace = ?,
		passed_s = ?, swum_s = ?, swum_m = ?, missed = ?, thinned = max(thinned, ?) WHERE id = ?`, args(
		w.Began.Format(time.RFC3339), ended, string(w.Outcome), string(w.Code), w.At.Block, w.At.Time.Seconds(), w.At.Distance.Metres(), w.At.SecondPace,
		w.Passed.Seconds(), w.Swum.Time.Seconds(), w.Swum.Distance.Metres(), w.Missed, w.Thinned, id))
}

// putText keeps a text, once.
func putText(conn *sqlite.Conn, body string) (id int64, err error) {
	hash := sha256.Sum256([]byte(body))
	err = sqlitex.Execute(conn, `INSERT OR IGNORE INTO text (hash, body) VALUES (?, ?)`, args(hash[:], body))
	if err != nil {
		return 0, err
	}
	err = sqlitex.Execute(conn, `SELECT id FROM text WHERE hash = ?`, &sqlitex.ExecOptions{Args: []any{hash[:]}, ResultFunc: func(row *sqlite.Stmt) error {
		id = row.ColumnInt64(0)
		return nil
	}})
	return id, err
}

func putRest(conn *sqlite.Conn, id int64, e Entry) error {
	for _, b := range e.Blocks {
		var left any
		if b.Was {
			left = b.Left.Seconds()
		}
		err := sqlitex.Execute(conn, `INSERT OR REPLACE INTO block (swim, number, name, kind, round, of, rest, from_s_per_100, to_s_per_100,
				asked_s, asked_m, planned_s, planned_m, swum_s, swum_m, left_s, done) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, args(
			id, b.Number, b.Name, b.Kind, b.Round, b.Of, b.Rest, b.From.Seconds(), b.To.Seconds(),
			b.Asked.Time.Seconds(), b.Asked.Distance.Metres(), b.Planned.Time.Seconds(), b.Planned.Distance.Metres(),
			b.Swum.Time.Seconds(), b.Swum.Distance.Metres(), left, b.Done))
		if err != nil {
			return err
		}
	}
	for _, h := range e.Happenings {
		err := sqlitex.Execute(conn, `INSERT OR REPLACE INTO happening (swim, number, at_s, kind, what, by, code, s_per_100) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			args(id, h.Number, h.At.Seconds(), h.Kind, h.What, h.By, string(h.Code), h.Nudge))
		if err != nil {
			return err
		}
	}
	for rest := e.Samples; len(rest) > 0; {
		n := 1
		for n < len(rest) && minute(rest[n]) == minute(rest[0]) {
			n++
		}
		err := sqlitex.Execute(conn, `INSERT OR REPLACE INTO samples (swim, minute, packed) VALUES (?, ?, ?)`, args(id, minute(rest[0]), pack(rest[:n])))
		if err != nil {
			return err
		}
		rest = rest[n:]
	}
	return nil
}

// minute is the minute that a sample is packed in.
func minute(s Sample) int64 { return int64(s.At / time.Minute) }

// args makes the arguments of a statement.
func args(a ...any) *sqlitex.ExecOptions { return &sqlitex.ExecOptions{Args: a} }

// Delete forgets a swim. One that is under way stays.
func (s *Store) Delete(id int64) error {
	w, err := s.Swim(id)
	if err != nil {
		return err
	}
	if w.Outcome == UnderWay {
		return fault.Of(fault.UnderWay)
	}
	return s.change(func(conn *sqlite.Conn) error {
		if err := sqlitex.Execute(conn, `DELETE FROM swim WHERE id = ?`, args(id)); err != nil {
			return err
		}
		return dropTexts(conn)
	})
}

// dropTexts drops texts that no swim has any more.
func dropTexts(conn *sqlite.Conn) error {
	return sqlitex.Execute(conn, `DELETE FROM text WHERE id NOT IN (SELECT session FROM swim UNION SELECT limits FROM swim UNION SELECT configuration FROM swim)`, nil)
}

// sweep marks swims that a recorder left open when it died. Nobody else may be recording.
func (s *Store) sweep() error {
	var open []Swim
	err := s.view(func(conn *sqlite.Conn) (err error) {
		open, err = list(conn, `WHERE ended IS NULL`)
		return err
	})
	if err != nil || len(open) == 0 {
		return err
	}
	entries := make([]Entry, len(open))
	for i := range open {
		w := &open[i]
		if w.Session, err = s.session(w.ID); err != nil {
			return err
		}
		w.Outcome, w.Code = Lost, fault.ProgramDied
		entries[i].Swim = w
	}
	return s.Write(entries...)
}

// session is the session of a swim as it was written.
func (s *Store) session(id int64) (text string, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		return sqlitex.Execute(conn, `SELECT body FROM text JOIN swim ON text.id = session WHERE swim.id = ?`,
			&sqlitex.ExecOptions{Args: []any{id}, ResultFunc: func(row *sqlite.Stmt) error {
				text = row.ColumnText(0)
				return nil
			}})
	})
	return text, err
}
