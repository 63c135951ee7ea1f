-- Papers of the accounts: transfers, tickets, amounts and day closes. Each has a key; of a transfer the newest of its
-- key counts, of the others each key stands once. `counted` is the number in its key. Their bodies are compressed.
ALTER TABLE papers ADD COLUMN key TEXT;
ALTER TABLE papers ADD COLUMN counted INTEGER;

CREATE INDEX papers_by_time ON papers (kind, instant_ns);
CREATE UNIQUE INDEX papers_once ON papers (kind, key) WHERE kind IN ('ticket', 'amount', 'day');
CREATE INDEX papers_of_transfers ON papers (counted) WHERE kind = 'transfer';

-- The last number of each kind that was given: none is given twice, none is left out.
CREATE TABLE numbers (
    kind TEXT PRIMARY KEY,
    last INTEGER NOT NULL
) WITHOUT ROWID;
INSERT INTO numbers VALUES ('transfer', 0), ('ticket', 0), ('amount', 0);

-- Of each transfer that is not over its newest paper, so that a start finds them without a look at all that ever were.
CREATE TABLE open_transfers (
    counted INTEGER PRIMARY KEY,
    paper INTEGER NOT NULL
);

-- Which papers say what by which another is found: the ticket that one is of, the reference of a document.
CREATE TABLE links (
    name TEXT NOT NULL,
    word TEXT NOT NULL,
    paper INTEGER NOT NULL,
    PRIMARY KEY (name, word, paper)
) WITHOUT ROWID;

CREATE TRIGGER papers_are_counted BEFORE INSERT ON papers
WHEN NEW.kind IN ('ticket', 'amount') AND NEW.counted IS NOT (SELECT last + 1 FROM numbers WHERE kind = NEW.kind)
BEGIN
    SELECT RAISE(ABORT, 'its number is not the next one');
END;
CREATE TRIGGER transfers_are_counted BEFORE INSERT ON papers
WHEN NEW.kind = 'transfer'
    AND (NEW.counted IS NULL OR NEW.counted > (SELECT last + 1 FROM numbers WHERE kind = NEW.kind))
BEGIN
    SELECT RAISE(ABORT, 'its number is not the next one');
END;
CREATE TRIGGER numbers_go_up BEFORE UPDATE ON numbers WHEN NEW.last < OLD.last
BEGIN
    SELECT RAISE(ABORT, 'a number would be given twice');
END;
CREATE TRIGGER papers_are_not_changed BEFORE UPDATE ON papers WHEN OLD.kind IN ('transfer', 'ticket', 'amount', 'day')
BEGIN
    SELECT RAISE(ABORT, 'a paper of the accounts is never changed');
END;
CREATE TRIGGER papers_are_not_deleted BEFORE DELETE ON papers WHEN OLD.kind IN ('transfer', 'ticket', 'amount', 'day')
BEGIN
    SELECT RAISE(ABORT, 'a paper of the accounts is never deleted');
END;
