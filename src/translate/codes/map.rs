//! ConceptMaps and ValueSets, read into [`Codes`].

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use fhir_models::codes::{ConceptMapEquivalence, ConceptMapUnmappedMode, PublicationStatus};
use fhir_models::concept_map::{ConceptMapGroup, ConceptMapGroupElementTarget};
use fhir_models::json::scan;
use fhir_models::{ConceptMap, ParseError, Resource, ValueSet, parse_scanned};

use super::{AIRWAY, Codes, Meaning, NamedCondition, own_codes, own_meaning};
use crate::care::facts::{Code, Source};
use crate::translate::{Refusal, shipped};

/// The url of the shipped map; a map of a site that has it stands in its place.
pub const DEFAULT_MAP: &str = "https://terce.example/fhir/ConceptMap/default";

/// Classifications for billing: their codes have a day and a kind, never a start or an end.
const BILLING: [&str; 8] = [
    "http://www.cms.gov/Medicare/Coding/ICD10",
    "http://www.cms.gov/Medicare/Coding/ICD9",
    "http://hl7.org/fhir/sid/icd-10-pcs",
    "http://hl7.org/fhir/sid/icd-9-cm",
    "http://www.ama-assn.org/go/cpt",
    "https://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets",
    "http://fhir.de/CodeSystem/bfarm/ops",
    "http://fhir.de/CodeSystem/dimdi/ops",
];

type Refusals = Vec<(Source, Refusal)>;

/// What maps say: by target system, source system and source code. An empty meaning makes a code known.
type Said = BTreeMap<(Box<str>, Box<str>, Box<str>), Meaning>;

pub(super) fn read_all(codes: &mut Codes, maps: &[(Source, &[u8])], refusals: &mut Refusals) {
    let mut given: Vec<(Source, ConceptMap)> = Vec::new();
    for (source, body) in maps {
        match whole::<ConceptMap>(body) {
            Ok(map) => given.push((source.clone(), map)),
            Err(refusal) => refusals.push((source.clone(), refusal)),
        }
    }
    given.sort_by(|a, b| a.0.cmp(&b.0));
    let urls: BTreeSet<String> = given.iter().filter_map(|(_, m)| m.url.clone()).collect();
    let mut site = Said::new();
    for (source, map) in &given {
        let mut reader = Reader { source, urls: &urls, said: &mut site, refusals: &mut *refusals };
        reader.map(map);
    }
    let mut said = Said::new();
    if !urls.contains(DEFAULT_MAP)
        && let Some((source, Ok(map))) =
            shipped::document("ConceptMap", "default").map(|s| (s.source(), whole(s.body)))
    {
        Reader { source: &source, urls: &urls, said: &mut said, refusals }.map(&map);
    }
    said.append(&mut site);
    for ((_, system, code), meaning) in &said {
        codes.set(system, code, meaning);
    }
}

/// A definition, if nothing in it could change the meaning of the rest.
pub(super) fn whole<T: Resource>(body: &[u8]) -> Result<T, Refusal> {
    let refusal = |e: ParseError| Refusal::new(e.path, e.message);
    let found = scan(body).map_err(refusal)?;
    if found.has_modifier_extension {
        return Err(Refusal::new(
            T::TYPE.as_str(),
            "a modifierExtension may change the meaning of what it stands in",
        ));
    }
    if found.has_implicit_rules {
        return Err(Refusal::new(
            format!("{}.implicitRules", T::TYPE),
            "rules to read by are not understood here",
        ));
    }
    parse_scanned(body).map_err(refusal)
}

struct Reader<'a> {
    source: &'a Source,
    urls: &'a BTreeSet<String>,
    said: &'a mut Said,
    refusals: &'a mut Refusals,
}

