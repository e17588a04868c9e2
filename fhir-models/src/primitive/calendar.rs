//! The digits of dates and times, read strictly and without a copy.

/// The longest fraction of a second that is kept; no clock says more.
pub(super) const FRACTION_DIGITS: usize = 1000;

/// A time of day.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock {
    /// Since midnight; `:60` counts as `:59`.
    pub(super) seconds: u32,
    /// Of the second; a leap second is all of them up to 999 ms.
    pub(super) nanos: u32,
}

/// A place in a text.
pub(super) struct Cursor<'a> {
    rest: &'a [u8],
}

impl<'a> Cursor<'a> {
    pub(super) fn new(text: &'a str) -> Self {
        Self { rest: text.as_bytes() }
    }

    pub(super) fn at_end(&self) -> bool {
        self.rest.is_empty()
    }

    /// Whether the next byte is `byte`; if so, goes past it.
    pub(super) fn eat(&mut self, byte: u8) -> bool {
        match self.rest.split_first() {
            Some((first, rest)) if *first == byte => {
                self.rest = rest;
                true
            }
            _ => false,
        }
    }

    /// Exactly `N` ASCII digits.
    pub(super) fn digits<const N: usize>(&mut self) -> Option<u32> {
        let (digits, rest) = self.rest.split_first_chunk::<N>()?;
        let mut number = 0;
        for digit in digits {
            if !digit.is_ascii_digit() {
                return None;
            }
            number = number * 10 + u32::from(digit - b'0');
        }
        self.rest = rest;
        Some(number)
    }

    fn two_up_to(&mut self, most: u32) -> Option<u32> {
        self.digits::<2>().filter(|n| *n <= most)
    }

    /// `hh:mm:ss` with an optional fraction; 24:00 is none, :60 is.
    pub(super) fn clock(&mut self) -> Option<Clock> {
        let hours = self.two_up_to(23)?;
        let minutes = self.eat(b':').then(|| self.two_up_to(59))??;
        let seconds = self.eat(b':').then(|| self.two_up_to(60))??;
        let nanos = if self.eat(b'.') { self.fraction()? } else { 0 };
        let clock = hours * 3600 + minutes * 60;
        if seconds == 60 {
            return Some(Clock { seconds: clock + 59, nanos: 999_000_000 });
        }
        Some(Clock { seconds: clock + seconds, nanos })
    }

    /// At least one digit; those past the ninth are read and not counted.
    fn fraction(&mut self) -> Option<u32> {
        let digits = self.rest.iter().take_while(|b| b.is_ascii_digit()).count();
        if digits == 0 || digits > FRACTION_DIGITS {
            return None;
        }
        let (fraction, rest) = self.rest.split_at_checked(digits)?;
        self.rest = rest;
        let nanos = fraction.iter().take(9).fold(0, |n, b| n * 10 + u32::from(b - b'0'));
        let missing = 9_usize.saturating_sub(digits);
        Some(nanos * 10_u32.pow(u32::try_from(missing).ok()?))
    }

    /// `Z`, or `+hh:mm` up to 14:00, in seconds east of UTC.
    pub(super) fn offset(&mut self) -> Option<i32> {
        if self.eat(b'Z') {
            return Some(0);
        }
        let sign = if self.eat(b'+') {
            1
        } else if self.eat(b'-') {
            -1
        } else {
            return None;
        };
        let hours = self.two_up_to(14)?;
        let minutes = self.eat(b':').then(|| self.two_up_to(59))??;
        if hours == 14 && minutes > 0 {
            return None;
        }
        i32::try_from(hours * 3600 + minutes * 60).ok().map(|s| s * sign)
    }
}
