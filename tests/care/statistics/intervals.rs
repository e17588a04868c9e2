//! Intervals of shares, counts, rates and ratios.

use std::collections::BTreeMap;

use terce::care::statistics::expected::standardised;
use terce::care::statistics::percentile::{middle, percentile};
use terce::care::statistics::{rate, share};

/// To the places of a printed value.
fn is(found: f64, printed: f64, places: i32) -> bool {
    (found - printed).abs() <= 0.501 * 10f64.powi(-places)
}

/// Newcombe RG, Stat Med 1998;17:857-872, Table I, method 6 (mid-P): the first four rows from memory of the table, all
/// recomputed with scipy. 23 of 60 is the example of the page for a proportion's interval at VassarStats, which prints
/// other methods for it.
#[test]
fn shares_have_the_mid_p_limits_of_newcombe() {
    for (events, of, low, high) in [
        (81, 263, 0.2544, 0.3658),
        (15, 148, 0.0601, 0.1581),
        (0, 20, 0.0, 0.1391),
        (1, 29, 0.0017, 0.1585),
        (23, 60, 0.2671, 0.5105),
        (0, 1, 0.0, 0.95),
        (1, 1, 0.05, 1.0),
        (10, 10, 0.7411, 1.0),
        (7, 12, 0.3021, 0.8283),
        (96, 120, 0.7213, 0.8644),
    ] {
        let found = share::mid_p(events, of).unwrap();
        assert!(is(found.0, low, 4) && is(found.1, high, 4), "{events} of {of}: {found:?}");
    }
    assert_eq!((share::mid_p(0, 0), share::mid_p(2, 1)), (None, None));
    assert_eq!((share::mid_p(0, 7).unwrap().0, share::mid_p(7, 7).unwrap().1), (0.0, 1.0));
}

/// Mid-P limits of a Poisson mean; recomputed from the definition, no printed table at hand. The upper limit of no event
/// is the natural logarithm of 20.
#[test]
fn counts_have_mid_p_limits() {
    for (events, low, high) in [
        (0, 0.0, 2.9957),
        (1, 0.0500, 4.9319),
        (2, 0.3353, 6.6080),
        (3, 0.7631, 8.1645),
        (4, 1.2709, 9.6484),
        (5, 1.8320, 11.0824),
        (6, 2.4318, 12.4793),
        (7, 3.0616, 13.8471),
        (8, 3.7154, 15.1915),
        (10, 5.0795, 17.8249),
        (15, 8.7161, 24.1850),
        (20, 12.5597, 30.3396),
        (25, 16.5376, 36.3607),
        (50, 37.5098, 65.3865),
        (100, 81.7918, 121.1035),
    ] {
        let found = rate::mid_p(events);
        assert!(is(found.0, low, 4) && is(found.1, high, 4), "{events}: {found:?}");
    }
    assert!((rate::mid_p(0).1 - 20f64.ln()).abs() < 1e-12);
}

/// Events and ventilator-days as published: He et al. 2021 (PMC7851639), and NHSN's report for 2013 (PMC4653815, table
/// 6); the rates for 1000 ventilator-days are the papers'.
#[test]
fn rates_are_the_published_ones() {
    for (events, days, printed, places) in [
        (1882, 112_697.0, 16.7, 1),
        (721, 112_697.0, 6.4, 1),
        (185, 112_697.0, 1.64, 2),
        (11, 24_996.0, 0.4, 1),
        (4, 5_259.0, 0.8, 1),
        (67, 100_643.0, 0.7, 1),
    ] {
        let found = rate::rate(events, days).unwrap();
        assert!(is(found.value * 1000.0, printed, places), "{events} in {days}: {found:?}");
        assert!(found.interval.0 < found.value && found.value < found.interval.1);
    }
}

