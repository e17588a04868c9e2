//! Quantities in a query and in a document. A number in a query means what its digits say: `5.4` is anything from 5.35 to
//! 5.45, and a tenth is near (R4, "number" and "quantity"). Units are compared as they are written, none is converted.

use std::cmp::Ordering;

use serde_json::Value;

use super::dates::Prefix;
use super::path::Found;

/// A decimal number: `digits` times ten to the power of `-scale`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Decimal {
    digits: i128,
    scale: u32,
}

/// More digits than anybody measures, and few enough that any two numbers can be compared.
const DIGITS: u32 = 18;

/// What a query asks of a quantity.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Amount {
    prefix: Prefix,
    value: Decimal,
    /// How far what is written as the same number lies from it at most.
    half: Decimal,
    /// The system of the unit; empty: any.
    system: String,
    /// The unit or its code; empty: any.
    unit: String,
}

/// Both ends of a quantity in a document; none: it has no end there.
#[derive(Clone, Copy, Debug)]
struct Extent {
    low: Option<Decimal>,
    high: Option<Decimal>,
}

impl Decimal {
    /// Reads `-12.50` or `1.25e1`; none if it is no number, or has more digits than can be compared.
    fn read(text: &str) -> Option<Decimal> {
        let (digits, scale) = Decimal::parts(text)?;
        let digits = digits.checked_mul(10_i128.pow(u32::try_from(-scale).unwrap_or(0)))?;
        let comparable = digits.unsigned_abs() < 10_u128.pow(DIGITS);
        comparable.then_some(Decimal { digits, scale: u32::try_from(scale).unwrap_or(0) })
    }

    /// The digits of a number, and how many of them come after its point; before it, if less than none.
    fn parts(text: &str) -> Option<(i128, i32)> {
        let (mantissa, exponent) = match text.split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
            None => (text, 0),
        };
        let (sign, plain) = match mantissa.strip_prefix('-') {
            Some(plain) => (-1, plain),
            None => (1, mantissa.strip_prefix('+').unwrap_or(mantissa)),
        };
        let (whole, fraction) = plain.split_once('.').unwrap_or((plain, ""));
        let all = format!("{whole}{fraction}");
        let digits = !whole.is_empty() && all.bytes().all(|b| b.is_ascii_digit()) && !plain.ends_with('.');
        let scale = i32::try_from(fraction.len()).ok()?.checked_sub(exponent)?;
        let most = usize::try_from(DIGITS).ok()?;
        if !digits || all.trim_start_matches('0').len() > most || scale.unsigned_abs() > DIGITS {
            return None;
        }
        Some((sign * all.parse::<i128>().ok()?, scale))
    }

    fn plus(self, other: Decimal) -> Decimal {
        let scale = self.scale.max(other.scale);
        Decimal { digits: self.at(scale) + other.at(scale), scale }
    }

    fn minus(self, other: Decimal) -> Decimal {
        self.plus(Decimal { digits: -other.digits, ..other })
    }

    /// As a whole number of units of ten to the power of `-scale`, where `scale` is not less than its own.
    fn at(self, scale: u32) -> i128 {
        self.digits * 10_i128.pow(scale - self.scale.min(scale))
    }

    fn compare(self, other: Decimal) -> Ordering {
        let scale = self.scale.max(other.scale);
        self.at(scale).cmp(&other.at(scale))
    }
}

impl Amount {
    /// Reads `[prefix]number`, or that with `|system|code`; none if it is no quantity.
    pub(super) fn read(text: &str) -> Option<(Amount, &str)> {
        let (number, unit) = text.split_once('|').unwrap_or((text, ""));
        let (prefix, number) = Prefix::split(number);
        let (value, (_, scale)) = (Decimal::read(number)?, Decimal::parts(number)?);
        let half = match u32::try_from(scale) {
            Ok(scale) => Decimal { digits: 5, scale: scale + 1 },
            // by R4's own example 1e2 lies from 95 to 105
            Err(_) => Decimal { digits: 5 * 10_i128.pow(scale.unsigned_abs() - 1), scale: 1 },
        };
        Some((Amount { prefix, value, half, system: String::new(), unit: String::new() }, unit))
    }

    /// With its unit.
    pub(super) fn of(self, system: String, unit: String) -> Amount {
        Amount { system, unit, ..self }
    }

