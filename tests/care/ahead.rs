//! Hours that go on by themselves, against the ledger of the later instant.

use std::collections::BTreeMap;

use terce::care::ahead::hours;
use terce::care::ledger::{Cell, CellKey, Feed};
use terce::care::reconcile::{ledger_at, reconcile_ahead};
use terce::care::time::{Instant, Length};

use super::stays::Stay;

fn kept(cells: BTreeMap<CellKey, Cell>) -> BTreeMap<CellKey, Cell> {
    cells.into_iter().filter(|(_, cell)| *cell != Cell::default()).collect()
}

/// At instants between a ledger and its wake, and just before the wake.
#[test]
fn a_ledger_and_its_hours_ahead_are_the_ledger_of_any_instant_before_the_wake() {
    let (mut compared, mut moved, mut silent) = (0_u32, 0_u32, 0_u32);
    for stay in (0..3_000).map(Stay::random) {
        let facts = stay.facts();
        for look in &stay.looks {
            let (ledger, ahead) = reconcile_ahead(&facts, &stay.rules, look.feed, look.now);
            let last = ledger.wake.unwrap_or(look.now + Length::hours(72)).micros() - 1;
            let span = (last - look.now.micros()).max(0);
            for us in [0, 1.min(span), span / 7, span / 3, span / 2, span] {
                let later = look.now + Length::micros(us);
                let mut told = ledger.cells.clone();
                for (key, cell) in hours(&ahead, later, &stay.rules) {
                    told.entry(key).or_default().add(&cell);
                }
                let then = ledger_at(&facts, &stay.rules, look.feed, later);
                let seed = stay.seed;
                assert_eq!(kept(told), kept(then.cells.clone()), "stay {seed} from {} to {later}", look.now);
                compared += 1;
                moved += u32::from(then.cells != ledger.cells);
                silent += u32::from(matches!(look.feed, Feed::Silent { .. }) && then.cells != ledger.cells);
            }
            assert!(ahead.iter().all(|a| a.span.from >= look.now && a.span.to <= Instant::LATEST));
        }
    }
    assert!(compared > 20_000 && moved > 3_000 && silent > 100, "{compared} {moved} {silent}");
}
