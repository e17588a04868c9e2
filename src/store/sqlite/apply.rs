//! A batch within a transaction: preconditions, versions, and who is concerned.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Params, params};
use uuid::{NoContext, Timestamp, Uuid};

use super::concern::Soil;
use super::sums::Deltas;
use super::{audit, delivery, derived, letters, names, read};
use crate::store::{
    Batch, ChainHead, Change, Committed, Grant, OutcomeRow, Precondition, StoreError, Thing, Token, Write,
    Written, sql,
};

/// Why a batch is not applied.
pub(super) enum Stop {
    /// It is refused; the transaction goes on without it.
    Refused(StoreError),
    /// The transaction is lost.
    Fault(rusqlite::Error),
}

impl From<rusqlite::Error> for Stop {
    fn from(error: rusqlite::Error) -> Stop {
        Stop::Fault(error)
    }
}

/// One batch while it is applied.
pub(super) struct Applying<'c, 'b> {
    pub(super) conn: &'c Connection,
    pub(super) now_us: i64,
    pub(super) seq: i64,
    pub(super) soiled: BTreeMap<String, Soil>,
    pub(super) documents: BTreeMap<&'b str, i64>,
    /// What stays contribute more or less because of it.
    pub(super) deltas: Deltas,
    /// The end of the chain of audit rows.
    pub(super) chain: Option<ChainHead>,
    /// The patient of each write, as far as one is known; empty where nobody asks.
    about: Vec<Option<String>>,
}

/// The newest version of a document, without its body.
struct Head {
    seq: i64,
    version: i64,
    alive: bool,
    first_us: i64,
    received_us: i64,
    digest: u64,
    patient: Option<String>,
    encounter: Option<String>,
    names: Option<String>,
}

/// Which document a write is about.
enum Target {
    /// One that was never there.
    New(String),
    /// One that may be there.
    Known(String),
    /// Nothing is to be done; the id of the document that is as asked, if there is one.
    Settled(Option<String>),
}

impl<'c, 'b> Applying<'c, 'b> {
    /// The next batch after position `seq`; `chain`: the end of the chain of audit rows, if something is added to it.
    pub(super) fn new(conn: &'c Connection, now_us: i64, seq: i64, chain: Option<ChainHead>) -> Self {
        Applying {
            chain,
            about: Vec::new(),
            conn,
            now_us,
            seq,
            soiled: BTreeMap::new(),
            documents: BTreeMap::new(),
            deltas: Deltas::new(),
        }
    }

    pub(super) fn next_seq(&mut self) -> i64 {
        self.seq += 1;
        self.seq
    }

    pub(super) fn batch(&mut self, batch: &'b Batch, digests: &[u64]) -> Result<Committed, Stop> {
        for (kind, id, version) in &batch.rests_on {
            let head = self.head(kind, id)?.filter(|h| h.alive);
            if head.is_none_or(|h| h.version.cast_unsigned() != *version) {
                return Err(Stop::Refused(StoreError::Moved));
            }
        }
        for reconciled in &batch.reconciled {
            derived::reconcile(self, reconciled)?;
        }
        for failed in &batch.failed {
            run(self.conn, sql::FAIL, params![failed.patient, failed.retry_us, failed.error])?;
        }
        let mut written = Vec::with_capacity(batch.writes.len());
        for ((index, write), digest) in batch.writes.iter().enumerate().zip(digests) {
            written.push(self.write(index, write, *digest)?);
        }
        self.soil()?;
        self.audit(batch, &written)?;
        if let Some(beat) = &batch.heartbeat {
            run(self.conn, sql::BEAT, params![beat.source, beat.us, beat.cursor])?;
        }
        if let Some(grant) = &batch.grant {
            self.grant(grant)?;
        }
        for letter in &batch.letters {
            letters::keep(self.conn, self.now_us, letter)?;
        }
        for about in &batch.settled {
            letters::settle(self.conn, about)?;
        }
        for (parcel, step) in &batch.deliveries {
            delivery::note(self.conn, self.now_us, parcel, step)?;
        }
        for (name, value) in &batch.marks {
            run(self.conn, sql::SET_MARK, params![mark_name(name), value])?;
        }
        Ok(Committed { written })
    }

