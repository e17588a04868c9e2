//! Where a document comes among others, when they are sorted by what they say.

use std::cmp::Ordering;

use chrono_tz::Tz;
use serde_json::Value;

use super::super::parameters::Sort;
use super::controls::Key;
use super::dates;
use super::path::{Found, Paths};
use super::wanted::{codes, folded, texts};

/// Where a document comes: what has no value comes last, whatever the direction.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Rank {
    /// Its values, and whether the greatest comes first.
    values: Vec<(Option<Sortable>, bool)>,
    /// What tells it from others with the same values.
    pub(super) place: i64,
}

/// A value to sort by.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Sortable {
    /// An instant, or a number in an order of its own.
    Number(i64),
    Text(String),
}

impl Rank {
    /// The rank of a document. Of several values the least counts, or the greatest where that comes first; of a
    /// period its beginning.
    pub(super) fn new(keys: &[Key], document: &Value, place: i64, zone: Tz) -> Self {
        let value = |key: &Key| {
            let found = Paths::new(key.param.expression).find(document);
            let values = found.iter().flat_map(|f| sortable(key.param.sort, *f, zone));
            (if key.descending { values.max() } else { values.min() }, key.descending)
        };
        Rank { values: keys.iter().map(value).collect(), place }
    }
}

fn sortable(sort: Sort, found: Found<'_>, zone: Tz) -> Vec<Sortable> {
    let one = |text: Option<&str>| text.map(|t| Sortable::Text(t.to_owned())).into_iter().collect();
    match sort {
        Sort::Date => {
            let span = dates::found(found, zone);
            let instant = |s: dates::Span| Sortable::Number(if s.from == i64::MIN { s.to } else { s.from });
            span.map(instant).into_iter().collect()
        }
        Sort::Token => {
            codes(found.value, None).into_iter().map(|(_, c)| Sortable::Text(c.into_owned())).collect()
        }
        Sort::Text => texts(found.value).map(|t| Sortable::Text(folded(t))).collect(),
        Sort::Quantity => super::numbers::sortable(found.value).map(Sortable::Number).into_iter().collect(),
        // it cannot be asked for
        Sort::Composite => Vec::new(),
        Sort::Uri => one(found.value.as_str()),
        Sort::Reference => one(found.value.as_str().or_else(|| found.value.get("reference")?.as_str())),
    }
}

impl Ord for Rank {
    fn cmp(&self, other: &Self) -> Ordering {
        for ((a, descending), (b, _)) in self.values.iter().zip(&other.values) {
            let order = match (a, b) {
                (None, None) => Ordering::Equal,
                (None, Some(_)) => Ordering::Greater,
                (Some(_), None) => Ordering::Less,
                (Some(a), Some(b)) if *descending => b.cmp(a),
                (Some(a), Some(b)) => a.cmp(b),
            };
            if order != Ordering::Equal {
                return order;
            }
        }
        self.place.cmp(&other.place)
    }
}

impl PartialOrd for Rank {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
