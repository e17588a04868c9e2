//! Lengths of time, exactly.

use fhir_models::datatypes::Quantity;
use fhir_models::primitive::Decimal;

use crate::care::time::Length;

/// UCUM, the only system of units that is understood.
const UCUM: &str = "http://unitsofmeasure.org";

/// Microseconds of a unit of time whose length is fixed; days are calendar days and have none.
pub(super) fn unit(code: &str) -> Option<i64> {
    match code {
        "s" => Some(1_000_000),
        "min" => Some(60_000_000),
        "h" => Some(3_600_000_000),
        _ => None,
    }
}

/// `number` times `unit_us`, if that is a whole number of microseconds and fits.
pub(super) fn length(number: &Decimal, unit_us: i64) -> Option<Length> {
    let text = number.as_str();
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (text, 0),
    };
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits: i128 = format!("{whole}{fraction}").parse().ok()?;
    let scale = exponent.checked_sub(i32::try_from(fraction.len()).ok()?)?;
    let scaled = digits.checked_mul(i128::from(unit_us))?;
    let power = 10_i128.checked_pow(scale.unsigned_abs())?;
    let us = if scale >= 0 {
        scaled.checked_mul(power)?
    } else {
        (scaled % power == 0).then_some(scaled / power)?
    };
    i64::try_from(us).ok().map(Length::micros)
}

/// The length that a Quantity of time says, or what is wrong with it.
pub(super) fn quantity(quantity: &Quantity) -> Result<Length, &'static str> {
    if quantity.comparator.is_some() {
        return Err("a comparator is not understood; say the number");
    }
    if quantity.system.as_deref() != Some(UCUM) {
        return Err("a length of time has its unit as a code of UCUM, with its system");
    }
    let code = quantity.code.as_deref().unwrap_or_default();
    let unit = unit(code).ok_or("expected s, min or h; days are calendar days and have no fixed length")?;
    let value = quantity.value.as_ref().ok_or("it has no value")?;
    length(value, unit).ok_or("not a length of time that can be counted with")
}
