//! The statements, in the SQL that SQLite and PostgreSQL share but for the spelling of parameters (`?1`, `$1`).
//!
//! What a document row is read from is always selected as [`DOCUMENT`]; a list is composed in the order of its key.

/// Columns of `document` under the name `d`, in the order in which a row is read.
macro_rules! document {
    () => {
        "d.seq, d.kind, d.id, d.version, d.first_us, d.received_us, d.digest, d.patient, d.encounter, d.body"
    };
}
/// Columns of `subject`, in the order in which a row is read.
macro_rules! subject {
    () => {
        "SELECT patient, dirty_seq, done_seq, wake_us, failures, retry_us, error FROM subject "
    };
}

// Positions and totals

pub(super) const SEQ: &str = "SELECT value FROM counter WHERE name = 'seq'";
pub(super) const SET_SEQ: &str = "UPDATE counter SET value = ?1 WHERE name = 'seq'";
pub(super) const ADD_DOCUMENTS: &str = "INSERT INTO kind (kind, documents) VALUES (?1, ?2) \
     ON CONFLICT (kind) DO UPDATE SET documents = kind.documents + excluded.documents";
pub(super) const SET_MARK: &str = "INSERT INTO meta (name, value) VALUES (?1, ?2) \
     ON CONFLICT (name) DO UPDATE SET value = excluded.value";
pub(super) const MARK: &str = "SELECT value FROM meta WHERE name = ?1";
pub(super) const BEAT: &str = "INSERT INTO source (name, last_us, cursor) VALUES (?1, ?2, ?3) \
     ON CONFLICT (name) DO UPDATE SET \
     last_us = CASE WHEN excluded.last_us > source.last_us THEN excluded.last_us ELSE source.last_us END, \
     cursor = COALESCE(excluded.cursor, source.cursor)";
pub(super) const SOURCES: &str = "SELECT name, last_us, cursor FROM source ORDER BY name";

// Dead letters

pub(super) const KEEP_LETTER: &str = "INSERT INTO letter (way, place, name, why, first_us, last_us, tries, body) VALUES (?1, ?2, ?3, ?4, ?5, ?5, 1, ?6) \
     ON CONFLICT (way, place, name) DO UPDATE SET why = excluded.why, last_us = excluded.last_us, \
     tries = letter.tries + 1, body = excluded.body";
pub(super) const SETTLE_LETTER: &str = "DELETE FROM letter WHERE way = ?1 AND place = ?2 AND name = ?3";
pub(super) const LETTERS: &str = "SELECT number, way, place, name, why, first_us, last_us, tries, \
     CASE WHEN ?4 THEN body END FROM letter WHERE number > ?3 AND (?1 IS NULL OR way = ?1) \
     AND (?2 IS NULL OR place = ?2) ORDER BY number LIMIT ?5";
pub(super) const LETTER: &str =
    "SELECT number, way, place, name, why, first_us, last_us, tries, body FROM letter WHERE number = ?1";
pub(super) const COUNT_LETTERS: &str =
    "SELECT way, place, COUNT(*) FROM letter GROUP BY way, place ORDER BY way, place";

// What is written to other servers

pub(super) const WANT_DELIVERY: &str = "INSERT INTO delivery (place, kind, id, lane, seq, waiting_us, not_before_us, tries) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, 0, 0) ON CONFLICT (place, kind, id) DO UPDATE SET lane = excluded.lane, \
     seq = excluded.seq, waiting_us = COALESCE(delivery.waiting_us, excluded.waiting_us)";
