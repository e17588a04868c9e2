//! One document is written at one place.

use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;

use fhir_models::json;
use serde_json::Value;

use super::super::limits;
use super::Parts;
use super::there::{Found, Put, Trouble, identifier};
use crate::outward::jitter_us;
use crate::store::{
    About, Audit, Batch, Delivery, Document, Parcel, Step, StoreError, There, Thing, Undelivered, Way,
};
use crate::translate::audit;
use crate::translate::outcomes::{merged, nearest, with_references};

/// Why what is not there any more is not written again by itself: whoever deleted it may have had a reason.
const DELETED: &str = "somebody has deleted it there: hand it over again to write it anew";

/// What an errand came to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Came {
    /// There was nothing to ask the place for.
    Nothing,
    /// The place has taken it, or refused it for good.
    Done,
    /// The document waits; the place may be well.
    Stuck,
    /// The place does not answer, or not us.
    Away { why: String, pause_us: Option<i64> },
}

/// Why an errand did not come to its end.
pub(super) enum Stop {
    Trouble(Trouble),
    Store(StoreError),
}

impl From<Trouble> for Stop {
    fn from(trouble: Trouble) -> Self {
        Stop::Trouble(trouble)
    }
}

impl From<StoreError> for Stop {
    fn from(error: StoreError) -> Self {
        Stop::Store(error)
    }
}

/// A document on its way.
pub(super) struct Errand {
    parts: Arc<Parts>,
    delivery: Delivery,
    now_us: i64,
}

/// What is known of the document there.
enum Known {
    /// Nothing is there, as far as we know.
    Absent,
    /// It is there as we wrote it, at this version.
    Ours { id: String, version: String },
    /// It was read.
    Read(Found),
}

impl Errand {
    pub(super) fn new(parts: Arc<Parts>, delivery: Delivery, now_us: i64) -> Self {
        Errand { parts, delivery, now_us }
    }

    fn parcel(&self) -> &Parcel {
        &self.delivery.parcel
    }

    fn kind(&self) -> &str {
        &self.delivery.parcel.kind
    }

    /// Writes it, and stores what came of that.
    ///
    /// # Errors
    /// The store.
    pub(super) async fn run(mut self) -> Result<Came, StoreError> {
        let trouble = match self.carry().await {
            Ok(came) => return Ok(came),
            Err(Stop::Store(error)) => return Err(error),
            Err(Stop::Trouble(trouble)) => trouble,
        };
        match trouble {
            Trouble::Away { why, pause_us } => {
                // the place rests as a whole; this one is the first to be tried when it is back
                self.failed(&why, self.now_us).await?;
                Ok(Came::Away { why, pause_us })
            }
            Trouble::Stuck(why) => {
                let tries = u32::try_from(self.delivery.tries).unwrap_or(u32::MAX).saturating_add(1);
                self.failed(&why, self.parts.clock.now().micros() + jitter_us(tries)).await?;
                Ok(Came::Stuck)
            }
            Trouble::Conflict => {
                let why = "others write the same document there again and again";
                self.failed(why, self.parts.clock.now().micros() + jitter_us(1)).await?;
                Ok(Came::Stuck)
            }
            Trouble::Absent { status: 404 | 410 } if self.delivery.there.is_some() => {
                self.dropped(DELETED.to_owned(), true).await
            }
            Trouble::Absent { status } => {
                self.dropped(format!("the server answered {status}: it takes no such document"), false).await
            }
            Trouble::Refused { why } => self.dropped(why, false).await,
        }
    }

