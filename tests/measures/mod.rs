//! Measures and their reports.

mod beside;
mod events;
mod reports;
mod scheduled;
mod sums;
mod tables;
mod written;

use std::collections::BTreeMap;

use terce::care::ledger::Cell;
use terce::care::surveillance::denominators::Watched;
use terce::care::totals::Totals;

/// Everything that totals hold, whatever the order in which names were met; nothing of what is 0.
pub(crate) fn flat(totals: &Totals) -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    for (unit, kind, part) in totals.parts() {
        let at = format!("{unit} {kind:?}");
        if part.complete.1 > 0 {
            out.insert(format!("{at} complete"), format!("{:?}", part.complete));
        }
        if part.census.0 > 0 {
            out.insert(format!("{at} census"), format!("{:?}", part.census));
        }
        for (place, days) in part.days.iter().enumerate().filter(|(_, days)| days.1 > 0) {
            let requirement = totals.requirements.name(place).unwrap();
            out.insert(format!("{at} days {requirement}"), format!("{days:?}"));
        }
        for (place, shift) in part.shifts.iter().enumerate() {
            let at = format!("{at} {}", totals.shifts.name(place).unwrap());
            if !shift.delays.is_empty() {
                out.insert(format!("{at} delays"), format!("{:?}", shift.delays));
            }
            for (place, cell) in shift.cells.iter().enumerate().filter(|(_, c)| **c != Cell::default()) {
                let requirement = totals.requirements.name(place).unwrap();
                out.insert(format!("{at} {requirement}"), format!("{cell:?}"));
            }
        }
    }
    out
}

/// What surveillance found, which the service alone looks for.
pub(crate) fn watched(totals: &Totals) -> BTreeMap<String, String> {
    let found = totals.parts().filter(|(_, _, part)| part.watched != Watched::default());
    found.map(|(unit, kind, part)| (format!("{unit} {kind:?}"), format!("{:?}", part.watched))).collect()
}
