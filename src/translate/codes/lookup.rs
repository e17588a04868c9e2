//! What a code is translated to, and from, in the words of the maps; for whoever asks. Counting reads [`Codes`], and
//! what counts is said by it here too.

use fhir_models::ConceptMap;
use fhir_models::codes::ConceptMapEquivalence as Equivalence;
use fhir_models::codes::{ConceptMapUnmappedMode, PublicationStatus};
use fhir_models::concept_map::{ConceptMapGroup, ConceptMapGroupElement};

use super::map::whole;
use super::{ACTIVITY, AIRWAY, Airway, Codes, DEFAULT_MAP, EXCUSE, NOT_DONE, own_codes, own_meaning};
use crate::translate::shipped;

/// The maps in force, as they were written.
#[derive(Debug)]
pub struct Maps {
    /// Those of the site, in the order of their ids.
    site: Vec<ConceptMap>,
    /// The shipped one, unless the site has one of its url.
    shipped: Option<ConceptMap>,
}

/// Which maps are asked; nothing said: all of them.
#[derive(Clone, Copy, Debug, Default)]
pub struct Which<'a> {
    /// The url of one map.
    pub map: Option<&'a str>,
    /// What the map says it translates from.
    pub source: Option<&'a str>,
    /// What the map says it translates to.
    pub target: Option<&'a str>,
}

/// A code that another one is translated to.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Found {
    /// Its system.
    pub system: String,
    /// The code; none where the map says that there is none.
    pub code: Option<String>,
    /// How R4 calls the relation, read from the target to the source.
    pub equivalence: Equivalence,
    /// Its display, as the map has it.
    pub display: Option<String>,
    /// The url of the map that says so, or its id; none where a code means itself.
    pub map: Option<String>,
    /// True if counting reads it so.
    pub counts: bool,
}

/// One group of one map.
struct Row<'a> {
    map: &'a ConceptMap,
    group: &'a ConceptMapGroup,
    source: &'a str,
    target: &'a str,
}

impl Maps {
    /// The shipped map and those of the site, by id. What cannot be honoured is left out.
    pub fn read(site: &[(String, Vec<u8>)]) -> Self {
        let readable = |body: &[u8]| {
            whole::<ConceptMap>(body).ok().filter(|m| m.status != Some(PublicationStatus::Retired))
        };
        let site: Vec<ConceptMap> = site
            .iter()
            .filter_map(|(id, body)| readable(body).map(|map| ConceptMap { id: Some(id.clone()), ..map }))
            .collect();
        let replaced = site.iter().any(|m| m.url.as_deref() == Some(DEFAULT_MAP));
        let shipped = shipped::document("ConceptMap", "default").filter(|_| !replaced);
        Maps { site, shipped: shipped.and_then(|s| readable(s.body)) }
    }

    /// True if a map of that url is in force.
    pub fn has(&self, url: &str) -> bool {
        self.site.iter().chain(&self.shipped).any(|m| m.url.as_deref() == Some(url))
    }

    /// The url of the map with that id, or its id where it has none.
    pub fn name(&self, id: &str) -> Option<String> {
        self.site.iter().chain(&self.shipped).find(|m| m.id.as_deref() == Some(id)).map(name)
    }

    /// What `code` of `system` is translated to. Sorted, each once.
    pub fn of(&self, system: &str, code: &str, which: Which<'_>, codes: &Codes) -> Vec<Found> {
        let counts = |target: &str, found: &str| means(codes, system, code, target, found);
        let mut out = Vec::new();
        for (row, is_site) in self.rows().filter(|(row, _)| row.source == system && row.is_asked(which)) {
            if !is_site && self.is_replaced(&row, code) {
                continue;
            }
            let elements: Vec<&ConceptMapGroupElement> =
                row.group.element.iter().filter(|e| e.code.as_deref() == Some(code)).collect();
            let provided = elements.is_empty() && row.provides() && own_meaning(row.target, code).is_some();
            for target in elements.iter().flat_map(|e| &e.target) {
                out.push(Found {
                    system: row.target.to_owned(),
                    code: target.code.clone(),
                    equivalence: target.equivalence,
                    display: target.display.clone(),
                    map: Some(name(row.map)),
                    counts: target.code.as_deref().is_some_and(|c| counts(row.target, c))
                        && is_read(target.equivalence),
                });
            }
            if provided {
                let counts = counts(row.target, code);
                out.push(itself(row.target, code, Some(name(row.map)), counts));
            }
        }
        if own_meaning(system, code).is_some() && which.is_everything() {
            out.push(itself(system, code, None, true));
        }
        out.sort();
        out.dedup();
        out
    }