    async fn carry(&mut self) -> Result<Came, Stop> {
        let Some(mut document) = self.document().await? else {
            return Ok(self.dropped("it is not there any more".to_owned(), false).await?);
        };
        let mut known = self.known().await?;
        for _ in 0..limits::MERGES {
            let Some(body) = document.body.clone() else { return self.remove(document.seq).await };
            let mut ours: Value = read(&body);
            if let Known::Read(found) = &known {
                self.same_subject(&ours, &found.document)?;
                let base = self.base(&found.document);
                if self.parts.take_back(self.parcel(), &base, &found.document).await? {
                    document = self.document().await?.unwrap_or(document);
                    ours = read(document.body.as_deref().unwrap_or_default());
                }
                let (id, version) = (found.id.clone(), found.version.clone());
                self.delivery.there = Some(There { id, version, mixed: true, body: bytes(&base) });
            }
            let id = match &known {
                Known::Absent => self.parcel().id.clone(),
                Known::Ours { id, .. } => id.clone(),
                Known::Read(found) => found.id.clone(),
            };
            self.refer(&mut ours).await?;
            let sent = match &known {
                Known::Read(found) if self.kind() == "Task" => {
                    let base =
                        read(&self.delivery.there.as_ref().map(|t| t.body.clone()).unwrap_or_default());
                    merged(&base, &ours, &found.document)
                }
                Known::Absent | Known::Ours { .. } | Known::Read(_) => ours.clone(),
            };
            if self.is_there(&known, &sent) {
                // sent before, perhaps, and the answer was lost
                let was_sent = self.delivery.sent.is_some();
                return self.arrived(&known, &document, &ours, &sent, was_sent).await;
            }
            let version = match &known {
                Known::Ours { version, .. } => Some(version.clone()),
                Known::Read(found) => found.version.clone(),
                Known::Absent => None,
            };
            match self.send(&known, id, version, &sent, &ours, &body).await {
                Ok((id, version)) => {
                    fail::fail_point!("deliver-sent", |_| std::process::abort());
                    let found = Found { id, version, document: Value::Null };
                    let arrived = self.arrived(&Known::Read(found), &document, &ours, &sent, true).await;
                    fail::fail_point!("deliver-arrived", |_| std::process::abort());
                    return arrived;
                }
                Err(Stop::Trouble(Trouble::Conflict)) => known = self.look().await?,
                // 405: it would have to be made under our id
                Err(Stop::Trouble(Trouble::Absent { status: 404 | 405 | 410 }))
                    if !matches!(known, Known::Absent) =>
                {
                    return Ok(self.dropped(DELETED.to_owned(), true).await?);
                }
                Err(stop) => return Err(stop),
            }
        }
        Err(Trouble::Conflict.into())
    }

    async fn document(&self) -> Result<Option<Document>, StoreError> {
        self.parts.store.document(self.kind(), &self.parcel().id).await
    }

    /// What is known of it there, read anew where it may have been written without our knowing.
    async fn known(&self) -> Result<Known, Stop> {
        let waited = self.delivery.waiting_us.is_some_and(|since| since < self.parts.began_us);
        let uncertain = self.delivery.sent.is_some() || self.delivery.tries > 0 || waited;
        match &self.delivery.there {
            Some(There { id, version: Some(version), mixed: false, .. }) if !uncertain => {
                Ok(Known::Ours { id: id.clone(), version: version.clone() })
            }
            None if !uncertain && !self.parts.gives_ids.load(Relaxed) => Ok(Known::Absent),
            Some(_) | None => self.look().await,
        }
    }

    /// Reads it there.
    async fn look(&self) -> Result<Known, Stop> {
        if let Some(there) = &self.delivery.there {
            return match self.parts.read(self.kind(), &there.id).await? {
                Some(found) => Ok(Known::Read(found)),
                None => Err(Trouble::Absent { status: 404 }.into()),
            };
        }
        if !self.parts.gives_ids.load(Relaxed) {
            return match self.parts.read(self.kind(), &self.parcel().id).await? {
                Some(found) => Ok(Known::Read(found)),
                None => Ok(Known::Absent),
            };
        }
        let name = self.name().await?;
        match self.parts.identified(self.kind(), &name).await? {
            Some(found) => Ok(Known::Read(found)),
            None => Ok(Known::Absent),
        }
    }

    /// The identifier by which it is found there.
    async fn name(&self) -> Result<String, Stop> {
        let document = self.document().await?;
        let body = document.and_then(|d| d.body).unwrap_or_default();
        let name = read(&body).pointer("/identifier/0").and_then(identifier);
        let why = "the server gives ids of its own, and the document has no identifier to be found by";
        Ok(name.ok_or_else(|| Trouble::Refused { why: why.to_owned() })?)
    }

    /// What both began from: what was written, or was sent and may have arrived.
    fn base(&self, theirs: &Value) -> Value {
        let written = self.delivery.there.as_ref().map(|there| read(&there.body));
        let sent = self.delivery.sent.as_deref().map(read);
        match (written, sent) {
            (Some(written), Some(sent)) => nearest(&written, &sent, theirs).clone(),
            (Some(one), None) | (None, Some(one)) => one,
            // somebody else has put it there, a former installation perhaps: as it stands it is what both began from
            (None, None) => theirs.clone(),
        }
    }