    /// Adds what the batch says of itself to the chain.
    fn audit(&mut self, batch: &Batch, written: &[Written]) -> rusqlite::Result<()> {
        for act in &batch.audits {
            let Some(head) = self.chain else { return Ok(()) };
            let next = if act.of_writes {
                let mut act = act.clone();
                let about = std::mem::take(&mut self.about);
                act.things.extend(batch.writes.iter().zip(written).zip(about).map(thing));
                audit::add(self.conn, head, self.now_us, &act)?
            } else {
                audit::add(self.conn, head, self.now_us, act)?
            };
            self.chain = Some(next);
        }
        Ok(())
    }

    fn grant(&self, grant: &Grant) -> Result<(), Stop> {
        run(self.conn, sql::FORGET_ASSERTIONS, [self.now_us])?;
        run(self.conn, sql::FORGET_TOKENS, [grant.forget_before_us])?;
        let used = params![grant.client, grant.assertion, grant.assertion_until_us];
        if self.conn.prepare_cached(sql::USE_ASSERTION)?.execute(used)? == 0 {
            return Err(Stop::Refused(StoreError::Used));
        }
        let token = params![grant.digest, grant.client, grant.scopes, grant.until_us];
        Ok(run(self.conn, sql::ADD_TOKEN, token)?)
    }

    fn write(&mut self, index: usize, write: &'b Write, digest: u64) -> Result<Written, Stop> {
        let (id, head) = match self.target(index, write)? {
            Target::New(id) => (id, None),
            Target::Known(id) => {
                let head = self.head(&write.kind, &id)?;
                (id, head)
            }
            Target::Settled(Some(id)) => {
                let head = self.head(&write.kind, &id)?;
                self.concerns(write, &id, head.as_ref())?;
                return Ok(unchanged(write, id, head.as_ref()));
            }
            Target::Settled(None) => {
                self.concerns(write, "", None)?;
                return Ok(unchanged(write, String::new(), None));
            }
        };
        meets(index, &write.precondition, &id, head.as_ref())?;
        self.concerns(write, &id, head.as_ref())?;
        let alive = head.as_ref().filter(|h| h.alive);
        let same = match (&write.body, alive) {
            (None, alive) => alive.is_none(),
            (Some(_), None) => false,
            (Some(body), Some(head)) => head.digest == digest && self.body(head.seq)?.as_ref() == Some(body),
        };
        if same { Ok(unchanged(write, id, head.as_ref())) } else { Ok(self.put(write, id, head, digest)?) }
    }

    /// Notes whom a write is about, if that is recorded.
    fn concerns(&mut self, write: &Write, id: &str, head: Option<&Head>) -> rusqlite::Result<()> {
        if self.chain.is_some() {
            let (patient, encounter) = links(write, id, head);
            let owner = self.owner(patient, encounter)?;
            self.about.push(owner);
        }
        Ok(())
    }

    fn target(&self, index: usize, write: &Write) -> Result<Target, Stop> {
        let found = match &write.precondition {
            Precondition::None | Precondition::Absent | Precondition::Version(_) => None,
            Precondition::IfNoneExist(token)
            | Precondition::Unmatched(token)
            | Precondition::Match(token) => self.one(index, &write.kind, token)?,
        };
        match (&write.precondition, found) {
            (Precondition::IfNoneExist(_), Some(id)) => return Ok(Target::Settled(Some(id))),
            (Precondition::Unmatched(_), Some(id)) => {
                return Err(Stop::Refused(StoreError::Exists { index, id }));
            }
            (_, Some(id)) if write.id.as_ref().is_some_and(|given| *given != id) => {
                return Err(Stop::Refused(StoreError::OtherId { index, id }));
            }
            (_, Some(id)) => return Ok(Target::Known(id)),
            (_, None) => {}
        }
        Ok(match (&write.id, &write.body) {
            (Some(id), _) => Target::Known(id.clone()),
            (None, Some(_)) => Target::New(new_id(self.now_us)),
            (None, None) => Target::Settled(None),
        })
    }

