//! Group: a set of people or things.

use serde::{Deserialize, Serialize};

use crate::codes::GroupType;
use crate::datatypes::{
    CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Quantity, Range, Reference,
};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Group of multiple entities.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Group {
    /// Logical id, set by the server that holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Version, time of change, profiles, tags.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meta: Option<Meta>,
    /// Rules the content was made under; never to be ignored.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implicit_rules: Option<String>,
    /// Language of the content, a BCP 47 code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// The resource as people read it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<Narrative>,
    /// Resources that live only inside this one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contained: Vec<RawResource>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Unique id.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Whether this group's record is in active use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub active: Option<bool>,
    /// What the members are.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<GroupType>,
    /// What is said of `type` besides its value, or why it has none.
    #[serde(rename = "_type", skip_serializing_if = "Option::is_none")]
    pub type_element: Option<Element>,
    /// Descriptive or actual.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub actual: Option<bool>,
    /// What is said of `actual` besides its value, or why it has none.
    #[serde(rename = "_actual", skip_serializing_if = "Option::is_none")]
    pub actual_element: Option<Element>,
    /// Kind of Group members.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Label for Group.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Number of members.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quantity: Option<u32>,
    /// Entity that is the custodian of the Group's definition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub managing_entity: Option<Reference>,
    /// Include / Exclude group members by Trait.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub characteristic: Vec<GroupCharacteristic>,
    /// Who or what is in group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub member: Vec<GroupMember>,
}

resource!(Group);

impl Rules for Group {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("type", self.r#type.is_some() || self.type_element.is_some()),
            ("actual", self.actual.is_some() || self.actual_element.is_some()),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.reference(
            "managingEntity",
            &self.managing_entity,
            &["Organization", "RelatedPerson", "Practitioner", "PractitionerRole"],
        );
        check.each("characteristic", &self.characteristic, GroupCharacteristic::check);
        check.each("member", &self.member, GroupMember::check);
    }
}

/// Include / Exclude group members by Trait.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct GroupCharacteristic {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Kind of characteristic.
    pub code: CodeableConcept,
    /// Value held by characteristic, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_codeable_concept: Option<CodeableConcept>,
    /// Value held by characteristic, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_boolean: Option<bool>,
    /// Value held by characteristic, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_quantity: Option<Quantity>,
    /// Value held by characteristic, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_range: Option<Box<Range>>,
    /// Value held by characteristic, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_reference: Option<Reference>,
    /// Group includes or excludes.
    pub exclude: bool,
    /// Period over which characteristic is tested.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
}

impl GroupCharacteristic {
    fn check(&self, check: &mut Checker) {
        check.choice(self.value());
        check.period("period", &self.period);
    }
}

choice! {
    /// What [`GroupCharacteristic::value`] holds.
    GroupCharacteristicValue of GroupCharacteristic::value "value[x]" {
        CodeableConcept(CodeableConcept) = value_codeable_concept,
        Boolean(bool) = value_boolean,
        Quantity(Quantity) = value_quantity,
        Range(Range) = value_range,
        Reference(Reference) = value_reference,
    }
}

/// Who or what is in group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct GroupMember {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Reference to the group member.
    pub entity: Reference,
    /// Period member belonged to the group.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
    /// If member is no longer in group.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inactive: Option<bool>,
}

impl GroupMember {
    fn check(&self, check: &mut Checker) {
        check.reference(
            "entity",
            [&self.entity],
            &["Patient", "Practitioner", "PractitionerRole", "Device", "Medication", "Substance", "Group"],
        );
        check.period("period", &self.period);
    }
}