#[test]
fn no_exposure_has_no_rate_and_no_event_a_rate_of_0() {
    assert_eq!((rate::rate(0, 0.0), rate::rate(3, 0.0), rate::rate(3, f64::NAN)), (None, None, None));
    let none = rate::rate(0, 1000.0).unwrap();
    assert_eq!((none.value, none.interval.0), (0.0, 0.0));
    assert!(is(none.interval.1, 0.0029957, 7));
}

/// Rule: CDC, Keys to Success with the SIR. The numbers were recomputed from the definitions; no printed example at hand.
#[test]
fn observed_against_expected_follows_the_published_rules() {
    for (observed, expected, ratio, low, high, p) in [
        (3, 1.5, 2.000, Some(0.509), 5.443, 0.2568),
        (0, 1.0, 0.0, None, 2.996, 0.3679),
        (8, 5.2, 1.538, Some(0.714), 2.921, 0.2370),
        (25, 20.0, 1.250, Some(0.827), 1.818, 0.2690),
    ] {
        let found = standardised(observed, expected).unwrap();
        assert!(is(found.ratio, ratio, 3) && is(found.high, high, 3), "{observed}/{expected}: {found:?}");
        assert!(is(found.p, p, 4), "{observed}/{expected}: {found:?}");
        assert_eq!(found.low.is_some(), low.is_some(), "no lower limit where nothing was observed");
        assert!(found.low.zip(low).is_none_or(|(a, b)| is(a, b, 3)), "{observed}/{expected}: {found:?}");
    }
    assert_eq!((standardised(2, 0.999), standardised(0, 0.0), standardised(1, f64::NAN)), (None, None, None));
}

#[test]
fn the_ratio_of_rates_mirrors_when_they_change_places() {
    for (a, of_a, b, of_b) in [(12, 800.0, 5, 650.5), (1, 10.0, 40, 90.0), (7, 100.0, 7, 100.0)] {
        let (there, back) = (rate::ratio(a, of_a, b, of_b).unwrap(), rate::ratio(b, of_b, a, of_a).unwrap());
        let near = |x: f64, y: f64| (x * y - 1.0).abs() < 1e-9;
        assert!(near(there.value.unwrap(), back.value.unwrap()) && near(there.low, back.high.unwrap()));
        assert!((there.p - back.p).abs() < 1e-9);
        assert!(there.low < there.value.unwrap() && there.value.unwrap() < there.high.unwrap());
    }
    assert!((rate::ratio(7, 100.0, 7, 100.0).unwrap().p - 1.0).abs() < 1e-12);
}

#[test]
fn a_ratio_to_no_event_has_no_value_and_no_upper_limit() {
    let found = rate::ratio(4, 100.0, 0, 100.0).unwrap();
    assert_eq!((found.value, found.high), (None, None));
    assert!(found.low > 0.0);
    let other = rate::ratio(0, 100.0, 4, 100.0).unwrap();
    assert_eq!((other.value, other.low), (Some(0.0), 0.0));
    assert_eq!((rate::ratio(0, 1.0, 0, 1.0), rate::ratio(1, 0.0, 1, 1.0)), (None, None));
}

#[test]
fn a_percentile_is_the_least_value_that_so_many_do_not_exceed() {
    let seen: BTreeMap<i64, u64> = [(5, 3), (10, 1), (20, 0), (30, 1), (90, 5)].into();
    // 5 5 5 10 30 90 90 90 90 90
    for (per_hundred, value) in
        [(0, 5), (10, 5), (30, 5), (31, 10), (40, 10), (50, 30), (51, 90), (90, 90), (100, 90)]
    {
        assert_eq!(percentile(&seen, per_hundred), Some(value), "{per_hundred}");
    }
    assert_eq!((percentile(&seen, 101), percentile(&BTreeMap::<i64, u64>::new(), 50)), (None, None));
}

#[test]
fn the_middle_of_an_even_number_lies_between_two() {
    assert_eq!((middle(&[3.0, 1.0, 2.0]), middle(&[4.0, 1.0, 2.0, 3.0])), (Some(2.0), Some(2.5)));
    assert_eq!((middle(&[]), middle(&[7.0])), (None, Some(7.0)));
}