    /// The one document that has the identifier.
    fn one(&self, index: usize, kind: &str, token: &Token) -> Result<Option<String>, Stop> {
        let mut ids = read::by_identifier(self.conn, kind, token, 2)?;
        if ids.len() > 1 { Err(Stop::Refused(StoreError::MultipleMatches { index })) } else { Ok(ids.pop()) }
    }

    fn head(&self, kind: &str, id: &str) -> rusqlite::Result<Option<Head>> {
        let mut statement = self.conn.prepare_cached(sql::HEAD)?;
        let head = statement.query_row([kind, id], |r| {
            Ok(Head {
                seq: r.get(0)?,
                version: r.get(1)?,
                alive: r.get::<_, i64>(2)? == 1,
                first_us: r.get(3)?,
                received_us: r.get(4)?,
                digest: r.get::<_, i64>(5)?.cast_unsigned(),
                patient: r.get(6)?,
                encounter: r.get(7)?,
                names: r.get(8)?,
            })
        });
        head.optional()
    }

    fn body(&self, seq: i64) -> rusqlite::Result<Option<Vec<u8>>> {
        self.conn.prepare_cached(sql::BODY)?.query_row([seq], |r| r.get(0))
    }

    /// Adds a version.
    fn put(
        &mut self,
        write: &'b Write,
        id: String,
        head: Option<Head>,
        digest: u64,
    ) -> rusqlite::Result<Written> {
        let deletes = write.body.is_none();
        let was_alive = head.as_ref().is_some_and(|h| h.alive);
        let (patient, encounter) = links(write, &id, head.as_ref());
        let names = if deletes { Vec::new() } else { names::sorted(&write.identifiers) };
        let version = head.as_ref().map_or(1, |h| h.version + 1);
        let seq = self.next_seq();
        let before = head
            .as_ref()
            .filter(|_| write.dirty)
            .map(|h| self.owner(h.patient.as_deref(), h.encounter.as_deref()));
        let before = before.transpose()?.flatten();
        if let Some(head) = &head {
            run(self.conn, sql::SUPERSEDE, [head.seq])?;
        }
        let row = params![
            seq,
            write.kind,
            id,
            version,
            if deletes { 2 } else { 1 },
            head.as_ref().map_or(self.now_us, |h| h.first_us),
            self.now_us,
            digest.cast_signed(),
            patient,
            encounter,
            names::encode(&names),
            write.body,
        ];
        run(self.conn, sql::INSERT, row)?;
        let old = head.as_ref().and_then(|h| h.names.as_deref());
        names::replace(self.conn, &write.kind, &id, old, &names)?;
        self.set_outcome(write, &id, was_alive, seq, patient, encounter)?;
        self.set_unlinked(write, &id, head.is_some(), patient, encounter)?;
        if write.dirty {
            self.concern(write, &id, seq, before, patient, encounter)?;
        }
        *self.documents.entry(&write.kind).or_default() += i64::from(!deletes) - i64::from(was_alive);
        let change = match (deletes, was_alive) {
            (true, _) => Change::Deleted,
            (false, true) => Change::Updated,
            (false, false) => Change::Created,
        };
        let version = version.cast_unsigned();
        Ok(Written { kind: write.kind.clone(), id, version, seq, updated_us: self.now_us, change })
    }

    fn set_outcome(
        &self,
        write: &Write,
        id: &str,
        was_alive: bool,
        seq: i64,
        patient: Option<&str>,
        encounter: Option<&str>,
    ) -> rusqlite::Result<()> {
        match write.outcome.as_ref().filter(|_| write.body.is_some()) {
            Some(OutcomeRow { stay, topic, status, owner, location, code, focus, open }) => {
                let (kind, now_us) = (&write.kind, self.now_us);
                let row = params![
                    kind, id, seq, now_us, patient, encounter, stay, topic, status, owner, location, code,
                    focus, open
                ];
                run(self.conn, sql::SET_OUTCOME, row)
            }
            None if was_alive => run(self.conn, sql::REMOVE_OUTCOME, [&write.kind, id]),
            None => Ok(()),
        }
    }