pub(super) const ARRIVED_DELIVERY: &str = "UPDATE delivery SET waiting_us = CASE WHEN seq > ?4 THEN waiting_us END, \
     not_before_us = 0, tries = 0, why = NULL, there_id = ?5, there_version = ?6, there_mixed = ?7, there = ?8, sent = NULL \
     WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const SENDING_DELIVERY: &str =
    "UPDATE delivery SET sent = ?4 WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const CHANGED_DELIVERY: &str = "UPDATE delivery SET there_mixed = TRUE, waiting_us = COALESCE(waiting_us, ?4) \
     WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const READ_DELIVERY: &str = "UPDATE delivery SET there_id = ?4, there_version = ?5, there_mixed = ?6, there = ?7, \
     sent = NULL WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const FAILED_DELIVERY: &str = "UPDATE delivery SET tries = tries + 1, why = ?4, not_before_us = ?5 \
     WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const DROPPED_DELIVERY: &str = "UPDATE delivery SET waiting_us = NULL, not_before_us = 0, tries = 0, why = ?4, \
     there_id = CASE WHEN ?5 THEN NULL ELSE there_id END WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const DUE_DELIVERIES: &str = "SELECT place, kind, id, lane, seq, waiting_us, not_before_us, tries, why, \
     there_id, there_version, there_mixed, there, sent FROM delivery d WHERE place = ?1 AND waiting_us IS NOT NULL AND not_before_us <= ?2 \
     AND NOT EXISTS (SELECT 1 FROM delivery f WHERE f.place = d.place AND f.lane = d.lane AND f.waiting_us IS NOT NULL \
     AND (f.kind, f.id) < (d.kind, d.id)) ORDER BY waiting_us, kind, id LIMIT ?3";
pub(super) const WAITING_DELIVERIES: &str = "SELECT place, kind, id, lane, seq, waiting_us, not_before_us, tries, why, \
     there_id, there_version, there_mixed, there, sent FROM delivery WHERE place = ?1 AND waiting_us IS NOT NULL \
     ORDER BY waiting_us, kind, id LIMIT ?2";
pub(super) const DELIVERY: &str = "SELECT place, kind, id, lane, seq, waiting_us, not_before_us, tries, why, \
     there_id, there_version, there_mixed, there, sent FROM delivery WHERE place = ?1 AND kind = ?2 AND id = ?3";
pub(super) const DELIVERY_THERE: &str = "SELECT place, kind, id, lane, seq, waiting_us, not_before_us, tries, why, \
     there_id, there_version, there_mixed, there, sent FROM delivery WHERE place = ?1 AND kind = ?2 AND there_id = ?3";
pub(super) const NEXT_DELIVERY: &str = "SELECT MIN(not_before_us) FROM delivery WHERE place = ?1 \
     AND waiting_us IS NOT NULL AND not_before_us > ?2";
pub(super) const OUTBOXES: &str = "SELECT place, COUNT(*), MIN(waiting_us), SUM(tries > 0) \
     FROM delivery WHERE waiting_us IS NOT NULL GROUP BY place ORDER BY place";

// Access

pub(super) const USE_ASSERTION: &str = "INSERT INTO assertion (client, name, until_us) VALUES (?1, ?2, ?3) \
     ON CONFLICT DO NOTHING";
pub(super) const FORGET_ASSERTIONS: &str = "DELETE FROM assertion WHERE until_us < ?1";
pub(super) const ADD_TOKEN: &str =
    "INSERT INTO token (digest, client, scopes, until_us) VALUES (?1, ?2, ?3, ?4)";
pub(super) const FORGET_TOKENS: &str = "DELETE FROM token WHERE until_us < ?1";
pub(super) const TOKEN: &str = "SELECT client, scopes, until_us FROM token WHERE digest = ?1";

// Documents

pub(super) const HEAD: &str = "SELECT seq, version, state, first_us, received_us, digest, patient, encounter, names \
     FROM document WHERE kind = ?1 AND id = ?2 ORDER BY version DESC LIMIT 1";
pub(super) const LAST_SEQ: &str =
    "SELECT seq FROM document WHERE kind = ?1 AND id = ?2 ORDER BY version DESC LIMIT 1";
