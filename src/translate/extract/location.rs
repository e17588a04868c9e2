//! Location: where a place is, and whether it is a ward.

use fhir_models::Location;

use super::reading::Reading;
use super::{LocationSays, Tell};

/// R4's system of physical types of places.
const PHYSICAL: &str = "http://terminology.hl7.org/CodeSystem/location-physical-type";

pub(super) fn read(location: &Location, reading: &mut Reading<'_>) {
    let mut types = location.physical_type.iter().flat_map(|t| &t.coding);
    let ward = types.any(|c| c.system.as_deref() == Some(PHYSICAL) && c.code.as_deref() == Some("wa"));
    let part_of = reading.id(location.part_of.as_ref(), "Location");
    let name = location.name.as_deref().map(Into::into);
    reading.tell(Tell::Location(Box::new(LocationSays { ward, part_of, name })));
}