    /// Refuses to bring together what is about two patients.
    fn same_subject(&self, ours: &Value, theirs: &Value) -> Result<(), Trouble> {
        let of = |document: &Value| {
            let at = if self.kind() == "Task" { "/for/reference" } else { "/patient/reference" };
            document.pointer(at).and_then(Value::as_str).map(str::to_owned)
        };
        match of(ours) == of(theirs) {
            true => Ok(()),
            false => {
                Err(Trouble::Refused { why: "a document of this id there is about somebody else".to_owned() })
            }
        }
    }

    /// Has what it refers to be called as it is there.
    async fn refer(&self, ours: &mut Value) -> Result<(), StoreError> {
        if !self.parts.gives_ids.load(Relaxed) {
            return Ok(());
        }
        let mut names = Vec::new();
        with_references(ours, &mut |reference| {
            names.push(reference.to_owned());
            None
        });
        let mut renamed = Vec::new();
        for name in names {
            let Some((kind, id)) = name.split_once('/').filter(|(_, id)| !id.contains('/')) else { continue };
            if !["Task", "DetectedIssue", "MeasureReport"].contains(&kind) {
                continue;
            }
            let (place, kind, id) = (self.parcel().place.clone(), kind.to_owned(), id.to_owned());
            let parcel = Parcel { place, kind, id };
            if let Some(there) = self.parts.store.delivery(&parcel).await?.and_then(|d| d.there) {
                renamed.push((name.clone(), format!("{}/{}", parcel.kind, there.id)));
            }
        }
        with_references(ours, &mut |reference| {
            renamed.iter().find(|(ours, _)| ours == reference).map(|(_, theirs)| theirs.clone())
        });
        Ok(())
    }

    /// Whether nothing need be sent.
    fn is_there(&self, known: &Known, sent: &Value) -> bool {
        match known {
            Known::Absent => false,
            Known::Ours { .. } => {
                let there = self.delivery.there.as_ref();
                there.is_some_and(|there| without_own(&read(&there.body)) == without_own(sent))
            }
            Known::Read(found) => without_own(&found.document) == without_own(sent),
        }
    }

    /// Writes it there, after it is stored that it may be there from now on.
    async fn send(
        &mut self,
        known: &Known,
        id: String,
        version: Option<String>,
        sent: &Value,
        ours: &Value,
        plain: &[u8],
    ) -> Result<(String, Option<String>), Stop> {
        let there = match known {
            Known::Read(_) => self.delivery.there.clone(),
            Known::Absent | Known::Ours { .. } => None,
        };
        let step = Step::Sending { there, sent: bytes(ours) };
        self.note(vec![step], Vec::new()).await?;
        fail::fail_point!("deliver-told", |_| std::process::abort());
        self.delivery.sent = Some(bytes(ours));
        let body = |id: &str| self.body(sent, plain, id);
        let kind = self.kind().to_owned();
        if !matches!(known, Known::Absent) {
            let body = body(&id)?;
            return Ok(self.parts.write(&kind, &Put::Over(id, version), body).await?);
        }
        if !self.parts.gives_ids.load(Relaxed) {
            let body = body(&id)?;
            match self.parts.write(&kind, &Put::New(id), body).await {
                Err(Trouble::Absent { .. }) => {
                    tracing::info!(place = self.parts.place(), "the server gives ids of its own");
                    self.parts.gives_ids.store(true, Relaxed);
                    // it is asked first whether it is there already
                    if let Known::Read(_) = self.look().await? {
                        return Err(Trouble::Conflict.into());
                    }
                }
                written => return Ok(written?),
            }
        }
        let name = self.name().await?;
        let body = self.body(sent, plain, "")?;
        match self.parts.write(&kind, &Put::Identified(name.clone()), body.clone()).await {
            Err(Trouble::Absent { .. }) => {
                Ok(self.parts.write(&kind, &Put::Unidentified(name), body).await?)
            }
            written => Ok(written?),
        }
    }

    /// The bytes that are sent: as they are stored wherever nothing was brought together, so that numbers keep their
    /// digits.
    fn body(&self, sent: &Value, plain: &[u8], id: &str) -> Result<Vec<u8>, Stop> {
        let untouched = *sent == read(plain);
        let stuck = |_| Trouble::Stuck("it cannot be written with its id".to_owned());
        if untouched && !id.is_empty() {
            let quoted = serde_json::to_string(id).map_err(|_| Trouble::Stuck("no id".to_owned()))?;
            return Ok(json::with_member(plain, "id", Some(&quoted)).map_err(stuck)?);
        }
        let mut sent = sent.clone();
        if let Some(members) = sent.as_object_mut() {
            members.remove("meta");
            members.remove("id");
            if !id.is_empty() {
                members.insert("id".to_owned(), id.into());
            }
        }
        Ok(bytes(&sent))
    }

