-- What a stay contributes to the sums of a local day (`day`: days since 1970-01-01). It stands in place of `tally`, which
-- is no longer written or read and is removed by a later migration.
CREATE TABLE share (
    stay TEXT NOT NULL,
    day BIGINT NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (stay, day)
) WITHOUT ROWID;
CREATE INDEX share_day ON share (day, stay);

-- The shares of all stays, added up by unit and block of days. A block of a level is 4^level days long. seq: the last
-- change.
CREATE TABLE sums (
    topic SMALLINT NOT NULL,
    level SMALLINT NOT NULL,
    block BIGINT NOT NULL,
    unit TEXT NOT NULL,
    seq BIGINT NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (topic, level, block, unit)
) WITHOUT ROWID;
CREATE INDEX sums_changed ON sums (seq) WHERE level = 0;

-- What goes on by itself between a reconciliation and the next, as the caller encodes it.
ALTER TABLE stay ADD COLUMN ahead BLOB;
CREATE INDEX stay_ahead ON stay (ledger_us) WHERE ahead IS NOT NULL;

-- every patient is reconciled anew, which fills these
UPDATE counter SET value = value + 1 WHERE name = 'seq' AND EXISTS (SELECT 1 FROM subject);
UPDATE subject SET dirty_seq = (SELECT value FROM counter WHERE name = 'seq'), done_seq = 0,
    since_seq = (SELECT value FROM counter WHERE name = 'seq'), reset_seq = (SELECT value FROM counter WHERE name = 'seq'),
    wake_us = NULL, failures = 0, retry_us = 0, error = NULL;