pub(super) const BODY: &str = "SELECT body FROM document WHERE seq = ?1";
pub(super) const SUPERSEDE: &str = "UPDATE document SET state = 0 WHERE seq = ?1";
pub(super) const INSERT: &str = "INSERT INTO document (seq, kind, id, version, state, first_us, received_us, digest, \
     patient, encounter, names, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";
pub(super) const OWNER: &str = "SELECT patient FROM document WHERE kind = 'Encounter' AND id = ?1 \
     ORDER BY version DESC LIMIT 1";
pub(super) const CURRENT: &str = concat!(
    "SELECT ",
    document!(),
    " FROM document d WHERE d.kind = ?1 AND d.id = ?2 ORDER BY d.version DESC LIMIT 1"
);
pub(super) const VERSION: &str =
    concat!("SELECT ", document!(), " FROM document d WHERE d.kind = ?1 AND d.id = ?2 AND d.version = ?3");
pub(super) const HISTORY: &str = concat!(
    "SELECT ",
    document!(),
    " FROM document d WHERE d.kind = ?1 AND d.id = ?2 AND d.version < ?3 ORDER BY d.version DESC LIMIT ?4"
);
pub(super) const AT: &str = concat!("SELECT ", document!(), " FROM document d WHERE d.seq = ?1");
/// The documents of a kind in the order of their places: the versions that were current at ?3, with what is current now.
pub(super) const LISTED: &str = concat!(
    "SELECT ",
    document!(),
    ", p.seq FROM document p JOIN document d ON d.seq = CASE p.state WHEN 1 THEN p.seq ELSE \
     (SELECT c.seq FROM document c WHERE c.id = p.id AND c.kind = p.kind ORDER BY c.version DESC LIMIT 1) END \
     WHERE p.kind = ?1 AND p.seq > ?2 AND p.seq <= ?6 AND (p.state = 1 OR (p.state = 0 AND p.body IS NOT NULL \
     AND NOT EXISTS (SELECT 1 FROM document n WHERE n.id = p.id AND n.kind = p.kind AND n.version = p.version + 1 \
     AND n.seq <= ?3))) AND d.state = 1 AND d.received_us >= ?4 AND d.received_us < ?5 ORDER BY p.seq"
);
/// The same where nothing has changed since ?3: most rows need no look beyond the index.
pub(super) const LISTED_NOW: &str = concat!(
    "SELECT ",
    document!(),
    ", d.seq FROM document d WHERE d.kind = ?1 AND d.seq > ?2 AND d.seq <= ?3 AND d.seq <= ?6 AND d.state = 1 \
     AND d.received_us >= ?4 AND d.received_us < ?5 ORDER BY d.seq"
);
pub(super) const ID_PLACES: &str = "SELECT seq, id FROM document WHERE id = ?2 AND kind = ?1 AND state = 1";
pub(super) const PATIENT_PLACES: &str =
    "SELECT seq, id FROM document WHERE patient = ?2 AND kind = ?1 AND state > 0 AND state = 1";
pub(super) const ENCOUNTER_PLACES: &str =
    "SELECT seq, id FROM document WHERE encounter = ?2 AND kind = ?1 AND state > 0 AND state = 1";
/// Where a document was at ?3, if it was there.
pub(super) const PLACE_AT: &str = "SELECT seq, body IS NOT NULL FROM document \
     WHERE id = ?2 AND kind = ?1 AND seq <= ?3 ORDER BY version DESC LIMIT 1";
