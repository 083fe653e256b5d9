package store

import (
	"fmt"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

// appID marks a file as a store of ours ("SWUM" in ASCII), as SQLite's file format provides for.
const appID = 0x5357554d

// steps bring a file from each schema version to the next: version n is what the first n have made. A step that was released is never changed; another
// one is added, and testdata gets a file of the version before.
var steps = []string{
	// 1: what was swum. Numbers carry their unit in the column's name; times of day are RFC 3339, labels only.
	`
CREATE TABLE text ( -- long texts, each once however many swims have it
	id   INTEGER PRIMARY KEY,
	hash BLOB NOT NULL UNIQUE, -- SHA-256
	body TEXT NOT NULL
);
CREATE TABLE swim (
	id                   INTEGER PRIMARY KEY AUTOINCREMENT, -- the order of swimming
	began                TEXT NOT NULL, -- RFC 3339 with the offset of the place; wrong where the board's clock was not set yet
	ended                TEXT, -- began and the time that passed; null while under way
	title                TEXT NOT NULL,
	swimmer              TEXT NOT NULL, -- empty for nobody named
	unit                 TEXT NOT NULL, -- m or yd
	threshold_s_per_100m REAL, -- null where not known
	simulated            INTEGER NOT NULL,
	continues            INTEGER, -- the interrupted swim that this one takes up
	outcome              TEXT NOT NULL, -- empty while under way, finished, person, guard, lost
	code                 TEXT NOT NULL, -- why it ended before its end
	at_block             INTEGER NOT NULL, -- where it is, or was left
	at_s                 REAL NOT NULL, -- of that block
	at_m                 REAL NOT NULL,
	at_second_pace       INTEGER NOT NULL, -- a two-pace block has begun its change
	passed_s             REAL NOT NULL, -- since its start, pauses included
	swum_s               REAL NOT NULL, -- block clock
	swum_m               REAL NOT NULL,
	blocks               INTEGER NOT NULL, -- how many the session has
	missed               INTEGER NOT NULL, -- events that the logbook never got
	thinned              INTEGER NOT NULL, -- samples were dropped to make room
	session              INTEGER NOT NULL REFERENCES text,
	limits               INTEGER NOT NULL REFERENCES text,
	configuration        INTEGER NOT NULL REFERENCES text,
	calibration          TEXT NOT NULL
);
CREATE INDEX swim_open ON swim (id) WHERE ended IS NULL;
CREATE TABLE block (
	swim          INTEGER NOT NULL REFERENCES swim ON DELETE CASCADE,
	number        INTEGER NOT NULL, -- from 0
	name          TEXT NOT NULL,
	kind          TEXT NOT NULL,
	round         INTEGER NOT NULL,
	of            INTEGER NOT NULL,
	rest          INTEGER NOT NULL,
	from_s_per_100 REAL NOT NULL, -- paces per 100 of the swim's unit; 0 for a rest
	to_s_per_100  REAL NOT NULL,
	asked_s       REAL NOT NULL,
	asked_m       REAL NOT NULL,
	planned_s     REAL NOT NULL,
	planned_m     REAL NOT NULL,
	swum_s        REAL NOT NULL,
	swum_m        REAL NOT NULL,
	left_s        REAL, -- since the swim's start; null for a block that was never left
	done          INTEGER NOT NULL, -- swum to its end
	PRIMARY KEY (swim, number)
) WITHOUT ROWID;
CREATE TABLE happening (
	swim  INTEGER NOT NULL REFERENCES swim ON DELETE CASCADE,
	number INTEGER NOT NULL, -- from 0
	at_s  REAL NOT NULL, -- since the swim's start
	kind  TEXT NOT NULL, -- command, guard
	what  TEXT NOT NULL, -- the command, or the guard's level
	by    TEXT NOT NULL, -- who gave the command
	code  TEXT NOT NULL, -- the fault, or why the command did nothing
	s_per_100 REAL NOT NULL, -- of a nudge
	PRIMARY KEY (swim, number)
) WITHOUT ROWID;
CREATE TABLE samples ( -- one a second, packed a minute at a time: see pack.go
	swim   INTEGER NOT NULL REFERENCES swim ON DELETE CASCADE,
	minute INTEGER NOT NULL, -- since the swim's start
	packed BLOB NOT NULL,
	PRIMARY KEY (swim, minute)
) WITHOUT ROWID;
`,
	// 2: the desk, one row at most.
	`
CREATE TABLE desk (
	one           INTEGER PRIMARY KEY CHECK (one = 1),
	session       TEXT NOT NULL,
	swimmer       TEXT NOT NULL,
	place_swim    INTEGER NOT NULL, -- 0 where no swim of it was interrupted
	place_block   INTEGER NOT NULL,
	place_s       REAL NOT NULL,
	place_m       REAL NOT NULL,
	place_second_pace INTEGER NOT NULL,
	place_why     TEXT NOT NULL,
	place_when    TEXT NOT NULL -- RFC 3339, a label only
);
`,
	// 3: swimmers. Swims know theirs by name, so that a swimmer can be forgotten, and swims of somebody who is not here can be kept.
	`
CREATE TABLE swimmer (
	id       INTEGER PRIMARY KEY AUTOINCREMENT,
	name     TEXT NOT NULL UNIQUE COLLATE NOCASE,
	unit     TEXT NOT NULL, -- m or yd
	cap_mps  REAL, -- null for none of their own
	offset_s_per_100m REAL NOT NULL -- what a pool threshold is slower by in the flume; mostly negative
);
CREATE TABLE timed (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	swimmer    INTEGER NOT NULL REFERENCES swimmer ON DELETE CASCADE,
	distance_m REAL NOT NULL,
	time_s     REAL NOT NULL,
	day        TEXT NOT NULL, -- a date; empty where not known
	flume      INTEGER NOT NULL
);
CREATE INDEX timed_swimmer ON timed (swimmer);
CREATE TABLE threshold (
	id         INTEGER PRIMARY KEY AUTOINCREMENT, -- the order in which they were found
	swimmer    INTEGER NOT NULL REFERENCES swimmer ON DELETE CASCADE,
	day        TEXT NOT NULL, -- a date; empty where not known
	s_per_100m REAL NOT NULL,
	error_s_per_100m REAL, -- half of the band that has it in 95 of 100 cases; null where not known
	reserve_m  REAL, -- null where not known
	flume      INTEGER NOT NULL,
	by_hand    INTEGER NOT NULL,
	swims      TEXT NOT NULL -- what it is from, in words
);
CREATE INDEX threshold_swimmer ON threshold (swimmer);
`,
}

// migrate brings a file to the present version, all of it or nothing. A file of a later version is refused and left alone.
func migrate(conn *sqlite.Conn) (err error) {
	if version, id, err := marks(conn); err != nil || version == len(steps) && id == appID {
		return err
	}
	end, err := sqlitex.ImmediateTransaction(conn)
	if err != nil {
		return err
	}
	defer end(&err)
	version, id, err := marks(conn) // again: somebody else may have been faster
	if err != nil {
		return err
	}
	tables, err := number(conn, `SELECT count(*) FROM sqlite_schema`)
	switch {
	case err != nil:
		return err
	case id != appID && tables > 0:
		return fmt.Errorf("%s is a file of another program", File)
	case version > len(steps):
		return fmt.Errorf("it was written by a later version of this program (schema %d, this one knows up to %d): use that one", version, len(steps))
	}
	for _, step := range steps[version:] {
		if err := sqlitex.ExecuteScript(conn, step, nil); err != nil {
			return err
		}
	}
	return sqlitex.ExecuteScript(conn, fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d;`, appID, len(steps)), nil)
}

func marks(conn *sqlite.Conn) (version, id int, err error) {
	if version, err = number(conn, `PRAGMA user_version`); err != nil {
		return 0, 0, err
	}
	id, err = number(conn, `PRAGMA application_id`)
	return version, id, err
}

// number asks for one number.
func number(conn *sqlite.Conn, query string, args ...any) (n int, err error) {
	err = sqlitex.ExecuteTransient(conn, query, &sqlitex.ExecOptions{Args: args, ResultFunc: func(row *sqlite.Stmt) error {
		n = row.ColumnInt(0)
		return nil
	}})
	return n, err
}
