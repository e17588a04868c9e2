//! One part of the patients, counted: their documents to ledgers and histories, these to sums and rows.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::read::Common;
use super::record::{Kept, Reader, SHORTEST, What, sets};
use super::rows::{DoubtRow, IssueRow, Lines, OpportunityRow, TaskRow, Utc};
use xxhash_rust::xxh3::xxh3_64;

use crate::care::explain::{basis_sources, basis_words};
use crate::care::facts::{Code, Facts, When};
use crate::care::history::{Fate, History, PastClosing, PastIssue, PastTask, ledger_and_history};
use crate::care::ledger::{Doubt, LapseEnder, Ledger, Opportunities, Outcome};
use crate::care::plan::Mitigation;
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::site::Site;
use crate::translate::document::{Stored, source_in};
use crate::translate::dossier::{Dossier, StayFacts};
use crate::translate::export::{Head, KINDS};
use crate::translate::extract::{Care, Extract, Made, Tell, Tells, extract_versions};
use crate::translate::outcomes::{cancelled_code, issue_id, task_id};

/// What is not one patient's own: places, devices, encounters without a subject; and whose an encounter is.
pub(super) struct Shared {
    documents: HashMap<(&'static str, String), Arc<Extract>>,
    encounters: HashMap<String, String>,
    /// Documents that name no patient, and what is wrong with that.
    pub(super) doubts: Vec<Doubt>,
}

/// How everything is counted.
pub(super) struct Counting<'a> {
    pub(super) site: &'a Site,
    pub(super) until: Instant,
    pub(super) shared: &'a Shared,
    pub(super) opportunities: bool,
}

/// What adds up over parts.
#[derive(Default)]
pub(super) struct Sums {
    pub(super) tally: Tally,
    pub(super) patients: u64,
    pub(super) stays: u64,
    /// Of them, how many are not over.
    pub(super) open: u64,
}

impl Sums {
    pub(super) fn add(&mut self, other: &Sums) {
        self.tally.merge(&other.tally);
        self.patients += other.patients;
        self.stays += other.stays;
        self.open += other.open;
    }
}

/// The rows of one part.
#[derive(Default)]
pub(super) struct Counted {
    pub(super) tasks: Lines,
    pub(super) issues: Lines,
    pub(super) doubts: Lines,
    pub(super) opportunities: Lines,
}

impl Shared {
    /// Of `common`, with what of it belongs to a patient by its encounter handed to `found`.
    pub(super) fn of(
        mut common: Vec<Common>,
        encounters: Vec<(String, String)>,
        site: &Site,
        received: Instant,
        mut found: impl FnMut(&Common, &str) -> std::io::Result<()>,
    ) -> std::io::Result<Shared> {
        let encounters: HashMap<String, String> = encounters.into_iter().collect();
        let mut shared = Shared { documents: HashMap::new(), encounters, doubts: Vec::new() };
        common.sort_by(|a, b| order(a).cmp(&order(b)));
        common.dedup_by(|a, b| order(a) == order(b));
        for same in common.chunk_by(|a, b| (a.kind, &a.head.id) == (b.kind, &b.head.id)) {
            let Some(last) = same.last() else { continue };
            if matches!(last.kind, "Location" | "Device" | "Encounter") {
                let stored: Vec<Stored<'_>> =
                    versions(same.iter().map(|c| (&c.head, c.kind, &*c.body)), received);
                let extract = extract_versions(&stored, &site.codes, &site.settings.own_bases);
                if let Some(extract) = extract {
                    shared.documents.insert((last.kind, last.head.id.to_string()), Arc::new(extract));
                }
                continue;
            }
            let by_encounter = last.head.encounter.as_ref().and_then(|e| shared.encounters.get(&**e));
            match by_encounter.cloned() {
                Some(patient) => same.iter().try_for_each(|c| found(c, &patient))?,
                None => {
                    let source = last.head.stored(last.kind, &last.body, received).source();
                    let why = "it names no patient, nor an encounter of one; it is not counted";
                    shared.doubts.push(Doubt::new(&source, why));
                }
            }
        }
        Ok(shared)
    }

