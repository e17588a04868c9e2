//! What was refused is recorded so often a minute and no more: whoever is not let in must not fill the disk.

use crate::rest::limits;

const MINUTE_US: i64 = 60_000_000;

/// What is recorded of refusals, and what is only counted.
#[derive(Debug, Default)]
pub(super) struct Flood {
    since_us: i64,
    /// Refusals that were recorded in the minute since.
    listed: u32,
    /// Acts that are not listed, and not told of yet.
    unlisted: u64,
}

impl Flood {
    /// Whether an act is recorded, and how many are to be told of with it: those of the minute before.
    pub(super) fn take(&mut self, now_us: i64, is_refused: bool) -> (bool, Option<u64>) {
        // a clock that was put back must not end recording
        let is_over = now_us < self.since_us || now_us - self.since_us >= MINUTE_US;
        if is_over {
            (self.since_us, self.listed) = (now_us, 0);
        }
        if is_refused && self.listed >= limits::AUDIT_REFUSED {
            self.unlisted += 1;
            return (false, None);
        }
        self.listed += u32::from(is_refused);
        (true, if is_over { self.rest() } else { None })
    }

    /// Acts could not be recorded.
    pub(super) fn lost(&mut self, many: u64) {
        self.unlisted += many;
    }

    /// How many acts were not told of.
    pub(super) fn rest(&mut self) -> Option<u64> {
        Some(std::mem::take(&mut self.unlisted)).filter(|many| *many > 0)
    }
}

#[cfg(test)]
mod tests {
    use super::Flood;
    use crate::rest::limits::AUDIT_REFUSED;

    #[test]
    fn refusals_beyond_those_of_a_minute_are_counted_and_told_of_in_the_next() {
        let mut flood = Flood::default();
        let minute = 60_000_000;
        for _ in 0..AUDIT_REFUSED {
            assert_eq!(flood.take(minute, true), (true, None));
        }
        assert_eq!(flood.take(minute + 1, true), (false, None));
        assert_eq!(flood.take(minute + 2, true), (false, None));
        assert_eq!(flood.take(minute + 3, false), (true, None));
        assert_eq!(flood.take(2 * minute, true), (true, Some(2)));
        assert_eq!(flood.take(2 * minute, false), (true, None));
        // and after the clock was put back
        flood.lost(3);
        assert_eq!(flood.take(5, false), (true, Some(3)));
        assert_eq!(flood.rest(), None);
    }
}
