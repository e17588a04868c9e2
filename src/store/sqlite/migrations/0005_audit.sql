-- Who did what. Each row's hash is over the row before it and its own number, time and body. Rows are never changed, and
-- removed only from the beginning.
CREATE TABLE audit (
    number INTEGER NOT NULL PRIMARY KEY,
    at_us BIGINT NOT NULL,
    body BLOB NOT NULL,
    hash BLOB NOT NULL
);
CREATE INDEX audit_at ON audit (at_us);

-- The patients whom a row is about.
CREATE TABLE audit_patient (
    patient TEXT NOT NULL,
    number BIGINT NOT NULL,
    PRIMARY KEY (patient, number)
) WITHOUT ROWID;

-- The ends of the chain. `last`: the last row. `gone`: the last of those that were removed because their time was over.
CREATE TABLE audit_end (
    name TEXT NOT NULL PRIMARY KEY,
    number BIGINT NOT NULL,
    hash BLOB NOT NULL
) WITHOUT ROWID;
