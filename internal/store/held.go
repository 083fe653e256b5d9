package store

import (
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/units"
)

// Held is an open block that somebody ended, or its cap did: a block of a test.
type Held struct {
	Swim      int64
	Number    int // of the block
	Name      string
	Pace      units.Pace
	Cap       time.Duration
	Swum      Figure
	Day       time.Time // zero where the clock was not set
	Simulated bool
	// Disturbed: a pause, another pace, a stop, events that were lost, or a block that an earlier swim had begun.
	Disturbed bool
}

// Held gives the blocks of somebody's swims that were left and whose names begin so, in the order of swimming.
func (s *Store) Held(swimmer, begins string) (out []Held, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		return sqlitex.Execute(conn, `SELECT swim.id, b.number, b.name, b.from_s_per_100, swim.unit, b.asked_s, b.swum_s, b.swum_m, swim.began, swim.simulated,
				NOT b.done OR swim.missed > 0
				OR swim.continues IS NOT NULL AND NOT EXISTS (SELECT 1 FROM block o WHERE o.swim = b.swim AND o.number < b.number AND o.left_s IS NOT NULL)
				OR EXISTS (SELECT 1 FROM happening h WHERE h.swim = b.swim AND h.at_s <= b.left_s
					AND h.at_s > coalesce((SELECT max(o.left_s) FROM block o WHERE o.swim = b.swim AND o.left_s < b.left_s), 0)
					AND (h.kind = 'command' AND h.code = '' AND h.what IN ('pause', 'nudge', 'skip', 'back', 'swimmer', 'finish', 'stop')
						OR h.kind = 'guard' AND h.what IN ('slow', 'soft stop', 'fast stop')))
			FROM swim JOIN block b ON b.swim = swim.id
			WHERE swim.swimmer = ?1 COLLATE NOCASE AND swim.outcome <> '' AND NOT b.rest AND b.left_s IS NOT NULL AND substr(b.name, 1, length(?2)) = ?2
			ORDER BY swim.id, b.number`, &sqlitex.ExecOptions{Args: []any{swimmer, begins}, ResultFunc: func(row *sqlite.Stmt) error {
			unit, err := units.ParseUnit(row.ColumnText(4))
			if err != nil {
				return err
			}
			h := Held{
				Swim: row.ColumnInt64(0), Number: row.ColumnInt(1), Name: row.ColumnText(2), Pace: units.PacePer100(row.ColumnFloat(3), unit), Cap: seconds(row, 5),
				Swum: figure(row, 6), Simulated: row.ColumnBool(9), Disturbed: row.ColumnBool(10),
			}
			if began, err := time.Parse(time.RFC3339, row.ColumnText(8)); err == nil && began.Year() >= 2020 {
				h.Day = time.Date(began.Year(), began.Month(), began.Day(), 0, 0, 0, 0, time.UTC)
			}
			out = append(out, h)
			return nil
		}})
	})
	return out, err
}