impl Reader<'_> {
    fn refuse(&mut self, path: String, why: impl Into<String>) {
        self.refusals.push((self.source.clone(), Refusal::new(path, why)));
    }

    fn map(&mut self, map: &ConceptMap) {
        if map.status == Some(PublicationStatus::Retired) {
            return self.refuse("ConceptMap.status".into(), "a retired map is not used");
        }
        for (index, group) in map.group.iter().enumerate() {
            let Some(target) = group.target.as_deref() else { continue };
            if own_codes().any(|(system, _)| system == target) {
                self.group(group, target, &format!("ConceptMap.group[{index}]"));
            }
        }
    }

    fn group(&mut self, group: &ConceptMapGroup, target: &str, path: &str) {
        let Some(system) = group.source.as_deref() else {
            return self.refuse(path.to_owned(), "without a source system its codes can never match");
        };
        let mut listed = BTreeSet::new();
        for (index, element) in group.element.iter().enumerate() {
            let Some(code) = element.code.as_deref() else { continue };
            listed.insert(code);
            self.say(target, system, code, Meaning::default());
            for (at, found) in element.target.iter().enumerate() {
                let path = format!("{path}.element[{index}].target[{at}]");
                if let Some(meaning) = self.target(found, target, system, &path) {
                    self.say(target, system, code, meaning);
                }
            }
        }
        let Some(unmapped) = &group.unmapped else { return };
        let path = format!("{path}.unmapped");
        match unmapped.mode {
            ConceptMapUnmappedMode::Provided => {
                for (_, code) in own_codes().filter(|(s, c)| *s == target && !listed.contains(c)) {
                    self.say(target, system, code, own_meaning(target, code).unwrap_or_default());
                }
            }
            ConceptMapUnmappedMode::Fixed => {
                self.refuse(path, "a code that nobody has looked at must not count; list the codes that do");
            }
            ConceptMapUnmappedMode::OtherMap => {
                let url = unmapped.url.as_deref().unwrap_or_default();
                let url = url.split('|').next().unwrap_or_default();
                if !self.urls.contains(url) && url != DEFAULT_MAP {
                    self.refuse(path, "the other map is not here; store it as well");
                }
            }
        }
    }

    fn say(&mut self, target: &str, system: &str, code: &str, meaning: Meaning) {
        let key = (target.into(), system.into(), code.into());
        self.said.entry(key).or_default().add(&meaning);
    }

    /// What one target of an element means, if it counts.
    fn target(
        &mut self,
        target: &ConceptMapGroupElementTarget,
        system: &str,
        source: &str,
        path: &str,
    ) -> Option<Meaning> {
        use ConceptMapEquivalence as E;
        match target.equivalence {
            E::Unmatched | E::Disjoint | E::Narrower => return None,
            E::Inexact if target.comment.is_none() => {
                self.refuse(path.to_owned(), "`inexact` needs a comment that says what is lost (R4, cmd-1)");
                return None;
            }
            E::Inexact
            | E::Equal
            | E::Equivalent
            | E::Wider
            | E::Subsumes
            | E::Specializes
            | E::Relatedto => {}
        }
        if !target.depends_on.is_empty() || !target.product.is_empty() {
            self.refuse(path.to_owned(), "a target that depends on other elements cannot be honoured");
            return None;
        }
        if system == AIRWAY && BILLING.contains(&source) {
            self.refuse(path.to_owned(), "codes of billing never give a start or an end of ventilation");
            return None;
        }
        let meaning = target.code.as_deref().and_then(|code| own_meaning(system, code));
        if meaning.is_none() {
            self.refuse(format!("{path}.code"), format!("not a code of {system}"));
        }
        meaning
    }
}

pub(super) fn read_condition(codes: &mut Codes, condition: &NamedCondition<'_>, refusals: &mut Refusals) {
    let source = Source(format!("ValueSet/{}", condition.name).into());
    let name = Code::new(condition.name);
    // Known by name in any case: a protocol that asks for it is then never met by accident, only without effect
    codes.conditions.insert(name.0.clone(), name.clone());
    let set: ValueSet = match whole(condition.value_set) {
        Ok(set) => set,
        Err(refusal) => return refusals.push((source, refusal)),
    };
    let meaning = Meaning { conditions: Arc::from([name]), ..Meaning::default() };
    let mut refuse = |path: String, why: &str| refusals.push((source.clone(), Refusal::new(path, why)));
    let mut found = 0;
    if let Some(expansion) = &set.expansion {
        for member in &expansion.contains {
            if let (Some(system), Some(code)) = (&member.system, &member.code) {
                codes.set(system, code, &meaning);
                found += 1;
            }
        }
    } else if let Some(compose) = &set.compose {
        if !compose.exclude.is_empty() {
            refuse(
                "ValueSet.compose.exclude".into(),
                "cannot be honoured; list the codes, or send the expansion",
            );
        }
        for (index, include) in compose.include.iter().enumerate() {
            let path = format!("ValueSet.compose.include[{index}]");
            if !include.filter.is_empty() || !include.value_set.is_empty() || include.concept.is_empty() {
                refuse(path, "only listed codes are understood; list them, or send the expansion");
                continue;
            }
            let Some(system) = include.system.as_deref() else { continue };
            for concept in &include.concept {
                codes.set(system, &concept.code, &meaning);
                found += 1;
            }
        }
    }
    if found == 0 {
        refuse("ValueSet".into(), "it holds no codes, so the condition never holds");
    }
}