    fn look(&self, kind: &str, id: &str) -> Option<Arc<Extract>> {
        let kind = KINDS.iter().find(|k| **k == kind)?;
        self.documents.get(&(*kind, id.to_owned())).cloned()
    }

    /// True if some device tells of care.
    pub(super) fn some_device_tells_of_care(&self) -> bool {
        self.documents.values().any(|d| d.device().is_some_and(|d| !d.activities.is_empty()))
    }
}

fn order(c: &Common) -> (&str, &str, Option<Instant>, u64, u64) {
    (c.kind, &c.head.id, c.head.told, c.head.version, c.digest)
}

/// The versions of one document, oldest first, as they are read together.
fn versions<'a>(
    all: impl Iterator<Item = (&'a Head<'a>, &'a str, &'a [u8])>,
    received: Instant,
) -> Vec<Stored<'a>> {
    let mut out: Vec<Stored<'_>> = all.map(|(head, kind, body)| head.stored(kind, body, received)).collect();
    if let Some(first) = out.iter().map(|s| s.first_us).min() {
        out.iter_mut().for_each(|s| s.first_us = first);
    }
    out
}

/// Counts the patients whose documents are in `bytes`, into `sums`.
pub(super) fn count(bytes: &[&[u8]], counting: &Counting<'_>, sums: &mut Sums) -> Counted {
    let mut all: Vec<Kept<'_>> = Vec::with_capacity(bytes.iter().map(|b| b.len()).sum::<usize>() / SHORTEST);
    all.extend(bytes.iter().flat_map(|b| Reader(b)));
    // first by a number for each patient: that takes most of the comparisons, and keeps the order of reading, in which
    // the documents of a patient mostly are in order already
    let patient = |k: &Kept<'_>| xxh3_64(k.patient.as_bytes());
    let mut order: Vec<(u64, usize)> = all.iter().enumerate().map(|(n, k)| (patient(k), n)).collect();
    order.sort_unstable();
    let mut all: Vec<(u64, &Kept<'_>)> =
        order.into_iter().filter_map(|(m, n)| Some((m, all.get(n)?))).collect();
    for same in all.chunk_by_mut(|(m, _), (n, _)| m == n) {
        same.sort_by(|(_, a), (_, b)| {
            let key = |k: &Kept<'_>| (k.kind, k.told, k.version);
            (a.patient, a.id)
                .cmp(&(b.patient, b.id))
                .then_with(|| key(a).cmp(&key(b)))
                .then_with(|| a.what.cmp(&b.what))
        });
    }
    let mut counted = Counted::default();
    let name = String::new();
    let mut reading = Rereading { sets: sets(), encounter: None, name, counting };
    for of_patient in all.chunk_by(|(_, a), (_, b)| a.patient == b.patient) {
        let Some((_, first)) = of_patient.first() else { continue };
        let documents = of_patient.chunk_by(|(_, a), (_, b)| (a.id, a.kind) == (b.id, b.kind));
        let dossier = Dossier::of(first.patient, documents.filter_map(|d| reading.document(d)).collect());
        sums.patients += 1;
        counting.patient(&dossier, sums, &mut counted);
    }
    counted
}

/// Documents on their way back.
struct Rereading<'a> {
    sets: Vec<Arc<[Code]>>,
    /// The encounter of the document before: mostly the same.
    encounter: Option<Arc<str>>,
    /// In which the names of documents are put together.
    name: String,
    counting: &'a Counting<'a>,
}

