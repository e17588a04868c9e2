-- Versions that are no longer current are found by kind as well: lists keep their places while documents change, and
-- the history of a kind is read. Documents are found by encounter whether or not they name a patient.
DROP INDEX document_kind;
CREATE INDEX document_kind ON document (kind, seq, state);
DROP INDEX document_encounter;
CREATE INDEX document_encounter ON document (encounter, patient, seq) WHERE state > 0 AND encounter IS NOT NULL;

-- All that was written up to `seq` was received at `us` or before: what is asked for since a time is not looked for
-- where it cannot be. A row each minute of receiving, at most.
CREATE TABLE seen (
    us BIGINT NOT NULL PRIMARY KEY,
    seq BIGINT NOT NULL
) WITHOUT ROWID;
INSERT INTO seen (us, seq) SELECT MAX(us), MAX(seq) FROM
    (SELECT seq, MAX(received_us) OVER (ORDER BY seq) AS us FROM document) AS d
    GROUP BY us / 60000000;
