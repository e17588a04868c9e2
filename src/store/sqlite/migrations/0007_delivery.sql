-- What is to be written to another server, and what was: a row for each document and place. lane: what is written one after
-- the other; seq: the position of the version that is to be there; waiting_us: since when it waits, NULL: it is there.
-- there_*: the document there, as far as it is known; mixed: it says more than we do; `there` is what we wrote the last time;
-- sent: what we wrote since and may be there or not. Bodies are last.
CREATE TABLE delivery (
    place TEXT NOT NULL,
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    lane TEXT NOT NULL,
    seq BIGINT NOT NULL,
    waiting_us BIGINT,
    not_before_us BIGINT NOT NULL,
    tries BIGINT NOT NULL,
    why TEXT,
    there_id TEXT,
    there_version TEXT,
    there_mixed BOOLEAN NOT NULL DEFAULT FALSE,
    sent BLOB,
    there BLOB,
    PRIMARY KEY (place, kind, id)
);
CREATE INDEX delivery_waiting ON delivery (place, waiting_us) WHERE waiting_us IS NOT NULL;
CREATE INDEX delivery_lane ON delivery (place, lane, kind, id) WHERE waiting_us IS NOT NULL;
CREATE INDEX delivery_there ON delivery (place, kind, there_id) WHERE there_id IS NOT NULL;
