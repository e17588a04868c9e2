//! R4's data types, complete, each struct with the elements of its StructureDefinition.
//!
//! An element whose value is a primitive is the value alone. What R4 lets stand beside a value (its id, its extensions)
//! is modelled, as `.._element`, only where a value's absence decides something; the document keeps the rest.

mod basic;
mod coding;
mod dosage;
mod knowledge;
mod open;
mod period;
mod person;
mod quantity;
mod reference;
mod text;
mod timing;

pub use basic::{Element, Meta, Narrative};
pub use coding::{CodeableConcept, Coding};
pub use dosage::{Dosage, DosageAsNeeded, DosageDoseAndRate, DosageDoseAndRateDose, DosageDoseAndRateRate};
pub use knowledge::*;
pub(crate) use open::{Absent, open_element, second_value, value_member};
pub use open::{Extension, Value, ValueType};
pub use period::Period;
pub use person::{Address, ContactDetail, ContactPoint, Contributor, HumanName};
pub use quantity::{Age, Count, Distance, Duration, Money, Quantity, Range, Ratio, SampledData};
pub use reference::{Identifier, Reference};
pub use text::{Annotation, AnnotationAuthor, Attachment, Signature};
pub use timing::{Timing, TimingRepeat, TimingRepeatBounds};
