package store

import (
	"fmt"
	"math"
	"slices"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Which chooses swims. Its zero value is all of them.
type Which struct {
	Swimmer string // in capitals or not; empty for everybody
	Last    int    // at most so many, the newest; 0 for all
}

// List gives swims in the order of swimming, without their texts.
func (s *Store) List(w Which) (swims []Swim, err error) {
	last := -1 // no limit
	if w.Last > 0 {
		last = w.Last
	}
	err = s.view(func(conn *sqlite.Conn) error {
		swims, err = list(conn, `WHERE ?1 = '' OR swimmer = ?1 COLLATE NOCASE ORDER BY id DESC LIMIT ?2`, w.Swimmer, last)
		return err
	})
	slices.Reverse(swims)
	for i := range swims {
		s.adopt(&swims[i])
	}
	return swims, err
}

// Swim gives one swim with its texts.
func (s *Store) Swim(id int64) (*Swim, error) {
	var w Swim
	err := s.view(func(conn *sqlite.Conn) error {
		found, err := list(conn, `WHERE id = ?`, id)
		if err != nil {
			return err
		}
		if len(found) == 0 {
			return fmt.Errorf("swim %d: there is none with that number", id)
		}
		w = found[0]
		return sqlitex.Execute(conn, `SELECT s.body, l.body, c.body, calibration FROM swim
			JOIN text s ON s.id = session JOIN text l ON l.id = limits JOIN text c ON c.id = configuration WHERE swim.id = ?`,
			&sqlitex.ExecOptions{Args: []any{id}, ResultFunc: func(row *sqlite.Stmt) error {
				w.Texts = Texts{row.ColumnText(0), row.ColumnText(1), row.ColumnText(2), row.ColumnText(3)}
				return nil
			}})
	})
	if err != nil {
		return nil, err
	}
	s.adopt(&w)
	return &w, nil
}

// adopt marks a swim that has lost its recorder.
func (s *Store) adopt(w *Swim) {
	if s.orphans && w.Outcome == UnderWay {
		w.Outcome, w.Code = Lost, fault.ProgramDied
	}
}

func list(conn *sqlite.Conn, where string, values ...any) (swims []Swim, err error) {
	err = sqlitex.Execute(conn, `SELECT id, began, passed_s, title, swimmer, unit, threshold_s_per_100m, simulated, continues, outcome, code,
		at_block, at_s, at_m, at_second_pace, swum_s, swum_m, missed, thinned, blocks
		FROM swim `+where, &sqlitex.ExecOptions{Args: values, ResultFunc: func(row *sqlite.Stmt) error {
		w := Swim{
			ID: row.ColumnInt64(0), Passed: seconds(row, 2), Title: row.ColumnText(3), Swimmer: row.ColumnText(4),
			Threshold: units.PacePer100(row.ColumnFloat(6), units.Metre), Simulated: row.ColumnBool(7), Continues: row.ColumnInt64(8),
			Outcome: Outcome(row.ColumnText(9)), Code: fault.Code(row.ColumnText(10)),
			At:   Place{row.ColumnInt(11), seconds(row, 12), metres(row, 13), row.ColumnBool(14)},
			Swum: figure(row, 15), Missed: row.ColumnInt(17), Thinned: row.ColumnBool(18), Blocks: row.ColumnInt(19),
		}
		var err error
		if w.Began, err = time.Parse(time.RFC3339, row.ColumnText(1)); err != nil {
			return err
		}
		w.Unit, err = units.ParseUnit(row.ColumnText(5))
		swims = append(swims, w)
		return err
	}})
	return swims, err
}

// Blocks gives the blocks of a swim.
func (s *Store) Blocks(w *Swim) (blocks []Block, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		return sqlitex.Execute(conn, `SELECT number, name, kind, round, of, rest, from_s_per_100, to_s_per_100, asked_s, asked_m, planned_s, planned_m,
			swum_s, swum_m, left_s, done FROM block WHERE swim = ? ORDER BY number`, &sqlitex.ExecOptions{Args: []any{w.ID}, ResultFunc: func(row *sqlite.Stmt) error {
			blocks = append(blocks, Block{
				Number: row.ColumnInt(0), Name: row.ColumnText(1), Kind: row.ColumnText(2), Round: row.ColumnInt(3), Of: row.ColumnInt(4), Rest: row.ColumnBool(5),
				From: units.PacePer100(row.ColumnFloat(6), w.Unit), To: units.PacePer100(row.ColumnFloat(7), w.Unit),
				Asked: figure(row, 8), Planned: figure(row, 10), Swum: figure(row, 12), Left: seconds(row, 14), Was: !row.ColumnIsNull(14), Done: row.ColumnBool(15),
			})
			return nil
		}})
	})
	return blocks, err
}

// Happenings gives the commands of a swim and what the guard thought, in order.
func (s *Store) Happenings(w *Swim) (hs []Happening, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		return sqlitex.Execute(conn, `SELECT number, at_s, kind, what, by, code, s_per_100 FROM happening WHERE swim = ? ORDER BY number`,
			&sqlitex.ExecOptions{Args: []any{w.ID}, ResultFunc: func(row *sqlite.Stmt) error {
				hs = append(hs, Happening{row.ColumnInt(0), seconds(row, 1), row.ColumnText(2), row.ColumnText(3), row.ColumnText(4), fault.Code(row.ColumnText(5)), row.ColumnFloat(6)})
				return nil
			}})
	})
	return hs, err
}

// Samples gives the samples of a swim; none where they were dropped.
func (s *Store) Samples(w *Swim) (out []Sample, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		var packed []byte
		return sqlitex.Execute(conn, `SELECT packed FROM samples WHERE swim = ? ORDER BY minute`,
			&sqlitex.ExecOptions{Args: []any{w.ID}, ResultFunc: func(row *sqlite.Stmt) (err error) {
				packed = append(packed[:0], make([]byte, row.ColumnLen(0))...)
				row.ColumnBytes(0, packed)
				out, err = unpack(out, packed)
				return err
			}})
	})
	return out, err
}

func seconds(row *sqlite.Stmt, col int) time.Duration {
	return time.Duration(math.Round(row.ColumnFloat(col) * float64(time.Second)))
}

func metres(row *sqlite.Stmt, col int) units.Distance { return units.Metres(row.ColumnFloat(col)) }

func figure(row *sqlite.Stmt, col int) Figure { return Figure{seconds(row, col), metres(row, col+1)} }
