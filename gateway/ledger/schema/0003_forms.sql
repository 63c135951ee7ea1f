-- A record of a tank, as it was before it was compressed: those that come after it are compressed with it, and are much
-- the same. `history.dictionary` names it by its number, which is made of what it is; `since` is the position of the
-- first one that does; `dictionary` is the one that its own body is compressed with. Kept for as long as its tank has
-- entries that are not newer than the form after it.
CREATE TABLE forms (
    number INTEGER PRIMARY KEY,
    tank INTEGER NOT NULL,
    since INTEGER NOT NULL,
    dictionary INTEGER NOT NULL,
    body BLOB NOT NULL
);
CREATE INDEX forms_of_tanks ON forms (tank, since);

-- SQLite's own account of positions is a page that is written with each commit. The writer gives positions itself, and
-- `about` says under `gone` up to which one entries have been taken out: none is used twice, be history empty.
INSERT INTO about SELECT 'gone', CAST(seq AS TEXT) FROM sqlite_sequence WHERE name = 'history';
DELETE FROM sqlite_sequence WHERE name = 'history';
PRAGMA writable_schema = ON;
UPDATE sqlite_schema SET sql = replace(sql, ' AUTOINCREMENT', '') WHERE type = 'table' AND name = 'history';
PRAGMA writable_schema = RESET;
