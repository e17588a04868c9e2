//! What Terce said against what was so: the two side by side, and whether they differ.

use std::collections::{BTreeMap, BTreeSet};

use crate::chart::{Entry, Outages, facts_at};
use crate::fhir::patient_id;
use crate::time::{DAY, Minute};
use crate::truth::{ADULT, ALLOWANCE, Counts, Requirement, reckon};
use crate::ward::Ward;
use crate::watch::{Issue, Key};

/// Later than this after it could have been said, an announcement counts as late: it includes the time between two
/// readings of what Terce says.
const SOON: Minute = 30;

/// What is so, as of one minute, by the ward's own reckoning.
#[derive(Debug, Default)]
pub struct Truth {
    /// Lapses that stand and were to be announced.
    pub standing: BTreeSet<Key>,
    /// Lapses that stand, but charting may still arrive.
    pub waiting: BTreeSet<Key>,
    /// Lapses that were made good before anyone had to hear of them.
    pub made_good: BTreeSet<Key>,
    /// Everything that could ever be announced, and when it first could.
    pub announced: BTreeMap<Key, Minute>,
    /// By requirement.
    pub counts: BTreeMap<&'static str, Counts>,
    /// Done, but never charted: by requirement.
    pub uncharted: BTreeMap<&'static str, u32>,
    /// Minutes at risk.
    pub at_risk: Minute,
}

/// What Terce says, as of the same minute.
#[derive(Debug, Default)]
pub struct Told {
    /// DetectedIssues.
    pub issues: Vec<Issue>,
    /// Issues that could not be read.
    pub unread: usize,
    /// From the measure of timeliness.
    pub counts: BTreeMap<&'static str, Counts>,
    /// Tasks open now.
    pub open_tasks: usize,
    /// All Tasks so far.
    pub tasks: usize,
    /// The most Tasks found open for one patient at any reading.
    pub most_open: usize,
    /// Readings.
    pub polls: u32,
}

/// Reckons the whole ward as of `now`.
pub fn truth(ward: &Ward, now: Minute) -> Truth {
    let mut out = Truth::default();
    for stay in ward.stays() {
        let patient = patient_id(stay.course.patient);
        for (at, activity) in stay.forgotten.iter().filter(|f| f.0 <= now) {
            for requirement in ADULT.iter().filter(|r| r.activities.contains(activity)) {
                let ventilated = stay.course.ventilated.iter().any(|v| v.span.0 <= *at && *at < v.span.1);
                *out.uncharted.entry(requirement.id).or_default() += u32::from(ventilated);
            }
        }
        for (key, at) in announceable(&patient, &stay.record, &ward.outages, now) {
            out.announced.insert(key, at);
        }
        let Some(facts) = facts_at(&stay.record, now) else { continue };
        let reckoning = reckon(&facts, now);
        out.at_risk += reckoning.at_risk;
        for (id, counts) in reckoning.counts {
            let sum = out.counts.entry(id).or_default();
            sum.met += counts.met;
            sum.missed += counts.missed;
            sum.excused += counts.excused;
        }
        for lapse in reckoning.lapses {
            let key = (patient.clone(), lapse.requirement, lapse.from);
            // What has been announced stays so for as long as there is a lapse.
            let kind = if out.announced.contains_key(&key) {
                &mut out.standing
            } else if lapse.made_good() {
                &mut out.made_good
            } else {
                &mut out.waiting
            };
            kind.insert(key);
        }
    }
    out
}

/// Every lapse of a stay that stood at some time when it could be announced, and the first such time: the deadline and
/// the allowance are past, and the feed has given a sign of life since, and nothing charted until then speaks against it.
fn announceable(patient: &str, record: &[Entry], outages: &Outages, now: Minute) -> BTreeMap<Key, Minute> {
    let mut out = BTreeMap::new();
    let changes: BTreeSet<Minute> = record.iter().map(|e| e.known).filter(|k| *k <= now).collect();
    let mut next = changes.iter().copied().skip(1).chain([now + 1]);
    for known in &changes {
        let (Some(until), Some(facts)) = (next.next(), facts_at(record, *known)) else { continue };
        for lapse in reckon(&facts, until).lapses.into_iter().filter(|l| !l.made_good()) {
            let at = outages.next_heartbeat((*known).max(lapse.from + ALLOWANCE));
            if at < until {
                out.entry((patient.to_owned(), lapse.requirement, lapse.from)).or_insert(at);
            }
        }
    }
    out
}