/// The last position of which all before it are known to have been received before ?1.
pub(super) const SEEN_BEFORE: &str = "SELECT MAX(seq) FROM seen WHERE us < ?1";
pub(super) const LAST_SEEN: &str = "SELECT us FROM seen ORDER BY us DESC LIMIT 1";
pub(super) const SEE: &str = "INSERT INTO seen (us, seq) VALUES (?1, ?2)";
/// Versions of a kind, and whether what was before them was something; ?6: superseded after it, or not at all.
pub(super) const PAST: &str = concat!(
    "SELECT ",
    document!(),
    ", (SELECT b.body IS NOT NULL FROM document b WHERE b.id = d.id AND b.kind = d.kind \
     AND b.version = d.version - 1) FROM document d WHERE d.kind = ?1 AND d.seq < ?2 AND d.seq > ?3 \
     AND d.received_us >= ?4 AND d.received_us < ?5 AND (d.state <> 0 OR \
     (SELECT n.received_us FROM document n WHERE n.id = d.id AND n.kind = d.kind AND n.version = d.version + 1) > ?6) "
);
pub(super) const PAST_OF_KIND: &str = "ORDER BY d.seq DESC LIMIT ?7";
pub(super) const PAST_OF_ONE: &str = "AND d.id = ?8 ORDER BY d.version DESC LIMIT ?7";
/// A document that names only an encounter is the patient's from the moment that both it and the encounter are there.
pub(super) const OF_PATIENT: &str = concat!(
    "SELECT ",
    document!(),
    " FROM document d WHERE d.patient = ?1 AND d.state > 0 AND d.seq > ?2 UNION ALL SELECT ",
    document!(),
    " FROM document e JOIN document d ON d.encounter = e.id AND d.state > 0 AND d.patient IS NULL ",
    "AND d.encounter IS NOT NULL WHERE e.patient = ?1 AND e.state > 0 AND e.kind = 'Encounter' ",
    "AND (d.seq > ?2 OR e.seq > ?2) ORDER BY 1"
);

// Identifiers

pub(super) const ADD_IDENTIFIER: &str =
    "INSERT INTO identifier (kind, value, system, id) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING";
pub(super) const REMOVE_IDENTIFIER: &str =
    "DELETE FROM identifier WHERE kind = ?1 AND value = ?2 AND system = ?3 AND id = ?4";
pub(super) const BY_IDENTIFIER: &str =
    "SELECT DISTINCT id FROM identifier WHERE kind = ?1 AND value = ?2 AND system = ?3 ORDER BY id LIMIT ?4";
pub(super) const BY_VALUE: &str =
    "SELECT DISTINCT id FROM identifier WHERE kind = ?1 AND value = ?2 ORDER BY id LIMIT ?3";

// Outcomes

pub(super) const SET_OUTCOME: &str = "INSERT INTO outcome (kind, id, seq, updated_us, patient, encounter, stay, \
     topic, status, owner, location, code, focus, open) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14) \
     ON CONFLICT (id, kind) DO UPDATE SET seq = excluded.seq, updated_us = excluded.updated_us, \
     patient = excluded.patient, encounter = excluded.encounter, stay = excluded.stay, topic = excluded.topic, \
     status = excluded.status, owner = excluded.owner, location = excluded.location, code = excluded.code, \
     focus = excluded.focus, open = excluded.open";
pub(super) const REMOVE_OUTCOME: &str = "DELETE FROM outcome WHERE kind = ?1 AND id = ?2";

// Subjects

pub(super) const SOIL: &str = "INSERT INTO subject (patient, dirty_seq, done_seq, since_seq, reset_seq, failures, \
     retry_us) VALUES (?1, ?2, 0, ?3, ?4, 0, 0) ON CONFLICT (patient) DO UPDATE SET dirty_seq = excluded.dirty_seq, \
     since_seq = CASE WHEN subject.since_seq > 0 THEN subject.since_seq ELSE excluded.since_seq END, \
     reset_seq = CASE WHEN excluded.reset_seq > 0 THEN excluded.reset_seq ELSE subject.reset_seq END";
pub(super) const RECONCILE: &str = "UPDATE subject SET done_seq = dirty_seq, since_seq = 0, wake_us = ?3, \
     failures = 0, retry_us = 0, error = NULL WHERE patient = ?1 AND dirty_seq = ?2";
