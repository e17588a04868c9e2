//! Codes, protocols and settings in force: the configuration together with the site's own definitions.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::care::facts::Source;
use crate::care::protocol::{Protocol, Rules};
use crate::config::Config;
use crate::translate::codes::{Codes, NamedCondition};
use crate::translate::{Refusal, Settings, protocol, shipped};

/// Codes, protocols and settings in force.
#[derive(Debug)]
pub struct Site {
    /// The rules.
    pub rules: Rules,
    /// Codes.
    pub codes: Codes,
    /// What the reading of documents needs to know.
    pub settings: Settings,
    /// Owners of Tasks by unit.
    pub owners: BTreeMap<Arc<str>, String>,
    /// The site's own ConceptMaps, as id and bytes.
    pub maps: Vec<(String, Vec<u8>)>,
    /// Definitions of the site that cannot be honoured, by document; they have no effect.
    pub refused: Vec<(String, Refusal)>,
}

/// The site's own definitions, as id and bytes.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Definitions {
    /// ConceptMaps.
    pub maps: Vec<(String, Vec<u8>)>,
    /// ValueSets.
    pub value_sets: Vec<(String, Vec<u8>)>,
    /// PlanDefinitions; one stands in place of a shipped one of the same id.
    pub plans: Vec<(String, Vec<u8>)>,
}

impl Site {
    /// The site of `config` with the shipped definitions and its own. What cannot be honoured is in
    /// [`Site::refused`] and has no effect.
    ///
    /// # Errors
    /// The configuration names a protocol that is not among them.
    pub fn of(config: &Config, definitions: &Definitions) -> anyhow::Result<Site> {
        let mut refused = Vec::new();
        let (codes, bad) = codes(&definitions.maps, &definitions.value_sets, config);
        refused.extend(bad);
        let mut protocols: Vec<Protocol> = Vec::new();
        let plans = &definitions.plans;
        let own = shipped::ALL
            .iter()
            .filter(|s| s.kind == "PlanDefinition" && plans.iter().all(|(id, _)| id != s.id));
        let shipped = own.map(|s| (s.id.to_owned(), s.body.to_vec()));
        for (id, body) in shipped.chain(plans.iter().cloned()) {
            match protocol::protocol(&id, &body, &codes) {
                Ok(protocol) => protocols.push(protocol),
                Err(refusals) => {
                    refused.extend(refusals.into_iter().map(|r| (format!("PlanDefinition/{id}"), r)))
                }
            }
        }
        // in the order of their names: a shipped plan that is stored as it is changes nothing
        protocols.sort_by(|a, b| a.name.cmp(&b.name));
        let rules = config.rules(protocols).map_err(|names| anyhow::anyhow!(names.join("; ")))?;
        let (settings, owners, maps) = (config.settings(), config.owners(), definitions.maps.clone());
        Ok(Site { rules, codes, settings, owners, maps, refused })
    }
}

impl Site {
    /// The same site, with texts of its own for a thread of its own.
    pub fn apart(&self) -> Site {
        Site {
            rules: self.rules.apart(),
            codes: self.codes.apart(),
            settings: self.settings.clone(),
            owners: self.owners.clone(),
            maps: self.maps.clone(),
            refused: self.refused.clone(),
        }
    }
}

/// The codes of the shipped and the stored maps, and the conditions that the configuration names.
fn codes(
    maps: &[(String, Vec<u8>)],
    value_sets: &[(String, Vec<u8>)],
    config: &Config,
) -> (Codes, Vec<(String, Refusal)>) {
    let source = |id: &str| Source::new(&format!("ConceptMap/{id}"));
    let maps: Vec<(Source, &[u8])> = maps.iter().map(|(id, body)| (source(id), body.as_slice())).collect();
    let named = config.site.conditions.iter().filter_map(|name| {
        let (_, body) = value_sets.iter().find(|(id, _)| id == name)?;
        Some(NamedCondition { name, value_set: body })
    });
    let named: Vec<NamedCondition<'_>> = named.collect();
    let (codes, refused) = Codes::build(&maps, &named);
    let absent = config.site.conditions.iter().filter(|name| named.iter().all(|n| n.name != **name));
    let absent = absent.map(|name| {
        let why = "the configuration names it as a condition of patients, and it is not stored";
        (format!("ValueSet/{name}"), Refusal::new("ValueSet", why))
    });
    let refused = refused.into_iter().map(|(source, refusal)| (source.0.to_string(), refusal));
    (codes, refused.chain(absent).collect())
}
