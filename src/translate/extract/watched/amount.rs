//! Quantities in whole numbers of a small unit, exactly: a float would lose the 0.20 between 0.40 and 0.60.

use fhir_models::codes::QuantityComparator;
use fhir_models::datatypes::Quantity;

use crate::translate::codes::Watch;

/// How a number in a unit becomes a whole number: `(number * times + plus) / by`, rounded to the nearest.
struct Scale {
    times: i128,
    plus: i128,
    by: i128,
}

const fn times(times: i128, by: i128) -> Scale {
    Scale { times, plus: 0, by }
}

/// A number that lies in the range of what a human can have is taken; another is an error of charting.
struct Range {
    least: i64,
    most: i64,
}

/// The amount of a quantity of `watch`, in the unit of `care::surveillance::charted`; an error says why there is none.
///
/// `<4.0` is less than 4.0 by the smallest step, for the sake of thresholds.
pub(super) fn amount(watch: Watch, quantity: &Quantity) -> Result<i64, &'static str> {
    let text = quantity.value.as_ref().ok_or("its quantity has no value")?.as_str();
    let (mantissa, exponent) = decimal(text).ok_or("its number is out of all measure")?;
    let unit = quantity.code.as_deref().or(quantity.unit.as_deref()).unwrap_or_default().trim();
    let (scale, range) = match watch {
        Watch::Peep => (pressure(unit), Range { least: 0, most: 6_000 }),
        Watch::Fio2 => (oxygen(unit, mantissa, exponent), Range { least: 1_500, most: 10_000 }),
        Watch::Temperature => (temperature(unit), Range { least: 20_000, most: 45_000 }),
        Watch::WhiteCells => (cells(unit), Range { least: 0, most: 2_000_000 }),
        Watch::Mode
        | Watch::PressureRelease
        | Watch::HighFrequency
        | Watch::Extracorporeal
        | Watch::Antimicrobial => return Err("what it names has no amount"),
    };
    let scale = scale.ok_or("its unit is not understood; write UCUM codes")?;
    let value = scaled(mantissa, exponent, &scale).ok_or("its number is out of all measure")?;
    let value = match quantity.comparator {
        Some(QuantityComparator::LessThan) => value - 1,
        Some(QuantityComparator::GreaterThan) => value + 1,
        Some(QuantityComparator::LessOrEqual | QuantityComparator::GreaterOrEqual) | None => value,
    };
    let Range { least, most } = range;
    if (least..=most).contains(&value) {
        Ok(value)
    } else {
        Err("its number is not one that a patient can have")
    }
}

/// In hundredths of cmH2O.
fn pressure(unit: &str) -> Option<Scale> {
    match unit {
        "cm[H2O]" | "cmH2O" | "cm H2O" => Some(times(100, 1)),
        "mbar" | "hPa" => Some(times(1_019_716, 10_000)),
        "kPa" => Some(times(1_019_716, 1_000)),
        "mm[Hg]" => Some(times(135_951, 1_000)),
        _ => None,
    }
}

/// In hundredths of a percent. Fractions are charted as percent and percent as fractions: a number up to 1 can only be
/// the one, a greater number only the other.
fn oxygen(unit: &str, mantissa: i128, exponent: i32) -> Option<Scale> {
    let fraction = scaled(mantissa, exponent, &times(10_000, 1))? <= 10_000;
    match unit {
        "%" | "1" | "{fraction}" | "" => Some(times(if fraction { 10_000 } else { 100 }, 1)),
        _ => None,
    }
}

/// In thousandths of a degree Celsius.
fn temperature(unit: &str) -> Option<Scale> {
    match unit {
        "Cel" | "°C" | "C" => Some(times(1_000, 1)),
        "[degF]" | "°F" | "F" => Some(Scale { times: 5_000, plus: -160_000, by: 9 }),
        "K" => Some(Scale { times: 1_000, plus: -273_150, by: 1 }),
        _ => None,
    }
}

/// In a microlitre, which is a cubic millimetre.
fn cells(unit: &str) -> Option<Scale> {
    match unit {
        "10*3/uL" | "10*9/L" | "10*3/mm3" | "10*6/mL" | "10^3/uL" | "10^9/L" | "K/uL" => {
            Some(times(1_000, 1))
        }
        "/uL" | "/mm3" | "10*6/L" | "{cells}/uL" => Some(times(1, 1)),
        "10*2/uL" => Some(times(100, 1)),
        "10*4/uL" => Some(times(10_000, 1)),
        _ => None,
    }
}

/// Digits and power of ten of a JSON number; none if it has more digits, or lies further out, than anything charted.
fn decimal(text: &str) -> Option<(i128, i32)> {
    let (number, power) = match text.split_once(['e', 'E']) {
        Some((number, power)) => (number, power.parse::<i32>().ok()?),
        None => (text, 0),
    };
    let (whole, part) = number.split_once('.').unwrap_or((number, ""));
    let part = part.trim_end_matches('0');
    let digits = format!("{whole}{part}");
    let exponent = power.checked_sub(i32::try_from(part.len()).ok()?)?;
    if digits.len() > 18 || !(-18..=9).contains(&exponent) {
        return None;
    }
    Some((digits.parse().ok()?, exponent))
}

fn scaled(mantissa: i128, exponent: i32, scale: &Scale) -> Option<i64> {
    let up = 10_i128.checked_pow(exponent.max(0).unsigned_abs())?;
    let down = 10_i128.checked_pow(exponent.min(0).unsigned_abs())?;
    let top =
        mantissa.checked_mul(scale.times)?.checked_mul(up)?.checked_add(scale.plus.checked_mul(down)?)?;
    let bottom = scale.by.checked_mul(down)?;
    let rounded = (top.checked_mul(2)?.checked_add(bottom)?).div_euclid(bottom.checked_mul(2)?);
    i64::try_from(rounded).ok()
}