impl Rereading<'_> {
    /// What the last of the versions of a document says.
    fn document(&mut self, versions: &[(u64, &Kept<'_>)]) -> Option<Extract> {
        let (_, last) = versions.last()?;
        match &last.what {
            What::Nothing => None,
            What::Care { at, recorded, by_first, activities, encounter } => {
                let until = self.counting.until;
                let first = versions.iter().map(|(_, v)| v.told).min().unwrap_or(last.told);
                let before = |at| first < at;
                let by_versions = match at {
                    When::At(at) if before(*at) => *recorded,
                    When::At(_) | When::Day(_) => first.min(*recorded),
                };
                let told_first = *by_first && versions.len() > 1 && first > Instant::EARLIEST;
                let recorded = if told_first { by_versions } else { *recorded }.min(until);
                let encounter = encounter.map_or(Made::Unsaid, |e| Made::In(self.encounter(e)));
                let activities = self.sets.get(usize::from(*activities)).cloned().unwrap_or_default();
                let care = Care { at: *at, activities, devices: None, recorded, received: recorded };
                Some(Extract {
                    source: source_in(&mut self.name, last.kind(), last.id, last.version),
                    encounter,
                    tells: Tells::One(Tell::Care(care)),
                    doubts: None,
                    version: 1,
                    by_version: false,
                    by_first: *by_first,
                })
            }
            What::Doubt { why, encounter } => Some(Extract {
                source: source_in(&mut self.name, last.kind(), last.id, last.version),
                encounter: encounter.map_or(Made::Unsaid, |e| Made::In(self.encounter(e))),
                tells: Tells::Nothing,
                doubts: Some(Box::new(vec![(*why).into()])),
                version: 1,
                by_version: false,
                by_first: false,
            }),
            What::Whole(_) => self.whole(versions),
        }
    }

    fn encounter(&mut self, id: &str) -> Arc<str> {
        match &self.encounter {
            Some(same) if **same == *id => same.clone(),
            Some(_) | None => self.encounter.insert(id.into()).clone(),
        }
    }

    /// Read again, with what its earlier versions told.
    fn whole(&self, kept: &[(u64, &Kept<'_>)]) -> Option<Extract> {
        let heads: Vec<Head<'_>> = kept
            .iter()
            .map(|(_, k)| Head {
                id: k.id.into(),
                version: k.version,
                told: Some(k.told).filter(|t| *t > Instant::EARLIEST),
                patient: None,
                encounter: None,
            })
            .collect();
        let bodies = kept.iter().map(|(_, k)| match &k.what {
            What::Whole(body) => *body,
            // of what it said nothing is asked but that it is not what is said now
            What::Nothing | What::Care { .. } | What::Doubt { .. } => b"{}",
        });
        let all = heads.iter().zip(kept).zip(bodies).map(|((head, (_, k)), body)| (head, k.kind(), body));
        let stored = versions(all, self.counting.until);
        let site = self.counting.site;
        extract_versions(&stored, &site.codes, &site.settings.own_bases)
    }
}

impl Counting<'_> {
    fn patient(&self, dossier: &Dossier, sums: &mut Sums, counted: &mut Counted) {
        let assembled = dossier.stays(&|kind, id| self.shared.look(kind, id), &self.site.settings);
        for doubt in &assembled.waiting {
            counted.doubts.push(&DoubtRow {
                patient: Some(dossier.patient()),
                stay: None,
                source: &doubt.source.0,
                why: &doubt.why,
            });
        }
        for stay in assembled.stays {
            self.stay(dossier.patient(), stay, sums, counted);
        }
    }

    fn stay(&self, patient: &str, stay: StayFacts, sums: &mut Sums, counted: &mut Counted) {
        let StayFacts { mut facts, doubts, .. } = stay;
        self.arrived_when_recorded(&mut facts);
        let each = if self.opportunities { Opportunities::Each } else { Opportunities::Summed };
        let (ledger, history) = ledger_and_history(&facts, &self.site.rules, self.until, each);
        sums.stays += 1;
        sums.open += u64::from(facts.ends.as_ref().is_none_or(|e| e.at > self.until));
        sums.tally.add(&ledger);
        let of = Of {
            patient,
            stay: facts.stay.strip_prefix("Encounter/").unwrap_or(&facts.stay),
            counting: self,
        };
        of.history(&history, counted);
        for doubt in doubts.iter().chain(&ledger.doubts) {
            counted.doubts.push(&DoubtRow {
                patient: Some(patient),
                stay: Some(of.stay),
                source: &doubt.source.0,
                why: &doubt.why,
            });
        }
        if self.opportunities {
            of.opportunities(&ledger, &mut counted.opportunities);
        }
    }

    /// An export says when something was recorded; that is when the service would have had it.
    fn arrived_when_recorded(&self, facts: &mut Facts) {
        for care in &mut facts.care {
            care.recorded = care.recorded.min(self.until);
            care.received = care.recorded;
        }
        for excuse in &mut facts.excuses {
            excuse.recorded = excuse.recorded.min(self.until);
            excuse.received = excuse.recorded;
        }
    }
}

/// A stay whose rows are written.
struct Of<'a> {
    patient: &'a str,
    stay: &'a str,
    counting: &'a Counting<'a>,
}

impl Of<'_> {
    fn history(&self, history: &History, counted: &mut Counted) {
        history.tasks.iter().for_each(|task| self.task(task, &mut counted.tasks));
        history.issues.iter().for_each(|issue| self.issue(issue, &mut counted.issues));
    }

    fn task(&self, task: &PastTask, lines: &mut Lines) {
        let (how, reason) = match task.closed {
            None => ("open", None),
            Some((_, PastClosing::Completed)) => ("completed", None),
            Some((_, PastClosing::Cancelled(reason))) => ("cancelled", Some(cancelled_code(reason))),
        };
        lines.push(&TaskRow {
            stay: self.stay,
            patient: self.patient,
            opened: Utc(task.opened),
            unit: &task.unit,
            shift: &self.counting.site.rules.shift_at(task.opened),
            id: task_id(self.stay, task.round),
            round: Utc(task.round),
            closed: task.closed.map(|(at, _)| Utc(at)),
            how,
            reason,
            requirements: &task.asked,
        });
    }

    fn issue(&self, issue: &PastIssue, lines: &mut Lines) {
        let (status, ended, by, misses, lapsed) = match &issue.fate {
            Fate::Standing(lapse) => {
                let by = lapse.ended.as_ref().map(|e| match e.by {
                    LapseEnder::Care => "care",
                    LapseEnder::Excuse => "excuse",
                    LapseEnder::EndOfStretch => "no-longer-at-risk",
                });
                let status = if by.is_some() { "final" } else { "preliminary" };
                let ended = lapse.ended.as_ref().map(|e| e.at);
                (status, ended, by, lapse.misses.len(), lapse.lapsed.as_micros())
            }
            Fate::Withdrawn { at, mitigation } => {
                let by = match mitigation {
                    Mitigation::ChartedLate { .. } => "charted-late",
                    Mitigation::CareGiven { .. }
                    | Mitigation::Excused { .. }
                    | Mitigation::NoLongerAtRisk { .. }
                    | Mitigation::RecordCorrected => "record-corrected",
                };
                ("cancelled", Some(*at), Some(by), 0, 0)
            }
        };
        lines.push(&IssueRow {
            stay: self.stay,
            patient: self.patient,
            requirement: &issue.requirement,
            from: Utc(issue.from),
            announced: Utc(issue.announced),
            unit: &issue.unit,
            shift: &self.counting.site.rules.shift_at(issue.from),
            id: issue_id(self.stay, &issue.requirement, issue.from),
            status,
            ended: ended.map(Utc),
            by,
            misses,
            lapsed_seconds: lapsed as f64 / 1e6,
        });
    }

    fn opportunities(&self, ledger: &Ledger, lines: &mut Lines) {
        let rules = &self.counting.site.rules;
        let mut of_day: BTreeMap<(&str, chrono::NaiveDate), u32> = BTreeMap::new();
        for o in &ledger.opportunities {
            let number = of_day.entry((&*o.requirement, o.day)).or_default();
            *number += 1;
            let sources = basis_sources(&o.basis).into_iter().chain(o.evidence.iter().cloned());
            lines.push(&OpportunityRow {
                stay: self.stay,
                patient: self.patient,
                requirement: &o.requirement,
                at: Utc(o.at),
                deadline: Utc(o.deadline),
                outcome: match o.outcome {
                    Outcome::Met => "met",
                    Outcome::Missed => "missed",
                    Outcome::Excused => "excused",
                },
                unit: &o.unit,
                date: o.day.to_string(),
                shift: &o.shift,
                number: *number,
                late_charted: o.late_charted,
                arithmetic: basis_words(&o.basis, o.deadline, &o.requirement, rules),
                sources: sources.map(|s| s.0.to_string()).collect(),
            });
        }
    }
}