    /// Whether a quantity in a document is so.
    pub(super) fn fits(&self, found: Found<'_>) -> bool {
        let value = found.value;
        let text = |name: &str| value.get(name).and_then(Value::as_str).unwrap_or_default();
        let part = value.get("low").or_else(|| value.get("high")).or_else(|| value.get("origin"));
        let of = |name: &str| part.and_then(|p| p.get(name)?.as_str()).unwrap_or_else(|| text(name));
        let unit = self.unit.is_empty()
            || of("code") == self.unit
            || (self.system.is_empty() && of("unit") == self.unit);
        let system = self.system.is_empty() || of("system") == self.system;
        unit && system && extent(value).is_some_and(|there| self.lies(there))
    }

    fn lies(&self, there: Extent) -> bool {
        let Extent { low, high } = there;
        let wanted = self.value;
        // an end that is not there is beyond everything
        let low_is = |is: fn(Ordering) -> bool, than: Decimal| low.is_some_and(|l| is(l.compare(than)));
        let high_is = |is: fn(Ordering) -> bool, than: Decimal| high.is_some_and(|h| is(h.compare(than)));
        let half = self.half;
        let same =
            || low_is(Ordering::is_ge, wanted.minus(half)) && high_is(Ordering::is_lt, wanted.plus(half));
        let tenth = Decimal { digits: wanted.digits.abs(), scale: wanted.scale + 1 };
        match self.prefix {
            Prefix::Eq => same(),
            Prefix::Ne => !same(),
            Prefix::Gt => high.is_none() || high_is(Ordering::is_gt, wanted),
            Prefix::Ge => high.is_none() || high_is(Ordering::is_ge, wanted),
            Prefix::Lt => low.is_none() || low_is(Ordering::is_lt, wanted),
            Prefix::Le => low.is_none() || low_is(Ordering::is_le, wanted),
            Prefix::Sa => low_is(Ordering::is_gt, wanted),
            Prefix::Eb => high_is(Ordering::is_lt, wanted),
            Prefix::Ap => {
                (low.is_none() || low_is(Ordering::is_le, wanted.plus(tenth)))
                    && (high.is_none() || high_is(Ordering::is_ge, wanted.minus(tenth)))
            }
        }
    }
}

/// The extent of a quantity, a range or sampled data; none if it has no number.
fn extent(value: &Value) -> Option<Extent> {
    let number = |value: &Value, name: &str| Decimal::read(&value.get(name)?.to_string());
    if value.get("origin").is_some() {
        // where its samples lie between is said in these, if it is said
        let (low, high) = (number(value, "lowerLimit"), number(value, "upperLimit"));
        return (low.is_some() || high.is_some()).then_some(Extent { low, high });
    }
    let ends = [value.get("low"), value.get("high")];
    if ends.iter().any(Option::is_some) {
        let [low, high] = ends.map(|end| end.and_then(|end| number(end, "value")));
        return (low.is_some() || high.is_some()).then_some(Extent { low, high });
    }
    let there = number(value, "value")?;
    let (low, high) = match value.get("comparator").and_then(Value::as_str) {
        Some("<" | "<=") => (None, Some(there)),
        Some(">" | ">=") => (Some(there), None),
        _ => (Some(there), Some(there)),
    };
    Some(Extent { low, high })
}

