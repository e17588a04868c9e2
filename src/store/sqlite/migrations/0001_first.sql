-- Text ids are FHIR logical ids; times are microseconds since 1970 (`*_us`); `*_seq` and `seq` are drawn from one
-- counter, in the order of commits. No JSON operators, no triggers: another database needs only another spelling.

CREATE TABLE meta (
    name TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE counter (
    name TEXT NOT NULL PRIMARY KEY,
    value BIGINT NOT NULL
) WITHOUT ROWID;
INSERT INTO counter (name, value) VALUES ('seq', 0);

-- Every version of every document, as it came. Rows are never removed, so `seq` is never used twice.
-- state: 0 superseded, 1 current, 2 current and deleted. `body` is last: what is searched stays on the first page of a row.
CREATE TABLE document (
    seq INTEGER NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    version BIGINT NOT NULL,
    state SMALLINT NOT NULL,
    first_us BIGINT NOT NULL,
    received_us BIGINT NOT NULL,
    digest BIGINT NOT NULL,
    patient TEXT,
    encounter TEXT,
    names TEXT,
    body BLOB
);
-- Of (kind, id) keys the id comes first, here and below: it tells rows apart, the kind hardly does.
CREATE UNIQUE INDEX document_version ON document (id, kind, version);
CREATE INDEX document_kind ON document (kind, seq) WHERE state = 1;
CREATE INDEX document_patient ON document (patient, seq) WHERE state > 0 AND patient IS NOT NULL;
CREATE INDEX document_stay ON document (patient) WHERE state > 0 AND kind = 'Encounter';
CREATE INDEX document_encounter ON document (encounter, seq) WHERE state > 0 AND patient IS NULL AND encounter IS NOT NULL;

-- How many current documents there are of a kind.
CREATE TABLE kind (
    kind TEXT NOT NULL PRIMARY KEY,
    documents BIGINT NOT NULL
) WITHOUT ROWID;

-- Business identifiers of current documents. They may be asked for without their system.
CREATE TABLE identifier (
    kind TEXT NOT NULL,
    value TEXT NOT NULL,
    system TEXT NOT NULL,
    id TEXT NOT NULL,
    PRIMARY KEY (value, kind, system, id)
) WITHOUT ROWID;

-- What is searched of the documents that the service itself writes.
CREATE TABLE outcome (
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    seq BIGINT NOT NULL,
    updated_us BIGINT NOT NULL,
    patient TEXT,
    encounter TEXT,
    stay TEXT,
    topic TEXT,
    status TEXT,
    owner TEXT,
    location TEXT,
    code TEXT,
    focus TEXT,
    open SMALLINT NOT NULL,
    PRIMARY KEY (id, kind)
) WITHOUT ROWID;
CREATE UNIQUE INDEX outcome_seq ON outcome (kind, seq);
CREATE INDEX outcome_patient ON outcome (patient, kind, seq);
CREATE INDEX outcome_encounter ON outcome (encounter, kind, seq);
CREATE INDEX outcome_status ON outcome (kind, status, seq);
CREATE INDEX outcome_updated ON outcome (kind, updated_us);
CREATE INDEX outcome_open ON outcome (kind, seq) WHERE open = 1;

-- A patient whose documents are reconciled. dirty_seq: the last write that concerns the patient; done_seq: what has been
-- reconciled; since_seq: the write since which there is something to do, 0 if there is nothing; reset_seq: the last
-- write that took a document away from the patient.
CREATE TABLE subject (
    patient TEXT NOT NULL PRIMARY KEY,
    dirty_seq BIGINT NOT NULL,
    done_seq BIGINT NOT NULL,
    since_seq BIGINT NOT NULL,
    reset_seq BIGINT NOT NULL,
    wake_us BIGINT,
    failures BIGINT NOT NULL,
    retry_us BIGINT NOT NULL,
    error TEXT
) WITHOUT ROWID;
CREATE INDEX subject_dirty ON subject (since_seq, patient) WHERE since_seq > 0;
CREATE INDEX subject_wake ON subject (wake_us, patient) WHERE wake_us IS NOT NULL;
CREATE INDEX subject_failing ON subject (patient) WHERE failures > 0;

-- Documents that are not the patient's own and that the patient's facts were read from.
CREATE TABLE depends (
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    patient TEXT NOT NULL,
    PRIMARY KEY (id, kind, patient)
) WITHOUT ROWID;
CREATE INDEX depends_patient ON depends (patient);

CREATE TABLE stay (
    stay TEXT NOT NULL PRIMARY KEY,
    patient TEXT NOT NULL,
    begins_us BIGINT,
    ends_us BIGINT,
    open SMALLINT NOT NULL,
    ledger_us BIGINT NOT NULL,
    unit TEXT
) WITHOUT ROWID;
CREATE INDEX stay_patient ON stay (patient);
CREATE INDEX stay_open ON stay (stay) WHERE open = 1;

-- day: local, `YYYY-MM-DD`.
CREATE TABLE tally (
    stay TEXT NOT NULL,
    day TEXT NOT NULL,
    patient TEXT NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (stay, day)
) WITHOUT ROWID;
CREATE INDEX tally_day ON tally (day, stay);

-- What could not be used. patient is empty for what cannot be linked to one; encounter is what it waits for.
CREATE TABLE doubt (
    seq INTEGER NOT NULL PRIMARY KEY,
    patient TEXT NOT NULL,
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    why TEXT NOT NULL,
    encounter TEXT,
    since_us BIGINT NOT NULL
);
CREATE UNIQUE INDEX doubt_about ON doubt (patient, kind, id, why);
CREATE INDEX doubt_encounter ON doubt (encounter) WHERE patient = '' AND encounter IS NOT NULL;

-- last_us: up to when the source is known to have told everything.
CREATE TABLE source (
    name TEXT NOT NULL PRIMARY KEY,
    last_us BIGINT NOT NULL,
    cursor TEXT
) WITHOUT ROWID;
