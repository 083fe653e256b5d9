package store

import (
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/units"
)

// Effort is how fast a block was swum against the threshold of its swimmer that day.
type Effort string

// The efforts. Within 3 % counts as at threshold: our own choice, a little more than what two timed swims tell of a threshold.
const (
	Below   Effort = "below threshold"
	At      Effort = "at threshold"
	Above   Effort = "above threshold"
	Unknown Effort = "no threshold known"
)

const atThreshold = 0.03

// Week sums up what somebody swam from a Monday to the Sunday after. Rests count as time of the week's swims, but for no kind and no effort.
type Week struct {
	Monday    time.Time // at midnight UTC: a date
	Swims     int
	Total     Figure
	ByKind    map[string]Figure // "warm-up", "main", …; "" for blocks without a kind
	ByEffort  map[Effort]Figure
	Simulated int // how many of the swims were on the simulated drive
}

// Trends gives the weeks in which somebody swam, in order of their date; of everybody where swimmer is empty. Swims from before the wall clock
// was set have no week: they are counted in undated.
func (s *Store) Trends(swimmer string) (weeks []Week, undated int, err error) {
	err = s.view(func(conn *sqlite.Conn) error {
		weeks, undated, err = trends(conn, swimmer)
		return err
	})
	return weeks, undated, err
}

func trends(conn *sqlite.Conn, swimmer string) (weeks []Week, undated int, err error) {
	at := map[string]int{} // index of a week in weeks, by the date of a day in it
	week := func(day string) (*Week, error) {
		i, ok := at[day]
		if !ok {
			date, err := time.Parse(time.DateOnly, day)
			if err != nil {
				return nil, err
			}
			monday := date.AddDate(0, 0, -((int(date.Weekday()) + 6) % 7))
			if n := len(weeks); n == 0 || !weeks[n-1].Monday.Equal(monday) {
				weeks = append(weeks, Week{Monday: monday, ByKind: map[string]Figure{}, ByEffort: map[Effort]Figure{}})
			}
			i = len(weeks) - 1
			at[day] = i
		}
		return &weeks[i], nil
	}
	// The first ten characters of a time of day are the date where it was swum.
	const theirs = ` (?1 = '' OR swimmer = ?1 COLLATE NOCASE) `
	err = sqlitex.Execute(conn, `SELECT substr(began, 1, 10), count(*), sum(swum_s), sum(swum_m), sum(simulated) FROM swim
		WHERE`+theirs+`AND outcome <> '' AND began >= '2020' GROUP BY 1 ORDER BY 1`,
		&sqlitex.ExecOptions{Args: []any{swimmer}, ResultFunc: func(row *sqlite.Stmt) error {
			w, err := week(row.ColumnText(0))
			if err != nil {
				return err
			}
			w.Swims += row.ColumnInt(1)
			w.Total = w.Total.plus(figure(row, 2))
			w.Simulated += row.ColumnInt(4)
			return nil
		}})
	if err != nil {
		return nil, 0, err
	}
	// Threshold and swum are compared as speeds, in m/s.
	err = sqlitex.Execute(conn, `SELECT substr(began, 1, 10), kind,
			CASE WHEN threshold_s_per_100m IS NULL THEN 0
				WHEN block.swum_m * threshold_s_per_100m < (1 - ?2) * 100 * block.swum_s THEN 1
				WHEN block.swum_m * threshold_s_per_100m <= (1 + ?2) * 100 * block.swum_s THEN 2
				ELSE 3 END,
			sum(block.swum_s), sum(block.swum_m)
		FROM swim JOIN block ON block.swim = swim.id
		WHERE`+theirs+`AND outcome <> '' AND began >= '2020' AND NOT rest AND left_s IS NOT NULL GROUP BY 1, 2, 3 ORDER BY 1`,
		&sqlitex.ExecOptions{Args: []any{swimmer, atThreshold}, ResultFunc: func(row *sqlite.Stmt) error {
			w, err := week(row.ColumnText(0))
			if err != nil {
				return err
			}
			kind, effort, f := row.ColumnText(1), [...]Effort{Unknown, Below, At, Above}[row.ColumnInt(2)], figure(row, 3)
			w.ByKind[kind] = w.ByKind[kind].plus(f)
			w.ByEffort[effort] = w.ByEffort[effort].plus(f)
			return nil
		}})
	if err != nil {
		return nil, 0, err
	}
	err = sqlitex.Execute(conn, `SELECT count(*) FROM swim WHERE`+theirs+`AND outcome <> '' AND began < '2020'`,
		&sqlitex.ExecOptions{Args: []any{swimmer}, ResultFunc: func(row *sqlite.Stmt) error {
			undated = row.ColumnInt(0)
			return nil
		}})
	return weeks, undated, err
}

func (f Figure) plus(g Figure) Figure {
	return Figure{f.Time + g.Time, units.Metres(f.Distance.Metres() + g.Distance.Metres())}
}