/// The table that a person reads, and whether anything differs.
pub fn verdict(truth: &Truth, told: &Told) -> (String, bool) {
    let stands = |i: &&Issue| matches!(i.status.as_str(), "preliminary" | "final" | "amended" | "corrected");
    let standing: BTreeMap<&Key, &Issue> = told.issues.iter().filter(stands).map(|i| (&i.key, i)).collect();
    let mut differ = Vec::new();
    let mut text = lapses(truth, told, &standing, &mut differ);
    text.push_str(&compliance(truth, told, &mut differ));
    text.push_str(&promptness(truth, &standing, &mut differ));
    text.push_str(&tasks(truth, told, &mut differ));
    if told.unread > 0 {
        differ.push(format!("{} DetectedIssues could not be read", told.unread));
    }
    if differ.is_empty() {
        text.push_str("\nTerce and the ward agree in all of this.\n");
    } else {
        text.push_str(&format!("\n{} differences, the first of them:\n", differ.len()));
        differ.iter().take(12).for_each(|d| text.push_str(&format!("  {d}\n")));
    }
    (text, differ.is_empty())
}

fn lapses(truth: &Truth, told: &Told, standing: &BTreeMap<&Key, &Issue>, differ: &mut Vec<String>) -> String {
    let cancelled = told.issues.iter().filter(|i| i.status == "cancelled").map(|i| &i.key);
    let cancelled: BTreeSet<&Key> = cancelled.collect();
    let taken_back: BTreeSet<&Key> =
        truth.announced.keys().filter(|k| !truth.standing.contains(*k)).collect();
    let said: BTreeSet<&Key> = standing.keys().copied().collect();
    let lapses: BTreeSet<&Key> = truth.standing.iter().collect();
    let false_alarms: BTreeSet<&Key> = said.difference(&lapses).copied().collect();
    let missed: BTreeSet<&Key> = lapses.difference(&said).copied().collect();
    let kinds: [(&str, BTreeSet<&Key>); 4] = [
        ("false alarm", false_alarms.clone()),
        ("missed lapse", missed.clone()),
        ("cancelled, never to be expected", cancelled.difference(&taken_back).copied().collect()),
        ("should have been announced and cancelled", taken_back.difference(&cancelled).copied().collect()),
    ];
    for (what, keys) in &kinds {
        differ.extend(keys.iter().map(|k| format!("{what}: {}", name(k))));
    }
    let made_good: BTreeSet<&Key> = truth.made_good.iter().collect();
    let waiting: BTreeSet<&Key> = truth.waiting.iter().collect();
    let mut table = Table::default();
    let (all, good, soon, to_say) =
        (["true", ""], ["made good", "in time"], ["too soon", "to say"], ["to be", "announced"]);
    let (is_said, wrong, lost) = (["announced", "by Terce"], ["false", "alarms"], ["missed", "lapses"]);
    let (back, expected) = (["cancelled", "by Terce"], ["cancelled", "expected"]);
    let heads = [all, good, soon, to_say, is_said, wrong, lost, back, expected, ["done, not", "charted"]];
    table.line("lapses", heads.map(|[top, _]| top));
    table.line("", heads.map(|[_, below]| below));
    for Requirement { id, .. } in &ADULT {
        let of = |keys: &BTreeSet<&Key>| keys.iter().filter(|k| k.1 == *id).count();
        let uncharted = truth.uncharted.get(id).copied().unwrap_or(0) as usize;
        let all = of(&lapses) + of(&made_good) + of(&waiting);
        let counts =
            [&made_good, &waiting, &lapses, &said, &false_alarms, &missed, &cancelled, &taken_back].map(of);
        let cells: Vec<usize> = [all].into_iter().chain(counts).chain([uncharted]).collect();
        table.cells(id, &cells);
    }
    table.0
}

