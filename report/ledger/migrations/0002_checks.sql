-- What came of holding scans against a baseline. document is the comparison,
-- packed with gzip.

CREATE TABLE checks (
	id            INTEGER PRIMARY KEY,
	baseline_id   INTEGER NOT NULL REFERENCES baselines,
	made          TEXT NOT NULL,
	tool          TEXT NOT NULL,
	tolerance_jnd REAL NOT NULL,
	aligned       INTEGER NOT NULL, -- 0: the takes could not be laid beside each other
	regressed     INTEGER NOT NULL,
	document      BLOB NOT NULL
) STRICT;

CREATE TABLE check_scans (
	check_id INTEGER NOT NULL REFERENCES checks,
	scan_id  INTEGER NOT NULL REFERENCES scans,
	PRIMARY KEY (check_id, scan_id)
) STRICT, WITHOUT ROWID;

-- ratio is that of strengths, now to the baseline's, with its interval.
CREATE TABLE verdicts (
	check_id   INTEGER NOT NULL REFERENCES checks,
	name       TEXT NOT NULL,
	kind       TEXT NOT NULL,
	verdict    TEXT NOT NULL,
	regressed  INTEGER NOT NULL,
	source_s   REAL,
	start_s    REAL NOT NULL,
	end_s      REAL NOT NULL,
	x          REAL NOT NULL,
	y          REAL NOT NULL,
	w          REAL NOT NULL,
	h          REAL NOT NULL,
	ratio      REAL,
	ratio_low  REAL,
	ratio_high REAL,
	PRIMARY KEY (check_id, name)
) STRICT, WITHOUT ROWID;
