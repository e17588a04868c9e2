//! Intervals against published and independent numbers.

use terce::care::statistics::{newcombe, wilson};

fn rounded(events: u64, of: u64) -> (String, String) {
    let (low, high) = wilson(events, of).unwrap();
    (format!("{low:.4}"), format!("{high:.4}"))
}

/// Newcombe RG, Stat Med 1998;17:873-890, Table II, method 10. The first two rows are those that an R package (propint)
/// tests itself against as the paper's, the others are from memory of the table; all were recomputed by a separate few
/// lines of Python.
#[test]
fn newcombe_gives_the_published_intervals_of_a_difference() {
    for (a, of_a, b, of_b, low, high) in [
        (56, 70, 48, 80, 0.0524, 0.3339),
        (9, 10, 3, 10, 0.1705, 0.8090),
        (6, 7, 2, 7, 0.0582, 0.8062),
        (5, 56, 0, 29, -0.0381, 0.1926),
        (0, 10, 0, 20, -0.1611, 0.2775),
        (0, 10, 0, 10, -0.2775, 0.2775),
        (10, 10, 0, 20, 0.6791, 1.0),
        (10, 10, 0, 10, 0.6075, 1.0),
    ] {
        let (found_low, found_high) = newcombe(a, of_a, b, of_b).unwrap();
        assert!(
            (found_low - low).abs() < 5.1e-5 && (found_high - high).abs() < 5.1e-5,
            "{a}/{of_a} - {b}/{of_b}: {found_low} {found_high}"
        );
        let (swapped_low, swapped_high) = newcombe(b, of_b, a, of_a).unwrap();
        assert!((swapped_low + found_high).abs() < 1e-12 && (swapped_high + found_low).abs() < 1e-12);
    }
    assert_eq!((newcombe(1, 2, 0, 0), newcombe(0, 0, 1, 2), newcombe(3, 2, 1, 2)), (None, None, None));
}

/// Newcombe RG, Stat Med 1998;17:857-872, Table I, method 3 (score, no continuity correction). The four cases are the
/// paper's; the values are from memory of the table and were recomputed with statsmodels 0.15.0.
#[test]
fn wilson_gives_the_four_cases_of_newcombe() {
    let table = [
        (81, 263, ".2553", ".3662"),
        (15, 148, ".0624", ".1605"),
        (0, 20, ".0000", ".1611"),
        (1, 29, ".0061", ".1718"),
    ];
    for (events, of, low, high) in table {
        assert_eq!(rounded(events, of), (format!("0{low}"), format!("0{high}")), "{events} of {of}");
    }
}

/// Recomputed with statsmodels 0.15.0. The case 23 of 60 is the example of the page for the interval of a proportion
/// at VassarStats, which prints p = .3833; 8 of 10, 0 of 5 and 80 of 100 were computed with scipy 1.17.1 as well.
#[test]
fn wilson_gives_recomputed_values() {
    let table = [
        (23, 60, "0.2709", "0.5098"),
        (0, 1, "0.0000", "0.7935"),
        (1, 1, "0.2065", "1.0000"),
        (10, 10, "0.7225", "1.0000"),
        (7, 12, "0.3195", "0.8067"),
        (96, 120, "0.7196", "0.8618"),
        (8, 10, "0.4902", "0.9433"),
        (0, 5, "0.0000", "0.4345"),
        (80, 100, "0.7112", "0.8666"),
    ];
    for (events, of, low, high) in table {
        assert_eq!(rounded(events, of), (low.to_owned(), high.to_owned()), "{events} of {of}");
    }
}

/// `statsmodels.stats.proportion.proportion_confint(x, n, alpha=0.05, method="wilson")` of statsmodels 0.15.0;
/// `scipy.stats.binomtest(x, n).proportion_ci(0.95, method="wilson")` of scipy 1.17.1 differs by 4e-16 at most.
const COMPUTED: [(u64, u64, f64, f64); 20] = [
    (0, 1, 0.0, 0.7934506856227627),
    (1, 1, 0.2065493143772374, 1.0),
    (0, 2, 0.0, 0.657619772493347),
    (1, 2, 0.09453120573423068, 0.9054687942657693),
    (2, 2, 0.342380227506653, 1.0),
    (1, 3, 0.06149194472039626, 0.7923403991979523),
    (3, 7, 0.15821985525146964, 0.7495416354723428),
    (8, 10, 0.49016247153664183, 0.9433178485456247),
    (0, 5, 0.0, 0.43448246478317487),
    (5, 5, 0.5655175352168252, 1.0),
    (29, 30, 0.8332960900859081, 0.9940914096183875),
    (1, 29, 0.006113214292762667, 0.17175521879320294),
    (80, 100, 0.7111708344068411, 0.8666330666689676),
    (99, 100, 0.9455138038212946, 0.9982325679358593),
    (1, 1000, 0.00017654637062607765, 0.005642558597957937),
    (999, 1000, 0.9943574414020421, 0.9998234536293739),
    (500, 1000, 0.4690696003681042, 0.5309303996318958),
    (12_345, 67_890, 0.17895489704038053, 0.18475764195033373),
    (1_000_000, 1_000_003, 0.9999911788766889, 0.9999989797318198),
    (2_147_483_646, 2_147_483_647, 0.9999999973620596, 0.9999999999177994),
];

#[test]
fn wilson_agrees_with_independent_libraries() {
    for (events, of, low, high) in COMPUTED {
        let (our_low, our_high) = wilson(events, of).unwrap();
        assert!((our_low - low).abs() < 1e-12, "{events} of {of}: low {our_low}, expected {low}");
        assert!((our_high - high).abs() < 1e-12, "{events} of {of}: high {our_high}, expected {high}");
    }
}

#[test]
fn nothing_counted_has_no_interval_and_limits_stay_between_0_and_1() {
    assert_eq!(wilson(0, 0), None);
    assert_eq!(wilson(2, 1), None);
    for of in 1..=60 {
        for events in 0..=of {
            let (low, high) = wilson(events, of).unwrap();
            let share = events as f64 / of as f64;
            assert!(
                0.0 <= low && low <= share && share <= high && high <= 1.0,
                "{events} of {of}: {low} {high}"
            );
            assert!(low.is_sign_positive(), "{events} of {of}: the low limit is written with a sign");
            let (mirrored_low, mirrored_high) = wilson(of - events, of).unwrap();
            assert!((low + mirrored_high - 1.0).abs() < 1e-12 && (high + mirrored_low - 1.0).abs() < 1e-12);
        }
    }
    assert_eq!(wilson(0, 20).unwrap().0, 0.0);
    assert_eq!(wilson(20, 20).unwrap().1, 1.0);
}