/// A patient of whom nothing was ever written has generation 0.
pub(super) const RECONCILE_UNKNOWN: &str = "INSERT INTO subject (patient, dirty_seq, done_seq, since_seq, reset_seq, \
     wake_us, failures, retry_us) VALUES (?1, 0, 0, 0, 0, ?2, 0, 0) ON CONFLICT DO NOTHING";
pub(super) const FAIL: &str = "INSERT INTO subject (patient, dirty_seq, done_seq, since_seq, reset_seq, failures, \
     retry_us, error) VALUES (?1, 0, 0, 0, 0, 1, ?2, ?3) ON CONFLICT (patient) DO UPDATE SET \
     failures = subject.failures + 1, retry_us = excluded.retry_us, error = excluded.error";
pub(super) const GENERATION: &str = "SELECT dirty_seq, reset_seq FROM subject WHERE patient = ?1";
pub(super) const DIRTY_SEQ: &str = "SELECT dirty_seq FROM subject WHERE patient = ?1";
pub(super) const DIRTY: &str =
    concat!(subject!(), "WHERE since_seq > 0 AND retry_us <= ?1 ORDER BY since_seq, patient LIMIT ?2");
pub(super) const WOKEN: &str = concat!(
    subject!(),
    "WHERE wake_us IS NOT NULL AND wake_us <= ?1 AND since_seq = 0 AND retry_us <= ?1 \
     ORDER BY wake_us, patient LIMIT ?2"
);
pub(super) const SUBJECTS: &str = concat!(subject!(), "WHERE patient > ?1 ORDER BY patient LIMIT ?2");
pub(super) const SUBJECT: &str = concat!(subject!(), "WHERE patient = ?1");
pub(super) const FAILING: &str = concat!(subject!(), "WHERE failures > 0 ORDER BY patient LIMIT ?1");
/// What is dirty and not failing is due at once; the others at the later of their times.
pub(super) const ANY_DIRTY: &str = "SELECT 1 FROM subject WHERE since_seq > 0 AND failures = 0 LIMIT 1";
pub(super) const NEXT_WAKE: &str = "SELECT MIN(at_us) FROM (\
     SELECT MIN(CASE WHEN since_seq > 0 OR retry_us > wake_us THEN retry_us ELSE wake_us END) AS at_us \
     FROM subject WHERE failures > 0 AND (since_seq > 0 OR wake_us IS NOT NULL) UNION ALL \
     SELECT at_us FROM (SELECT wake_us AS at_us FROM subject \
     WHERE wake_us IS NOT NULL AND since_seq = 0 AND failures = 0 ORDER BY wake_us LIMIT 1) AS w) AS t";

// What follows from a reconciliation

pub(super) const STAYS_OF: &str = "SELECT stay FROM stay WHERE patient = ?1";
pub(super) const SET_STAY: &str = "INSERT INTO stay (stay, patient, begins_us, ends_us, open, ledger_us, unit, ahead) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT (stay) DO UPDATE SET patient = excluded.patient, \
     begins_us = excluded.begins_us, ends_us = excluded.ends_us, open = excluded.open, \
     ledger_us = excluded.ledger_us, unit = excluded.unit, ahead = excluded.ahead";
pub(super) const REMOVE_STAY: &str = "DELETE FROM stay WHERE stay = ?1";
pub(super) const SHARES_OF_STAY: &str = "SELECT day, body FROM share WHERE stay = ?1 ORDER BY day";
pub(super) const SET_SHARE: &str = "INSERT INTO share (stay, day, body) VALUES (?1, ?2, ?3) \
     ON CONFLICT (stay, day) DO UPDATE SET body = excluded.body";
pub(super) const REMOVE_SHARE: &str = "DELETE FROM share WHERE stay = ?1 AND day = ?2";
pub(super) const SHARES_OF_PATIENT: &str = "SELECT share.stay, share.day, share.body FROM stay \
     JOIN share ON share.stay = stay.stay WHERE stay.patient = ?1 AND share.day >= ?2 AND share.day <= ?3 \
     ORDER BY share.stay, share.day";
