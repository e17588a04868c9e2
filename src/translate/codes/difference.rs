//! Which codes mean something else under other maps.

use std::collections::BTreeSet;

use super::Codes;

/// A code that would mean something else.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Differs {
    /// The system of the code.
    pub system: String,
    /// The code.
    pub code: String,
    /// The own codes that it is read as, as (system, code).
    pub before: Vec<(&'static str, &'static str)>,
    /// Those that it would be read as.
    pub after: Vec<(&'static str, &'static str)>,
}

impl Codes {
    /// The codes that `other` reads differently, in order.
    pub fn differences(&self, other: &Codes) -> Vec<Differs> {
        let mut known: BTreeSet<(&str, &str)> = self.that(|_| true);
        known.extend(other.that(|_| true));
        for codes in [self, other] {
            known.extend(codes.watched.iter().flat_map(|(s, all)| all.keys().map(move |c| (&**s, &**c))));
        }
        let differs = known.into_iter().filter_map(|(system, code)| {
            let (before, after) = (self.read_as(system, code), other.read_as(system, code));
            let (system, code) = (system.to_owned(), code.to_owned());
            (before != after).then_some(Differs { system, code, before, after })
        });
        differs.collect()
    }
}