    /// What is translated to `code` of `system`. Sorted, each once. The relation is turned round.
    pub fn to(&self, system: &str, code: &str, which: Which<'_>, codes: &Codes) -> Vec<Found> {
        let mut out = Vec::new();
        for (row, is_site) in self.rows().filter(|(row, _)| row.target == system && row.is_asked(which)) {
            for element in &row.group.element {
                let Some(from) = element.code.as_deref() else { continue };
                if !is_site && self.is_replaced(&row, from) {
                    continue;
                }
                for target in element.target.iter().filter(|t| t.code.as_deref() == Some(code)) {
                    out.push(Found {
                        system: row.source.to_owned(),
                        code: Some(from.to_owned()),
                        equivalence: turned(target.equivalence),
                        display: element.display.clone(),
                        map: Some(name(row.map)),
                        counts: means(codes, row.source, from, system, code) && is_read(target.equivalence),
                    });
                }
            }
            let listed = row.group.element.iter().any(|e| e.code.as_deref() == Some(code));
            if row.provides() && !listed && own_meaning(system, code).is_some() {
                out.push(itself(
                    row.source,
                    code,
                    Some(name(row.map)),
                    means(codes, row.source, code, system, code),
                ));
            }
        }
        if own_meaning(system, code).is_some() && which.is_everything() {
            out.push(itself(system, code, None, true));
        }
        out.sort();
        out.dedup();
        out
    }

    /// True if the site's own maps say what `code` means, in place of the shipped map and its group `row`.
    fn is_replaced(&self, row: &Row<'_>, code: &str) -> bool {
        let mut site = self.rows().filter(|(_, is_site)| *is_site).map(|(row, _)| row);
        site.any(|own| {
            let lists = own.group.element.iter().any(|e| e.code.as_deref() == Some(code));
            let provides = own.provides() && own_meaning(own.target, code).is_some();
            own.source == row.source && own.target == row.target && (lists || provides)
        })
    }

    /// The groups of all maps, and whether the map is the site's; the site's first.
    fn rows(&self) -> impl Iterator<Item = (Row<'_>, bool)> {
        let maps = self.site.iter().map(|m| (m, true)).chain(self.shipped.iter().map(|m| (m, false)));
        maps.flat_map(|(map, site)| {
            let rows = map.group.iter().filter_map(move |group| {
                let (source, target) = (group.source.as_deref()?, group.target.as_deref()?);
                Some(Row { map, group, source, target })
            });
            rows.map(move |row| (row, site))
        })
    }
}

impl Which<'_> {
    fn is_everything(&self) -> bool {
        self.map.is_none() && self.source.is_none() && self.target.is_none()
    }
}

impl Row<'_> {
    fn provides(&self) -> bool {
        self.group.unmapped.as_ref().is_some_and(|u| u.mode == ConceptMapUnmappedMode::Provided)
    }

    fn is_asked(&self, which: Which<'_>) -> bool {
        let of = |asked: Option<&str>, said: [&Option<String>; 2]| {
            asked.is_none_or(|asked| said.iter().any(|s| s.as_deref() == Some(asked)))
        };
        which.map.is_none_or(|url| url == name(self.map))
            && of(which.source, [&self.map.source_uri, &self.map.source_canonical])
            && of(which.target, [&self.map.target_uri, &self.map.target_canonical])
    }
}

fn name(map: &ConceptMap) -> String {
    let url = map.url.clone();
    url.unwrap_or_else(|| format!("ConceptMap/{}", map.id.as_deref().unwrap_or_default()))
}

fn itself(system: &str, code: &str, map: Option<String>, counts: bool) -> Found {
    let (system, code) = (system.to_owned(), Some(code.to_owned()));
    Found { system, code, equivalence: Equivalence::Equal, display: None, map, counts }
}

/// True if a target in that relation is one that counting reads.
fn is_read(equivalence: Equivalence) -> bool {
    match equivalence {
        Equivalence::Unmatched | Equivalence::Disjoint | Equivalence::Narrower => false,
        Equivalence::Inexact
        | Equivalence::Equal
        | Equivalence::Equivalent
        | Equivalence::Wider
        | Equivalence::Subsumes
        | Equivalence::Specializes
        | Equivalence::Relatedto => true,
    }
}

/// The relation as it is read from the other side.
fn turned(equivalence: Equivalence) -> Equivalence {
    match equivalence {
        Equivalence::Wider => Equivalence::Narrower,
        Equivalence::Narrower => Equivalence::Wider,
        Equivalence::Subsumes => Equivalence::Specializes,
        Equivalence::Specializes => Equivalence::Subsumes,
        same @ (Equivalence::Unmatched
        | Equivalence::Disjoint
        | Equivalence::Inexact
        | Equivalence::Equal
        | Equivalence::Equivalent
        | Equivalence::Relatedto) => same,
    }
}

/// True if counting reads `code` of `system` as the own code `found` of `target`.
fn means(codes: &Codes, system: &str, code: &str, target: &str, found: &str) -> bool {
    let Some(meaning) = codes.code(system, code) else { return false };
    match target {
        ACTIVITY => meaning.activities.iter().any(|a| &*a.0 == found),
        AIRWAY => Airway::ALL.into_iter().any(|a| a.as_str() == found && meaning.airways.has(a)),
        // every reason says that care was not given; the bare statement says no more than that
        EXCUSE if found == NOT_DONE => meaning.not_done && meaning.excuse.is_none(),
        EXCUSE => meaning.excuse.as_ref().is_some_and(|e| &*e.0 == found),
        _ => false,
    }
}

impl Codes {
    /// The own codes that `code` of `system` is read as, as (system, code). Sorted.
    pub fn read_as(&self, system: &str, code: &str) -> Vec<(&'static str, &'static str)> {
        let mut out: Vec<_> = own_codes().filter(|(s, c)| means(self, system, code, s, c)).collect();
        out.sort_unstable();
        out
    }
}