/// Of whom something was counted, or may be: what goes on, and what waits to be reconciled.
pub(super) const COUNTED: &str = "SELECT patient FROM (SELECT stay.patient AS patient FROM share \
     JOIN stay ON stay.stay = share.stay WHERE share.day >= ?1 AND share.day <= ?2 \
     UNION SELECT patient FROM stay WHERE ahead IS NOT NULL \
     UNION SELECT patient FROM subject WHERE since_seq > 0) AS counted ORDER BY patient LIMIT ?3";
pub(super) const SUMS_OF: &str =
    "SELECT body FROM sums WHERE topic = ?1 AND level = ?2 AND block = ?3 AND unit = ?4";
pub(super) const SET_SUMS: &str = "INSERT INTO sums (topic, level, block, unit, seq, body) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT (topic, level, block, unit) DO UPDATE SET seq = excluded.seq, \
     body = excluded.body";
pub(super) const SUMS_ALL: &str =
    "SELECT unit, body FROM sums WHERE topic = ?1 AND level = ?2 AND block >= ?3 AND block <= ?4";
pub(super) const SUMS_OF_UNIT: &str =
    "SELECT unit, body FROM sums WHERE topic = ?1 AND level = ?2 AND block = ?3 AND unit = ?4";
pub(super) const SUMS_CHANGED: &str = "SELECT block, unit, seq FROM sums WHERE level = 0 AND seq > ?1 \
     ORDER BY seq, topic, block, unit LIMIT ?2";
pub(super) const AHEAD: &str =
    "SELECT stay, patient, ahead FROM stay WHERE ahead IS NOT NULL AND ledger_us < ?1";
pub(super) const AHEAD_OF_PATIENT: &str =
    "SELECT stay, patient, ahead FROM stay WHERE patient = ?1 AND ahead IS NOT NULL";
pub(super) const ENCOUNTERS_CHANGED: &str = "SELECT patient FROM (SELECT patient FROM document WHERE state > 0 \
     AND kind = 'Encounter' AND received_us > ?1 AND patient IS NOT NULL \
     UNION SELECT patient FROM subject WHERE since_seq > 0) AS changed ORDER BY patient LIMIT ?2";
pub(super) const UNSETTLED: &str =
    "SELECT patient, failures FROM subject WHERE since_seq > 0 ORDER BY since_seq, patient LIMIT ?1";
pub(super) const COUNT_DIRTY: &str = "SELECT COUNT(*) FROM subject WHERE since_seq > 0";
pub(super) const IS_DIRTY: &str = "SELECT 1 FROM subject WHERE patient = ?1 AND since_seq > 0";
pub(super) const DEPENDENTS: &str = "SELECT patient FROM depends WHERE kind = ?1 AND id = ?2";
pub(super) const DEPENDS_OF: &str = "SELECT kind, id FROM depends WHERE patient = ?1";
pub(super) const ADD_DEPENDS: &str =
    "INSERT INTO depends (kind, id, patient) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING";
pub(super) const REMOVE_DEPENDS: &str = "DELETE FROM depends WHERE kind = ?1 AND id = ?2 AND patient = ?3";

// Doubts

pub(super) const DOUBTS_OF: &str = "SELECT kind, id, why, seq FROM doubt WHERE patient = ?1";
pub(super) const ADD_DOUBT: &str = "INSERT INTO doubt (seq, patient, kind, id, why, encounter, since_us) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING";
pub(super) const REMOVE_DOUBT: &str = "DELETE FROM doubt WHERE seq = ?1";
pub(super) const LINK_DOCUMENT: &str = "DELETE FROM doubt WHERE patient = '' AND kind = ?1 AND id = ?2";
pub(super) const LINK_ENCOUNTER: &str =
    "DELETE FROM doubt WHERE patient = '' AND encounter IS NOT NULL AND encounter = ?1";