    /// Remembers that a document cannot be linked, and forgets it of those that can be now.
    fn set_unlinked(
        &mut self,
        write: &Write,
        id: &str,
        known: bool,
        patient: Option<&str>,
        encounter: Option<&str>,
    ) -> rusqlite::Result<()> {
        if known {
            run(self.conn, sql::LINK_DOCUMENT, [&write.kind, id])?;
        }
        if write.kind == "Encounter" && patient.is_some() {
            run(self.conn, sql::LINK_ENCOUNTER, [id])?;
        }
        let unlinked = write.unlinked.as_ref().filter(|_| write.body.is_some());
        if let Some(why) = unlinked
            && self.owner(patient, encounter)?.is_none()
        {
            let seq = self.next_seq();
            run(self.conn, sql::ADD_DOUBT, params![seq, "", write.kind, id, why, encounter, self.now_us])?;
        }
        Ok(())
    }
}

/// What is recorded of a write.
fn thing(((write, written), patient): ((&Write, &Written), Option<String>)) -> Thing {
    let Written { kind, id, version, .. } = written.clone();
    let deed = match (written.change, &write.body) {
        (Change::Created, _) => "create",
        (Change::Deleted, _) | (Change::Unchanged, None) => "delete",
        (Change::Updated | Change::Unchanged, _) => "update",
    };
    Thing { deed: deed.into(), kind, id, version, patient, ..Thing::default() }
}

/// Whether a document is as the precondition says.
fn meets(index: usize, precondition: &Precondition, id: &str, head: Option<&Head>) -> Result<(), Stop> {
    let alive = head.filter(|h| h.alive);
    match precondition {
        Precondition::None
        | Precondition::IfNoneExist(_)
        | Precondition::Unmatched(_)
        | Precondition::Match(_) => Ok(()),
        Precondition::Absent if alive.is_none() => Ok(()),
        Precondition::Absent => Err(Stop::Refused(StoreError::Exists { index, id: id.to_owned() })),
        Precondition::Version(expected) => {
            let current = alive.map_or(0, |h| h.version.cast_unsigned());
            if current == *expected && current > 0 {
                return Ok(());
            }
            Err(Stop::Refused(StoreError::VersionConflict { index, expected: *expected, current }))
        }
    }
}

/// The patient and the encounter of a document.
fn links<'a>(write: &'a Write, id: &'a str, head: Option<&'a Head>) -> (Option<&'a str>, Option<&'a str>) {
    let own = (write.kind == "Patient").then_some(id);
    let (patient, encounter) = (write.patient.as_deref().or(own), write.encounter.as_deref());
    match head {
        Some(head) if write.body.is_none() => {
            (patient.or(head.patient.as_deref()), encounter.or(head.encounter.as_deref()))
        }
        Some(_) | None => (patient, encounter),
    }
}

/// What is said of a write that changes nothing.
fn unchanged(write: &Write, id: String, head: Option<&Head>) -> Written {
    Written {
        kind: write.kind.clone(),
        id,
        version: head.map_or(0, |h| h.version.cast_unsigned()),
        seq: head.map_or(0, |h| h.seq),
        updated_us: head.map_or(0, |h| h.received_us),
        change: Change::Unchanged,
    }
}

/// An id that nothing else has. It begins with the time, so that what comes together is found together.
fn new_id(now_us: i64) -> String {
    let now_us = now_us.max(0).cast_unsigned();
    let nanos = u32::try_from(now_us % 1_000_000 * 1_000).unwrap_or_default();
    Uuid::new_v7(Timestamp::from_unix(NoContext, now_us / 1_000_000, nanos)).to_string()
}

/// What tells bodies apart before their bytes are compared.
pub(super) fn digest(body: &[u8]) -> u64 {
    xxhash_rust::xxh3::xxh3_64(body)
}

/// Under which name `meta` keeps a mark.
pub(super) fn mark_name(name: &str) -> String {
    format!("mark.{name}")
}

/// Runs a statement that gives no rows.
pub(super) fn run(conn: &Connection, sql: &str, params: impl Params) -> rusqlite::Result<()> {
    conn.prepare_cached(sql)?.execute(params).map(|_| ())
}
