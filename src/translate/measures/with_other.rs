//! A score beside that of another period.

use chrono::NaiveDate;
use fhir_models::datatypes::{Extension, Value};

use super::kind::{Counted, Score};
use super::sum::Sum;
use super::values::{days, decimal, level, part, parts, rate, ratio, unsigned};
use crate::care::statistics::{newcombe, rate as rates};

/// The extension `compared` on the score of `sum`; none where either has no score.
pub(super) fn compared(
    counted: Counted,
    sum: &Sum,
    other: &Sum,
    period: (NaiveDate, NaiveDate),
) -> Option<Extension> {
    let (own, other) = (sum.counts(counted), other.counts(counted));
    if own.of == 0 || other.of == 0 {
        return None;
    }
    let share = |part: u64, of: u64| part as f64 / of as f64;
    let difference = share(own.part, own.of) - share(other.part, other.of);
    let head = |score| {
        [
            part("period", Some(days(period))),
            part("numerator", Some(unsigned(other.numerator))),
            part("denominator", Some(unsigned(other.denominator - other.exception))),
            part("score", score),
        ]
    };
    let code = |code: &str| Some(Value::Code(code.to_owned()));
    let mut all: Vec<Option<Extension>> = Vec::new();
    match counted.score() {
        Score::None => return None,
        Score::Whole => {
            all.extend(head(ratio(other.part, other.of).map(Value::Decimal)));
            all.push(part("difference", decimal(difference)));
        }
        Score::Share => {
            let (low, high) = newcombe(own.part, own.of, other.part, other.of)?;
            all.extend(head(ratio(other.part, other.of).map(Value::Decimal)));
            all.push(part("difference", decimal(difference)));
            all.extend([part("low", decimal(low)), part("high", decimal(high)), part("level", level())]);
            all.push(part("method", code("newcombe")));
        }
        Score::Rate => {
            all.extend(head(rate(other.part, other.of).map(Value::Decimal)));
            // without any event there is no ratio
            if let Some(found) = rates::ratio(own.part, own.days()?, other.part, other.days()?) {
                all.push(part("ratio", found.value.and_then(decimal)));
                all.extend([part("low", decimal(found.low)), part("high", found.high.and_then(decimal))]);
                all.extend([part("level", level()), part("p", decimal(found.p))]);
                all.push(part("method", code("conditional-mid-p")));
            }
        }
    }
    Some(parts("compared", all))
}