pub(super) const ALL_DOUBTS: &str =
    "SELECT seq, patient, kind, id, why, since_us FROM doubt WHERE seq > ?1 ORDER BY seq LIMIT ?2";
pub(super) const DOUBTS: &str = "SELECT seq, patient, kind, id, why, since_us FROM doubt WHERE patient = ?3 AND seq > ?1 ORDER BY seq LIMIT ?2";

// Audit

pub(super) const AUDIT_END: &str = "SELECT number, hash FROM audit_end WHERE name = ?1";
pub(super) const SET_AUDIT_END: &str = "INSERT INTO audit_end (name, number, hash) VALUES (?1, ?2, ?3) \
     ON CONFLICT (name) DO UPDATE SET number = excluded.number, hash = excluded.hash";
pub(super) const ADD_AUDIT: &str = "INSERT INTO audit (number, at_us, body, hash) VALUES (?1, ?2, ?3, ?4)";
pub(super) const ADD_AUDIT_PATIENT: &str =
    "INSERT INTO audit_patient (patient, number) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
pub(super) const AUDITS_AFTER: &str =
    "SELECT number, at_us, body, hash FROM audit WHERE number > ?1 ORDER BY number LIMIT ?2";
pub(super) const AUDIT_LISTED: &str = "SELECT 1 FROM audit_patient WHERE patient = ?1 AND number = ?2";
pub(super) const COUNT_AUDIT_PATIENTS: &str = "SELECT COUNT(*) FROM audit_patient";
pub(super) const REMOVE_AUDIT: &str = "DELETE FROM audit WHERE number = ?1";
pub(super) const REMOVE_AUDIT_PATIENT: &str = "DELETE FROM audit_patient WHERE patient = ?1 AND number = ?2";

// Counts

pub(super) const COUNT_DOCUMENTS: &str = "SELECT kind, documents FROM kind ORDER BY kind";
pub(super) const COUNT_OF: &str = "SELECT documents FROM kind WHERE kind = ?1";
pub(super) const COUNT_OPEN: &str =
    "SELECT kind, COUNT(*) FROM outcome WHERE open = 1 GROUP BY kind ORDER BY kind";
pub(super) const COUNT_SUBJECTS: &str = "SELECT COUNT(*), (SELECT COUNT(*) FROM subject WHERE since_seq > 0), \
     (SELECT COUNT(*) FROM subject WHERE failures > 0) FROM subject";
pub(super) const COUNT_DOUBTS: &str =
    "SELECT COUNT(*), (SELECT COUNT(*) FROM doubt WHERE patient = '') FROM doubt";

// Everything again

pub(super) const CLEAR: [&str; 5] = [
    "DELETE FROM stay",
    "DELETE FROM share",
    "DELETE FROM sums",
    "DELETE FROM depends",
    "DELETE FROM doubt WHERE patient <> ''",
];
pub(super) const KNOW_ALL: &str = "INSERT INTO subject (patient, dirty_seq, done_seq, since_seq, reset_seq, failures, \
     retry_us) SELECT DISTINCT patient, 0, 0, 0, 0, 0, 0 FROM document WHERE state > 0 AND patient IS NOT NULL \
     ON CONFLICT DO NOTHING";
pub(super) const SOIL_ALL: &str = "UPDATE subject SET dirty_seq = ?1, done_seq = 0, since_seq = ?1, reset_seq = ?1, \
     wake_us = NULL, failures = 0, retry_us = 0, error = NULL";

/// Of each patient the last document is found from the end of the index.
pub(super) const HEARD_OF: &str = "SELECT COUNT(*), MAX(last_us) FROM (SELECT (SELECT d.received_us FROM document d \
     WHERE d.patient = s.patient AND d.state > 0 AND d.kind = ?2 ORDER BY d.seq DESC LIMIT 1) AS last_us \
     FROM (SELECT DISTINCT patient FROM stay WHERE open = 1 AND unit = ?1 AND ahead IS NOT NULL) AS s) AS h";
