-- What was scanned. Times are RFC 3339 in UTC.

CREATE TABLE sets (
	id   INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE firmware (
	id      INTEGER PRIMARY KEY,
	set_id  INTEGER NOT NULL REFERENCES sets,
	version TEXT NOT NULL,
	UNIQUE (set_id, version)
) STRICT;

-- Clips that were played. One without a checksum is known by its name alone.
CREATE TABLE sources (
	id     INTEGER PRIMARY KEY,
	name   TEXT NOT NULL,
	sha256 TEXT UNIQUE
) STRICT;
CREATE UNIQUE INDEX sources_by_name ON sources (name) WHERE sha256 IS NULL;

CREATE TABLE takes (
	id         INTEGER PRIMARY KEY,
	sha256     TEXT NOT NULL UNIQUE,
	name       TEXT NOT NULL,
	duration_s REAL NOT NULL
) STRICT;

-- identity is what two scans of the same take, done in the same way, have in
-- common, content what they found.
CREATE TABLE scans (
	id          INTEGER PRIMARY KEY,
	identity    TEXT NOT NULL,
	content     TEXT NOT NULL,
	take_id     INTEGER NOT NULL REFERENCES takes,
	set_id      INTEGER NOT NULL REFERENCES sets,
	firmware_id INTEGER REFERENCES firmware,
	source_id   INTEGER REFERENCES sources,
	tool        TEXT NOT NULL,
	created     TEXT NOT NULL,
	added       TEXT NOT NULL,
	UNIQUE (identity, content)
) STRICT;
CREATE INDEX scans_by_take ON scans (take_id);
CREATE INDEX scans_by_set ON scans (set_id);

CREATE TABLE settings (
	scan_id INTEGER NOT NULL REFERENCES scans,
	name    TEXT NOT NULL,
	value   TEXT NOT NULL,
	PRIMARY KEY (scan_id, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE findings (
	scan_id        INTEGER NOT NULL REFERENCES scans,
	name           TEXT NOT NULL,
	kind           TEXT NOT NULL,
	start_s        REAL NOT NULL,
	end_s          REAL NOT NULL,
	peak_s         REAL NOT NULL,
	source_s       REAL,
	x              REAL NOT NULL,
	y              REAL NOT NULL,
	w              REAL NOT NULL,
	h              REAL NOT NULL,
	strength       REAL NOT NULL,
	unit           TEXT NOT NULL,
	visibility_jnd REAL NOT NULL,
	confidence     REAL NOT NULL,
	origin         TEXT NOT NULL,
	PRIMARY KEY (scan_id, name)
) STRICT, WITHOUT ROWID;

-- The files of a scan's folder, so that it can be compared when the folder is
-- gone. sha256 and size are those of the file; gzip says that data is packed.
CREATE TABLE files (
	id      INTEGER PRIMARY KEY,
	scan_id INTEGER NOT NULL REFERENCES scans,
	name    TEXT NOT NULL,
	size    INTEGER NOT NULL,
	sha256  TEXT NOT NULL,
	gzip    INTEGER NOT NULL,
	data    BLOB NOT NULL,
	UNIQUE (scan_id, name)
) STRICT;

-- A baseline is what later scans of a set and a source clip are held against.
-- One that was replaced stays for the record.
CREATE TABLE baselines (
	id        INTEGER PRIMARY KEY,
	name      TEXT NOT NULL,
	set_id    INTEGER NOT NULL REFERENCES sets,
	source_id INTEGER REFERENCES sources,
	made      TEXT NOT NULL,
	replaced  TEXT
) STRICT;
CREATE UNIQUE INDEX baselines_in_force ON baselines (set_id, ifnull(source_id, 0), name) WHERE replaced IS NULL;

CREATE TABLE baseline_scans (
	baseline_id INTEGER NOT NULL REFERENCES baselines,
	scan_id     INTEGER NOT NULL REFERENCES scans,
	PRIMARY KEY (baseline_id, scan_id)
) STRICT, WITHOUT ROWID;