    async fn remove(&mut self, seq: i64) -> Result<Came, Stop> {
        if let Some(there) = &self.delivery.there {
            self.parts.remove(self.kind(), &there.id).await?;
        }
        let id = self.delivery.there.as_ref().map_or_else(|| self.parcel().id.clone(), |t| t.id.clone());
        let gone = There { id, ..There::default() };
        let steps = vec![
            Step::Arrived { seq, there: gone },
            Step::Dropped { why: "it was deleted".to_owned(), gone: true },
        ];
        self.note(steps, Vec::new()).await?;
        Ok(Came::Done)
    }

    async fn arrived(
        &self,
        known: &Known,
        document: &Document,
        ours: &Value,
        sent: &Value,
        was_sent: bool,
    ) -> Result<Came, Stop> {
        let (id, version) = match known {
            Known::Ours { id, version } => (id.clone(), Some(version.clone())),
            Known::Read(found) => (found.id.clone(), found.version.clone()),
            Known::Absent => (self.parcel().id.clone(), None),
        };
        let mixed = without_own(sent) != without_own(ours);
        let there = There { id, version, mixed, body: bytes(ours) };
        let Document { kind, id, version, patient, .. } = document;
        let thing = Thing {
            kind: kind.clone().into(),
            id: id.clone(),
            version: *version,
            patient: patient.clone(),
            ..Thing::default()
        };
        let told = Audit {
            deed: audit::deed::EXPORT.into(),
            status: 200,
            by: audit::by::SERVICE.into(),
            who: self.parts.place().to_owned(),
            from: self.parts.server.base().to_owned(),
            things: vec![thing],
            ..Audit::default()
        };
        let came = if matches!(known, Known::Ours { .. }) { Came::Nothing } else { Came::Done };
        let audits = if was_sent { vec![told] } else { Vec::new() };
        self.note(vec![Step::Arrived { seq: document.seq, there }], audits).await?;
        Ok(came)
    }

    fn about(&self) -> About {
        let Parcel { place, kind, id } = self.parcel();
        About { way: Way::Out, place: place.clone(), name: format!("{kind}/{id}") }
    }

    async fn note(&self, steps: Vec<Step>, audits: Vec<Audit>) -> Result<(), StoreError> {
        let arrived = steps.iter().any(|step| matches!(step, Step::Arrived { .. }));
        let settled = if arrived { vec![self.about()] } else { Vec::new() };
        let deliveries = steps.into_iter().map(|step| (self.parcel().clone(), step)).collect();
        let now_us = self.parts.clock.now().micros();
        let batch = Batch { now_us, deliveries, settled, audits, ..Batch::default() };
        self.parts.store.commit(batch).await.map(|_| ())
    }

    async fn failed(&self, why: &str, not_before_us: i64) -> Result<(), StoreError> {
        self.note(vec![Step::Failed { why: why.to_owned(), not_before_us }], Vec::new()).await
    }

    /// It is given up, and a dead letter.
    async fn dropped(&self, why: String, gone: bool) -> Result<Came, StoreError> {
        let Parcel { place, kind, id } = self.parcel();
        tracing::warn!(place, kind, id, why, "a document was not taken, and is a dead letter");
        let letters = vec![Undelivered { about: self.about(), why: why.clone(), body: None }];
        let deliveries = vec![(self.parcel().clone(), Step::Dropped { why, gone })];
        let now_us = self.parts.clock.now().micros();
        self.parts.store.commit(Batch { now_us, deliveries, letters, ..Batch::default() }).await?;
        Ok(Came::Done)
    }
}

/// A document of ours, or of theirs that was read before: sound.
pub(super) fn read(body: &[u8]) -> Value {
    serde_json::from_slice(body).unwrap_or_default()
}

pub(super) fn bytes(document: &Value) -> Vec<u8> {
    document.to_string().into_bytes()
}

/// A document without what is each server's own.
fn without_own(document: &Value) -> Value {
    let mut out = document.clone();
    if let Some(members) = out.as_object_mut() {
        members.remove("id");
        members.remove("meta");
    }
    out
}