fn name(key: &Key) -> String {
    format!("{} {} {}", key.0, key.1, crate::time::spoken(key.2))
}

fn compliance(truth: &Truth, told: &Told, differ: &mut Vec<String>) -> String {
    let mut table = Table(String::from("\n"));
    table.line("measure timeliness", ["met", "", "missed", "", "excused", "", "in time", ""]);
    table.line("", ["Terce", "ward", "Terce", "ward", "Terce", "ward", "Terce", "ward"]);
    for requirement in &ADULT {
        let own = truth.counts.get(requirement.id).copied().unwrap_or_default();
        let said = told.counts.get(requirement.id).copied();
        let cell = |n: Option<u32>| n.map_or("-".to_owned(), |n| n.to_string());
        let cells = [
            cell(said.map(|c| c.met)),
            own.met.to_string(),
            cell(said.map(|c| c.missed)),
            own.missed.to_string(),
            cell(said.map(|c| c.excused)),
            own.excused.to_string(),
            said.map_or("-".to_owned(), in_time),
            in_time(own),
        ];
        table.line(requirement.id, cells.each_ref().map(String::as_str));
        if said != Some(own) {
            differ.push(format!("timeliness of {}: Terce says {said:?}, the ward {own:?}", requirement.id));
        }
    }
    table.0
}

fn in_time(counts: Counts) -> String {
    let all = counts.met + counts.missed;
    if all == 0 { "-".to_owned() } else { format!("{:.1}%", 100.0 * f64::from(counts.met) / f64::from(all)) }
}

fn promptness(truth: &Truth, standing: &BTreeMap<&Key, &Issue>, differ: &mut Vec<String>) -> String {
    let mut late: Vec<(Minute, &Key)> = Vec::new();
    for (key, issue) in standing {
        if let (Some(seen), Some(could)) = (issue.seen, truth.announced.get(*key)) {
            late.push((seen - could, key));
        }
    }
    late.sort_unstable();
    let early = late.first().filter(|l| l.0 < 0);
    differ.extend(early.map(|l| format!("announced {} min before it could be known: {}", -l.0, name(l.1))));
    let slow = late.iter().filter(|l| l.0 > SOON);
    differ.extend(slow.map(|l| format!("announced {} min late: {}", l.0, name(l.1))));
    let longest = late.last().map_or(0, |l| l.0);
    format!(
        "\nannounced, after it could be known: at the latest {longest} min (as seen by reading now and then)\n"
    )
}

fn tasks(truth: &Truth, told: &Told, differ: &mut Vec<String>) -> String {
    let days = truth.at_risk as f64 / DAY as f64;
    if told.most_open > 1 {
        differ.push(format!("{} Tasks were open for one patient at once", told.most_open));
    }
    format!(
        "Tasks: {} open now; {} in {days:.1} ventilated patient-days, {:.1} a day; at most {} open for one patient \
         in {} readings\n",
        told.open_tasks,
        told.tasks,
        told.tasks as f64 / days.max(0.01),
        told.most_open,
        told.polls,
    )
}

#[derive(Default)]
struct Table(String);

impl Table {
    fn line<const N: usize>(&mut self, head: &str, cells: [&str; N]) {
        self.0.push_str(&format!("{head:<19}"));
        cells.iter().for_each(|c| self.0.push_str(&format!("{c:>10}")));
        self.0.push('\n');
    }

    fn cells(&mut self, head: &str, counts: &[usize]) {
        self.0.push_str(&format!("{head:<19}"));
        counts.iter().for_each(|n| self.0.push_str(&format!("{n:>10}")));
        self.0.push('\n');
    }
}

#[cfg(test)]
#[path = "verdict_tests.rs"]
mod tests;
