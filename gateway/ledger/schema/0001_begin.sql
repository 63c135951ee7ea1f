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

-- What is in each whole run of 1,024 positions: counts and finds by time without an index over the rows.
CREATE TABLE blocks (
    block INTEGER PRIMARY KEY,
    records INTEGER NOT NULL,
    events INTEGER NOT NULL,
    least_ns INTEGER NOT NULL,
    greatest_ns INTEGER NOT NULL
);

-- How far each destination has got, what it takes (1) or not (0), and how much of that it will never get.
CREATE TABLE cursors (
    destination TEXT PRIMARY KEY,
    position INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL,
    records INTEGER NOT NULL DEFAULT 1,
    events INTEGER NOT NULL DEFAULT 1,
    lost INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID;

-- Of calculation and watch, replaced whole.
CREATE TABLE memory (
    name TEXT PRIMARY KEY,
    written_ns INTEGER NOT NULL,
    body BLOB NOT NULL
) WITHOUT ROWID;

-- What the trended figures of each tank were in each minute, as minutes end; packed into `trends` hour by hour. In the
-- order of time, so that a minute of all tanks is a few pages.
CREATE TABLE minutes (
    start INTEGER NOT NULL,
    tank INTEGER NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (start, tank)
) WITHOUT ROWID;

-- Trends, compressed: an hour of minutes (span 60) or a day of hours (span 3600) of a tank in a row; start is its
-- beginning in seconds since 1970.
CREATE TABLE trends (
    span INTEGER NOT NULL,
    tank INTEGER NOT NULL,
    start INTEGER NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (span, tank, start)
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
