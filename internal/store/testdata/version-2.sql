-- A store as version 2 of the schema wrote it, with a swim of version 1 and a desk. Never changed.
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
INSERT INTO text VALUES (1, X'01', 'title = "Kept by version 1"');
INSERT INTO text VALUES (2, X'02', 'limits');
INSERT INTO text VALUES (3, X'03', 'configuration');
INSERT INTO swim VALUES (1, '2026-01-05T07:00:00+01:00', '2026-01-05T07:02:00+01:00', 'Kept by version 1', 'Ada Fluss', 'm', 96.0, 1, NULL,
  'person', 'person-stop', 0, 95.5, 88.25, 0, 120.0, 95.5, 88.25, 1, 0, 0, 1, 2, 3, 'c1');
INSERT INTO block VALUES (1, 0, 'Steady', 'main', 1, 1, 0, 100.0, 100.0, 300.0, 300.0, 300.0, 297.5, 95.5, 88.25, 105.5, 0);
INSERT INTO happening VALUES (1, 0, 105.5, 'command', 'finish', 'terminal', '', 0.0);
INSERT INTO samples VALUES (1, 0, X'010000c801b401904e14d00f00645ac80178');
PRAGMA application_id = 1398232397;
INSERT INTO desk VALUES (1, 'title = "Kept by version 1"', 'Ada Fluss', 1, 0, 95.5, 88.25, 0, 'person-stop', '2026-01-05T07:02:00+01:00');
PRAGMA user_version = 2;
