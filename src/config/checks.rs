//! What the parts of the file say of each other: names that must be there, and only once.

use std::path::Path;

use super::{Config, Folder, References};

impl Config {
    /// Takes over where references are fetched from, and reads what sources prove themselves with.
    pub(super) fn settle_sources(
        &mut self,
        references: Option<References>,
        folder: &Path,
        errors: &mut Vec<String>,
    ) {
        self.references = references;
        for (index, source) in self.sources.iter_mut().enumerate() {
            let wrong = source.notify.iter_mut().flat_map(|notify| notify.settle(&self.servers, folder));
            errors.extend(wrong.map(|why| format!("source[{index}].notify.{why}")));
            let wrong = source.stream.iter_mut().flat_map(|stream| stream.settle(folder));
            errors.extend(wrong.map(|why| format!("source[{index}].stream.{why}")));
            for (n, expect) in source.expect.iter_mut().enumerate() {
                let wrong = expect.settle(&self.site.units).into_iter();
                errors.extend(wrong.map(|why| format!("source[{index}].expect[{n}].{why}")));
            }
        }
        if let Some(References { server, .. }) = &self.references
            && self.server(server).is_none()
        {
            errors.push(format!("references.server: there is no [[server]] named \"{server}\""));
        }
    }

    /// Everything that is wrong with names, and with what is named elsewhere.
    pub(super) fn check_names(&self, errors: &mut Vec<String>) {
        let locations = self.site.units.iter().map(|u| &u.location);
        for (index, location) in locations.clone().enumerate() {
            if !fhir_models::primitive::is_id(location) {
                errors.push(format!("unit[{index}].location: \"{location}\" is not a FHIR id"));
            }
            if locations.clone().take(index).any(|l| l == location) {
                errors.push(format!("unit[{index}].location: \"{location}\" is there already"));
            }
        }
        for away in self.site.away.iter().filter(|a| !fhir_models::primitive::is_id(a)) {
            errors.push(format!("site.away: \"{away}\" is not a FHIR id"));
        }
        for (index, delivery) in self.deliveries.iter().enumerate() {
            let before = self.deliveries.get(..index).unwrap_or_default();
            let wrong = delivery.wrong(&self.servers, before);
            errors.extend(wrong.iter().map(|why| format!("deliver[{index}].{why}")));
        }
        for (index, source) in self.sources.iter().enumerate() {
            if source.heartbeat_seconds == 0 {
                errors.push(format!("source[{index}].heartbeat_seconds: must be more than 0"));
            }
            let wrong = source.poll.iter().flat_map(|poll| poll.wrong(&self.servers));
            errors.extend(wrong.map(|why| format!("source[{index}].poll.{why}")));
            let wrong = source.bulk.iter().flat_map(|bulk| bulk.wrong(&self.servers));
            errors.extend(wrong.map(|why| format!("source[{index}].bulk.{why}")));
            let wrong = source.folder.iter().flat_map(Folder::wrong);
            errors.extend(wrong.map(|why| format!("source[{index}].folder.{why}")));
            if source.name == "letters" {
                errors.push(format!("source[{index}].name: /feed/letters is where dead letters are"));
            }
            if !fhir_models::primitive::is_id(&source.name) {
                errors.push(format!(
                    "source[{index}].name: \"{}\" may hold letters, digits, - and . only",
                    source.name
                ));
            }
        }
    }
}