/// A quantity as it is sorted: by its number, whatever its unit; of a range by its lower end.
pub(super) fn sortable(value: &Value) -> Option<i64> {
    let Extent { low, high } = extent(value)?;
    let Decimal { digits, scale } = low.or(high)?;
    #[allow(clippy::cast_precision_loss, reason = "near numbers may be sorted as equal")]
    let number = digits as f64 / 10_f64.powi(i32::try_from(scale).ok()?);
    // bits of floating-point numbers are in their order but for the sign
    let bits = number.to_bits().cast_signed();
    Some(if bits < 0 { bits ^ i64::MAX } else { bits })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn fits(query: &str, value: &Value) -> bool {
        let (amount, unit) = Amount::read(query).unwrap();
        let (system, unit) = unit.split_once('|').unwrap_or(("", unit));
        amount.of(system.to_owned(), unit.to_owned()).fits(Found { of: "Quantity", value })
    }

    #[test]
    fn a_number_means_what_its_digits_say() {
        for (query, fit, not) in [
            ("5.4", vec!["5.35", "5.4", "5.4499"], vec!["5.3499", "5.45", "-5.4"]),
            ("5.40", vec!["5.395", "5.404"], vec!["5.394", "5.405", "5.35"]),
            ("100", vec!["99.5", "100.4"], vec!["100.5", "99.4"]),
            ("-5.4", vec!["-5.4", "-5.45"], vec!["-5.35", "5.4"]),
            ("ne5.4", vec!["5.45", "0"], vec!["5.4", "5.35"]),
            ("gt5.4", vec!["5.41", "5.4000001"], vec!["5.4", "5.3"]),
            ("ge5.4", vec!["5.4", "6"], vec!["5.39"]),
            ("lt5.4", vec!["5.39", "-7"], vec!["5.4"]),
            ("le5.4", vec!["5.4", "0"], vec!["5.41"]),
            ("sa5.4", vec!["5.41"], vec!["5.4"]),
            ("eb5.4", vec!["5.39"], vec!["5.4"]),
            ("ap100", vec!["90", "110", "95.5"], vec!["89.9", "110.1"]),
            ("ap-100", vec!["-90", "-110"], vec!["-89.9", "100"]),
            ("5.40e-3", vec!["0.00540"], vec!["0.0055"]),
            ("1e2", vec!["95", "104.9"], vec!["94.9", "105"]),
            ("1.2e1", vec!["11.5", "12.4"], vec!["11.4", "12.5"]),
        ] {
            for (values, wanted) in [(fit, true), (not, false)] {
                for value in values {
                    let value: Value = serde_json::from_str(&format!("{{\"value\":{value}}}")).unwrap();
                    assert_eq!(fits(query, &value), wanted, "{query} {value}");
                }
            }
        }
        for no in ["", "x", "5.", ".5", "gt", "5,4", "1e400", "--5", "1234567890123456789012"] {
            assert!(Amount::read(no).is_none(), "{no}");
        }
    }

    #[test]
    fn units_are_compared_as_they_are_written() {
        let ucum = "http://unitsofmeasure.org";
        let peep = json!({ "value": 8, "unit": "cmH2O", "system": ucum, "code": "cm[H2O]" });
        for (query, wanted) in [
            ("8", true),
            ("8|http://unitsofmeasure.org|cm[H2O]", true),
            ("8||cm[H2O]", true),
            ("8||cmH2O", true),
            ("8|http://unitsofmeasure.org|cmH2O", false),
            ("8|urn:other|cm[H2O]", false),
            ("8||mm[Hg]", false),
            ("8|http://unitsofmeasure.org|", true),
        ] {
            assert_eq!(fits(query, &peep), wanted, "{query}");
        }
    }

    #[test]
    fn what_has_two_ends_or_only_one_lies_as_r4_says() {
        let range = json!({ "low": { "value": 5, "unit": "a" }, "high": { "value": 7, "unit": "a" } });
        let below = json!({ "value": 5, "comparator": "<" });
        let above = json!({ "low": { "value": 5 } });
        for (value, fit, not) in [
            (
                &range,
                vec!["gt6", "lt6", "sa4", "eb8", "ap6", "ge7", "le5||a"],
                vec!["6", "sa6", "gt7", "6||b"],
            ),
            (&below, vec!["lt5", "lt1", "le5", "eb6", "ne5"], vec!["5", "sa1", "gt5"]),
            (&above, vec!["gt100", "sa4", "ge5"], vec!["eb9", "lt5", "5"]),
        ] {
            for query in fit {
                assert!(fits(query, value), "{query} {value}");
            }
            for query in not {
                assert!(!fits(query, value), "{query} {value}");
            }
        }
        assert!(!fits("ne5", &json!({ "unit": "a" })), "what has no number is not another one");
    }

    #[test]
    fn quantities_are_sorted_by_their_numbers() {
        let numbers = ["-10", "-9.5", "-0.1", "0", "0.25", "3", "12", "100"];
        let keys =
            numbers.map(|n| sortable(&serde_json::from_str(&format!("{{\"value\":{n}}}")).unwrap()).unwrap());
        assert!(keys.windows(2).all(|k| k[0] < k[1]), "{keys:?}");
    }
}
