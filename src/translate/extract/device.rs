//! Device and DeviceUseStatement: what was used, and when.

use fhir_models::codes::{DeviceStatementStatus, DeviceStatus};
use fhir_models::datatypes::Reference;
use fhir_models::device_use_statement::DeviceUseStatementTiming;
use fhir_models::{Device, DeviceUseStatement};

use super::reading::{Outline, Reading, Vague};
use super::{ActiveSpan, DeviceSays, DeviceUseSays, Tell};
use crate::care::facts::{Proof, When};
use crate::translate::document::Target;

pub(super) fn read(device: &Device, reading: &mut Reading<'_>) {
    let meaning = reading.concept(device.r#type.as_ref());
    if device.status == Some(DeviceStatus::EnteredInError) {
        return;
    }
    let active = if meaning.airways.device() { active(device, reading) } else { Box::default() };
    let (airways, activities) = (meaning.airways, meaning.activities);
    reading.tell(Tell::Device(Box::new(DeviceSays { airways, activities, active })));
}

/// Runs of versions that say `active` for one patient; each lasts until the first version that says otherwise.
fn active(device: &Device, reading: &mut Reading<'_>) -> Box<[ActiveSpan]> {
    let mut spans: Vec<ActiveSpan> = Vec::new();
    for version in reading.versions {
        let outline = Outline::of(version).unwrap_or_default();
        let told = outline.told(version);
        let patient = outline.patient.and_then(|p| p.reference);
        let patient = reading.id(Some(&Reference { reference: patient, ..Reference::default() }), "Patient");
        let on = !version.deleted && outline.status.as_deref() == Some("active");
        match spans.last_mut().filter(|s| s.to.is_none()) {
            Some(open) if on && open.patient == patient => continue,
            Some(open) => open.to = Some(told.max(open.from)),
            None => {}
        }
        if on {
            spans.push(ActiveSpan { patient, from: told, to: None });
        }
    }
    // Every earlier version matters here, whatever the current one says
    reading.told_since(super::reading::said_at(device.meta.as_ref()), |_| false);
    spans.into()
}

pub(super) fn read_use(statement: &DeviceUseStatement, reading: &mut Reading<'_>) {
    let status = match statement.status {
        Some(DeviceStatementStatus::EnteredInError | DeviceStatementStatus::Intended) => return,
        Some(status) => status,
        None => return reading.doubt("its status has no value; it tells nothing"),
    };
    let (span, doubt) = match span(statement, status, reading) {
        Ok((from, to, doubt)) => (Some((from, to)), doubt),
        Err(why) => (None, Some(why)),
    };
    let doubt = doubt.map(Into::into);
    match reading.bases.target(&statement.device) {
        Target::Here("Device", id) => {
            let device = id.into();
            reading.tell(Tell::DeviceUse(Box::new(DeviceUseSays { device, span, doubt })));
        }
        Target::Inside(id) => {
            let devices = statement.contained.iter().filter_map(|c| c.parse::<Device>().ok());
            let found = devices.into_iter().find(|d| d.id.as_deref() == Some(id));
            let meaning = found.map(|d| reading.concept(d.r#type.as_ref())).unwrap_or_default();
            if !meaning.airways.device() {
                return;
            }
            if let Some(why) = doubt {
                reading.doubt(why);
            }
            if let Some((from, to)) = span {
                reading.tell(Tell::Ventilated { from, to, proof: Proof::DeviceUse });
            }
        }
        Target::Here(..) | Target::Elsewhere => {
            reading.doubt("its device is not a document of this server; it tells nothing");
        }
    }
}

type Used = (When, Option<When>, Option<&'static str>);

fn span(
    statement: &DeviceUseStatement,
    status: DeviceStatementStatus,
    reading: &mut Reading<'_>,
) -> Result<Used, &'static str> {
    let when = |said| reading.when(said).map_err(Vague::why);
    let (from, to) = match statement.timing() {
        Err(_) => return Err("it says twice when it was; it tells nothing"),
        Ok(Some(DeviceUseStatementTiming::Timing(_))) => {
            return Err("its time is a schedule; it tells nothing");
        }
        Ok(Some(DeviceUseStatementTiming::DateTime(at))) => (Some(when(at)?), None),
        Ok(Some(DeviceUseStatementTiming::Period(period))) => reading.period(period)?,
        Ok(None) => (None, None),
    };
    let recorded = statement.recorded_on.as_ref().map(when).transpose()?;
    let (from, guessed) = match (from, recorded) {
        (Some(from), _) => (from, None),
        (None, Some(on)) => (on, Some("its use has no start; taken from when it was recorded")),
        (None, None) => return Err("its use has no start; it tells nothing"),
    };
    match status {
        DeviceStatementStatus::Active => Ok((from, to, guessed)),
        DeviceStatementStatus::OnHold => Ok((
            from,
            to,
            Some("its use is on hold; taken to go on until its end or an extubation is charted"),
        )),
        DeviceStatementStatus::Completed | DeviceStatementStatus::Stopped if to.is_some() => {
            Ok((from, to, guessed))
        }
        DeviceStatementStatus::Completed | DeviceStatementStatus::Stopped => {
            let same = |o: &Outline| o.status.as_deref() == Some(status.as_str());
            let ended = When::At(reading.told_since(super::reading::said_at(statement.meta.as_ref()), same));
            Ok((
                from,
                Some(ended),
                Some("it is over and has no end; taken to have ended when that was charted"),
            ))
        }
        DeviceStatementStatus::EnteredInError | DeviceStatementStatus::Intended => Err("not in use"),
    }
}
