//! Extension, and the elements whose value may be of any data type.
//!
//! Fifty optional fields would make each extension some kilobytes; here the value is one enum, read by the name of its
//! member, and a second value or a name that is no type is an error.

use std::num::NonZeroU32;

use serde::de::{Error, MapAccess};
use serde::ser::SerializeMap;

use super::*;
use crate::primitive::{Date, DateTime, Decimal, InstantTime, Time};

macro_rules! open_value {
    ($($variant:ident($type:ty) = $member:literal),+ $(,)?) => {
        /// The type of a `value[x]` that may be any.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum ValueType {
            $(#[doc = concat!("`", $member, "`")] $variant),+
        }

        /// A `value[x]` that may be of any type.
        #[expect(clippy::large_enum_variant, reason = "whatever holds one holds it in a Box")]
        #[derive(Clone, Debug, PartialEq)]
        pub enum Value {
            $(#[doc = concat!("`", $member, "`")] $variant($type)),+
        }

        impl ValueType {
            /// The type of a member's name, if it is one.
            pub fn of_member(name: &str) -> Option<Self> {
                match name { $($member => Some(Self::$variant),)+ _ => None }
            }

            pub(crate) fn read<'de, A: MapAccess<'de>>(self, map: &mut A) -> Result<Value, A::Error> {
                match self { $(Self::$variant => map.next_value().map(Value::$variant)),+ }
            }
        }

        impl Value {
            /// Its type.
            pub const fn value_type(&self) -> ValueType {
                match self { $(Self::$variant(_) => ValueType::$variant),+ }
            }

            pub(crate) fn write<M: SerializeMap>(&self, map: &mut M) -> Result<(), M::Error> {
                match self { $(Self::$variant(value) => map.serialize_entry($member, value)),+ }
            }
        }
    };
}

open_value! {
    Base64Binary(String) = "valueBase64Binary",
    Boolean(bool) = "valueBoolean",
    Canonical(String) = "valueCanonical",
    Code(String) = "valueCode",
    Date(Date) = "valueDate",
    DateTime(DateTime) = "valueDateTime",
    Decimal(Decimal) = "valueDecimal",
    Id(String) = "valueId",
    Instant(InstantTime) = "valueInstant",
    Integer(i32) = "valueInteger",
    Markdown(String) = "valueMarkdown",
    Oid(String) = "valueOid",
    PositiveInt(NonZeroU32) = "valuePositiveInt",
    String(String) = "valueString",
    Time(Time) = "valueTime",
    UnsignedInt(u32) = "valueUnsignedInt",
    Uri(String) = "valueUri",
    Url(String) = "valueUrl",
    Uuid(String) = "valueUuid",
    Address(Address) = "valueAddress",
    Age(Age) = "valueAge",
    Annotation(Annotation) = "valueAnnotation",
    Attachment(Attachment) = "valueAttachment",
    CodeableConcept(CodeableConcept) = "valueCodeableConcept",
    Coding(Coding) = "valueCoding",
    ContactPoint(ContactPoint) = "valueContactPoint",
    Count(Count) = "valueCount",
    Distance(Distance) = "valueDistance",
    Duration(Duration) = "valueDuration",
    HumanName(HumanName) = "valueHumanName",
    Identifier(Identifier) = "valueIdentifier",
    Money(Money) = "valueMoney",
    Period(Period) = "valuePeriod",
    Quantity(Quantity) = "valueQuantity",
    Range(Range) = "valueRange",
    Ratio(Ratio) = "valueRatio",
    Reference(Reference) = "valueReference",
    SampledData(SampledData) = "valueSampledData",
    Signature(Signature) = "valueSignature",
    Timing(Timing) = "valueTiming",
    ContactDetail(ContactDetail) = "valueContactDetail",
    Contributor(Contributor) = "valueContributor",
    DataRequirement(DataRequirement) = "valueDataRequirement",
    Expression(Expression) = "valueExpression",
    ParameterDefinition(ParameterDefinition) = "valueParameterDefinition",
    RelatedArtifact(RelatedArtifact) = "valueRelatedArtifact",
    TriggerDefinition(TriggerDefinition) = "valueTriggerDefinition",
    UsageContext(UsageContext) = "valueUsageContext",
    Dosage(Dosage) = "valueDosage",
    Meta(Meta) = "valueMeta",
}

/// Whether a type's absence has a value of its own.
pub(crate) trait Absent: Sized {
    /// The value that an absent element has; none for a required one.
    fn absent() -> Option<Self>;
    /// Whether there is nothing to write.
    fn is_absent(&self) -> bool;
}

impl<T> Absent for Option<T> {
    fn absent() -> Option<Self> {
        Some(None)
    }
    fn is_absent(&self) -> bool {
        self.is_none()
    }
}

impl<T> Absent for Vec<T> {
    fn absent() -> Option<Self> {
        Some(Vec::new())
    }
    fn is_absent(&self) -> bool {
        self.is_empty()
    }
}

impl Absent for String {
    fn absent() -> Option<Self> {
        None
    }
    fn is_absent(&self) -> bool {
        false
    }
}

impl Absent for CodeableConcept {
    fn absent() -> Option<Self> {
        None
    }
    fn is_absent(&self) -> bool {
        false
    }
}

/// What the name of a member says of an open value; nothing when the member is no value.
pub(crate) fn value_member<E: Error>(name: &str) -> Result<Option<ValueType>, E> {
    let typed = name.strip_prefix("value").is_some_and(|t| t.starts_with(|c: char| c.is_ascii_uppercase()));
    if !typed {
        return Ok(None);
    }
    ValueType::of_member(name).map(Some).ok_or_else(|| {
        E::custom(crate::error::Refusal {
            kind: crate::IssueKind::Structure,
            message: format!("{} is no type that value[x] can have", crate::error::quoted(name)),
        })
    })
}

/// A struct with a `value` that may be of any type.
macro_rules! open_element {
    (
        $(#[$doc:meta])*
        $name:ident {
            $($(#[$field_doc:meta])* $field:ident: $type:ty = $member:literal,)+
        }
    ) => {
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq)]
        pub struct $name {
            $($(#[$field_doc])* pub $field: $type,)+
            /// Its `value[x]`.
            pub value: Option<Box<crate::datatypes::Value>>,
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                use crate::datatypes::Absent as _;
                use serde::ser::SerializeMap as _;
                let mut map = serializer.serialize_map(None)?;
                $(
                    if !self.$field.is_absent() {
                        map.serialize_entry($member, &self.$field)?;
                    }
                )+
                if let Some(value) = &self.value {
                    value.write(&mut map)?;
                }
                map.end()
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct Members;

                impl<'de> serde::de::Visitor<'de> for Members {
                    type Value = $name;

                    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                        f.write_str(concat!("struct ", stringify!($name)))
                    }

                    fn visit_map<A: serde::de::MapAccess<'de>>(self, mut map: A) -> Result<$name, A::Error> {
                        $(let mut $field: Option<$type> = None;)+
                        let mut value = None;
                        while let Some(member) = map.next_key::<std::borrow::Cow<'de, str>>()? {
                            match member.as_ref() {
                                $($member => $field = Some(map.next_value()?),)+
                                other => match crate::datatypes::value_member(other)? {
                                    None => {
                                        map.next_value::<serde::de::IgnoredAny>()?;
                                    }
                                    Some(_) if value.is_some() => {
                                        return Err(serde::de::Error::custom(crate::datatypes::second_value()));
                                    }
                                    Some(of) => value = Some(Box::new(of.read(&mut map)?)),
                                },
                            }
                        }
                        Ok($name {
                            $($field: $field
                                .or_else(<$type as crate::datatypes::Absent>::absent)
                                .ok_or_else(|| serde::de::Error::missing_field($member))?,)+
                            value,
                        })
                    }
                }

                deserializer.deserialize_map(Members)
            }
        }
    };
}
pub(crate) use open_element;

/// The refusal of a second `value[x]`.
pub(crate) fn second_value() -> crate::error::Refusal {
    crate::error::Refusal {
        kind: crate::IssueKind::Structure,
        message: "more than one type of value[x] is present".to_owned(),
    }
}

open_element! {
    /// What R4 has no element for.
    Extension {
        /// Id of the element within its resource.
        id: Option<String> = "id",
        /// Extensions of this extension: its parts, where it has several.
        extension: Vec<Extension> = "extension",
        /// What it means.
        url: String = "url",
    }
}
