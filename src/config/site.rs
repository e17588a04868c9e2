//! What a site says of itself: its zone, its times, its units.

use std::collections::BTreeMap;

use chrono::NaiveTime;
use chrono_tz::Tz;
use serde::Deserialize;

use super::{Site, SiteUnit};
use crate::care::protocol::{Rules, Shift};
use crate::care::time::Length;

/// As written.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct SiteFile {
    zone: Option<String>,
    protocol: Option<String>,
    away: Vec<String>,
    conditions: Vec<String>,
    shifts: BTreeMap<String, String>,
    census_at: Option<String>,
    charting_allowance_minutes: Option<u32>,
    bridge_minutes: Option<u32>,
    regrace_minutes: Option<u32>,
    hold_minutes: Option<u32>,
}

impl Site {
    /// In UTC, with the adult protocol everywhere.
    pub(super) fn standard() -> Self {
        Site {
            standard: Rules::standard(Tz::UTC),
            protocol: "adult".to_owned(),
            units: Vec::new(),
            away: Vec::new(),
            conditions: Vec::new(),
        }
    }
}

/// The site of a file and its units, in their order.
pub(super) fn read(file: SiteFile, units: Vec<SiteUnit>, errors: &mut Vec<String>) -> Site {
    let mut site = Site::standard();
    let standard = &mut site.standard;
    if let Some(zone) = file.zone {
        match zone.parse() {
            Ok(zone) => standard.zone = zone,
            Err(_) => errors.push(format!("site.zone: \"{zone}\" is not a zone of the IANA database")),
        }
    }
    let mut clock = |name: &str, text: &str| {
        let time = NaiveTime::parse_from_str(text, "%H:%M");
        if time.is_err() {
            errors.push(format!("{name}: \"{text}\" is not a time of day; expected HH:MM"));
        }
        time.unwrap_or_default()
    };
    if let Some(time) = &file.census_at {
        standard.census_at = clock("site.census_at", time);
    }
    if !file.shifts.is_empty() {
        let shift = |(name, from): (&String, &String)| Shift {
            name: name.as_str().into(),
            from: clock(&format!("site.shifts.{name}"), from),
        };
        standard.shifts = file.shifts.iter().map(shift).collect();
        standard.shifts.sort_by_key(|s| s.from);
    }
    let minutes = |m: Option<u32>, or: Length| m.map_or(or, |m| Length::minutes(m.into()));
    standard.allowance = minutes(file.charting_allowance_minutes, standard.allowance);
    standard.bridge = minutes(file.bridge_minutes, standard.bridge);
    standard.regrace = minutes(file.regrace_minutes, standard.regrace);
    standard.hold = minutes(file.hold_minutes, standard.hold);
    site.protocol = file.protocol.unwrap_or(site.protocol);
    Site { away: file.away, units, conditions: file.conditions, ..site }
}
