package store

import (
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
)

// Desk is what is laid out. It survives a restart, and starts nothing.
type Desk struct {
	Session     string // as it was written; empty for nothing laid out
	Swimmer     string
	Interrupted *Interrupted // where the last swim of it was left before its end; nil where it was not
}

// Interrupted is where a swim was left before its end.
type Interrupted struct {
	Swim int64
	Place
	Why  fault.Code
	When time.Time // wall time, a label
}

// LayOut puts a session and its swimmer on the desk, durably. The same session for the same swimmer keeps the place where it was interrupted.
func (s *Store) LayOut(session, swimmer string) error {
	return s.change(func(conn *sqlite.Conn) error {
		return sqlitex.Execute(conn, `INSERT INTO desk VALUES (1, ?1, ?2, 0, 0, 0, 0, 0, '', '') ON CONFLICT (one) DO UPDATE SET
			place_swim = CASE WHEN session = ?1 AND swimmer = ?2 THEN place_swim ELSE 0 END, session = ?1, swimmer = ?2`, args(session, swimmer))
	})
}

// Afresh forgets the place where the session on the desk was interrupted.
func (s *Store) Afresh() error {
	return s.change(func(conn *sqlite.Conn) error { return sqlitex.Execute(conn, `UPDATE desk SET place_swim = 0`, nil) })
}

// Desk is what is laid out; the zero Desk where nothing ever was.
func (s *Store) Desk() (d Desk, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		return sqlitex.Execute(conn, `SELECT session, swimmer, place_swim, place_block, place_s, place_m, place_second_pace, place_why, place_when FROM desk`,
			&sqlitex.ExecOptions{ResultFunc: func(row *sqlite.Stmt) (err error) {
				d = Desk{Session: row.ColumnText(0), Swimmer: row.ColumnText(1)}
				if id := row.ColumnInt64(2); id != 0 {
					d.Interrupted = &Interrupted{
						Swim: id, Place: Place{row.ColumnInt(3), seconds(row, 4), metres(row, 5), row.ColumnBool(6)}, Why: fault.Code(row.ColumnText(7)),
					}
					d.Interrupted.When, err = time.Parse(time.RFC3339, row.ColumnText(8))
				}
				return err
			}})
	})
	return d, err
}

// leaveAtDesk notes where a swim that ended was left, where its session is laid out for its swimmer; one that went to its end takes the note away.
func leaveAtDesk(conn *sqlite.Conn, id int64, w *Swim) error {
	switch w.Outcome {
	case UnderWay:
		return nil
	case Finished:
		id = 0
	}
	return sqlitex.Execute(conn, `UPDATE desk SET place_swim = ?, place_block = ?, place_s = ?, place_m = ?, place_second_pace = ?, place_why = ?, place_when = ?
		WHERE session = ? AND swimmer = ?`, args(id, w.At.Block, w.At.Time.Seconds(), w.At.Distance.Metres(), w.At.SecondPace, string(w.Code),
		w.Ended().Format(time.RFC3339), w.Session, w.Swimmer))
}
