-- The ledger of one site. Written by one connection; positions are never used twice.
-- Where `about` says `marked`, `tanks` know their last record up to that position.

CREATE TABLE about (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- Of the compressed bodies, by the number that stands beside each.
CREATE TABLE dictionaries (
    id INTEGER PRIMARY KEY,
    body BLOB NOT NULL
);

-- What sheets were made by: with its plan and its own input a record can be calculated again.
CREATE TABLE plans (
    id TEXT PRIMARY KEY,
    first_ns INTEGER NOT NULL,
    body BLOB NOT NULL
) WITHOUT ROWID;

CREATE TABLE tanks (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    last_boot INTEGER,
    last_sequence INTEGER
);

CREATE TABLE boots (
    id INTEGER PRIMARY KEY,
    boot TEXT NOT NULL UNIQUE,
    version TEXT NOT NULL DEFAULT '',
    commit_s REAL NOT NULL DEFAULT 0,
    started_ns INTEGER NOT NULL,
    ended_ns INTEGER,
    is_clean INTEGER,
    lost INTEGER NOT NULL DEFAULT 0
);

-- Records (kind 0) and events (kind 1), appended only, no second index: an index costs more writes than the rows.
CREATE TABLE history (
    position INTEGER PRIMARY KEY AUTOINCREMENT,
    kind INTEGER NOT NULL,
    tank INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    number INTEGER NOT NULL,
    instant_ns INTEGER NOT NULL,
    dictionary INTEGER NOT NULL,
    body BLOB NOT NULL,
    previous_boot INTEGER,
    previous_sequence INTEGER
);

CREATE TABLE cursors (
    destination TEXT PRIMARY KEY,
    position INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL
) WITHOUT ROWID;

-- Of calculation and watch, replaced whole.
CREATE TABLE memory (
    name TEXT PRIMARY KEY,
    written_ns INTEGER NOT NULL,
    body BLOB NOT NULL
) WITHOUT ROWID;

-- Trends: span is 60 or 3600 seconds, start the beginning in seconds since 1970.
CREATE TABLE summaries (
    span INTEGER NOT NULL,
    tank INTEGER NOT NULL,
    figure INTEGER NOT NULL,
    start INTEGER NOT NULL,
    least REAL,
    greatest REAL,
    last REAL,
    worst INTEGER NOT NULL,
    PRIMARY KEY (span, tank, figure, start)
) WITHOUT ROWID;

-- What people did: each row carries the hash of itself and the row before it.
CREATE TABLE audit (
    number INTEGER PRIMARY KEY,
    instant_ns INTEGER NOT NULL,
    body TEXT NOT NULL,
    hash BLOB NOT NULL
);

-- Manual values, tickets and day closes: filled by the stages that make them. Never deleted by size.
CREATE TABLE papers (
    number INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    tank INTEGER,
    instant_ns INTEGER NOT NULL,
    body TEXT NOT NULL
);
