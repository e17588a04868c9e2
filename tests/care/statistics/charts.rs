//! Control charts and their rules against handbooks.

use terce::care::statistics::chart::rules::{Rule, Rules, Side, Signal, signals};
use terce::care::statistics::chart::runs::{Runs, runs};
use terce::care::statistics::chart::{Chart, Counted, Point, Spread, Subgroup, chart, warranted};

fn subgroups(events: &[u64], of: &[f64]) -> Vec<Subgroup> {
    let sizes = of.iter().copied().cycle();
    events.iter().zip(sizes).map(|(events, of)| Subgroup { events: *events, of, baseline: true }).collect()
}

fn made(counted: Counted, events: &[u64], of: &[f64]) -> Chart {
    chart(counted, Spread::Chance, &subgroups(events, of)).unwrap()
}

fn near(found: f64, printed: f64, within: f64) {
    assert!((found - printed).abs() <= within, "found {found}, printed {printed}");
}

/// The numbers, counted from 1 as the handbooks do, of the points beyond a limit.
fn outside(chart: &Chart) -> Vec<usize> {
    let rules = Rules { shift: None, trend: None, two_of_three: false };
    signals(chart, &rules).iter().map(|s| s.from + 1).collect()
}

/// 30 samples of 50 wafers (NIST/SEMATECH e-Handbook 6.3.3.2); the same numbers are the orange juice cans of R's qcc,
/// whose limits these are.
const WAFERS: [u64; 30] = [
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9,
    6,
];

#[test]
fn the_p_chart_of_the_handbook_has_its_limits_and_its_points_outside() {
    let all = made(Counted::Share, &WAFERS, &[50.0]);
    near(all.centre, 0.231_333_3, 5e-8);
    near(all.points[0].unwrap().low, 0.052_427_55, 5e-9);
    near(all.points[0].unwrap().high, 0.410_239_1, 5e-8);
    assert_eq!(outside(&all), [15, 23]);

    let mut without = subgroups(&WAFERS, &[50.0]);
    [14, 22].iter().for_each(|special: &usize| without[*special].baseline = false);
    let without = chart(Counted::Share, Spread::Chance, &without).unwrap();
    near(without.centre, 0.215, 1e-12);
    near(without.points[0].unwrap().low, 0.040_702_84, 5e-9);
    near(without.points[0].unwrap().high, 0.389_297_2, 5e-8);
    assert_eq!(outside(&without), [15, 21, 23], "they stay on the chart");
}

/// NIST/SEMATECH e-Handbook 6.3.3.1: defects of 25 wafers. The last but one is outside, and 28 is the limit itself.
#[test]
fn a_point_on_the_limit_is_not_outside() {
    let events =
        [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13];
    let wafers = made(Counted::Rate, &events, &[1.0]);
    near(wafers.centre, 16.0, 0.0);
    let Point { low, high, .. } = wafers.points[0].unwrap();
    assert_eq!((low, high), (4.0, 28.0));
    assert_eq!(outside(&wafers), [24]);
}

/// R's qcc, data of circuit boards (first 26), with the limits that it prints.
#[test]
fn the_chart_of_circuit_boards_has_the_limits_of_qcc() {
    let events = [
        21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15,
    ];
    let boards = made(Counted::Rate, &events, &[1.0]);
    near(boards.centre, 19.846_15, 5e-6);
    near(boards.points[0].unwrap().low, 6.481_447, 5e-7);
    near(boards.points[0].unwrap().high, 33.210_86, 5e-6);
    assert_eq!(outside(&boards), [6, 20]);
}

/// R's qcc, data of dyed cloth; the limits were recomputed, none are printed with the data.
#[test]
fn a_u_chart_has_limits_for_each_size() {
    let of = [10.0, 8.0, 13.0, 10.0, 9.5, 10.0, 12.0, 10.5, 12.0, 12.5];
    let cloth = made(Counted::Rate, &[14, 12, 20, 11, 7, 10, 21, 16, 19, 23], &of);
    near(cloth.centre, 1.423_256, 5e-7);
    for (size, low, high) in [
        (8.0, 0.1579, 2.6886),
        (9.5, 0.2621, 2.5844),
        (10.0, 0.2915, 2.5550),
        (10.5, 0.3187, 2.5278),
        (12.0, 0.3901, 2.4564),
        (12.5, 0.4110, 2.4356),
        (13.0, 0.4306, 2.4159),
    ] {
        let at = of.iter().position(|n| *n == size).unwrap();
        near(cloth.points[at].unwrap().low, low, 5.1e-5);
        near(cloth.points[at].unwrap().high, high, 5.1e-5);
    }
    assert_eq!(outside(&cloth), [] as [usize; 0]);

    // pcmanufact of qcc, likewise recomputed
    let computers = [10, 12, 8, 14, 10, 16, 11, 7, 10, 15, 9, 5, 7, 11, 12, 6, 8, 10, 7, 5];
    let computers = made(Counted::Rate, &computers, &[5.0]);
    near(computers.centre, 1.93, 1e-12);
    near(computers.points[0].unwrap().low, 0.0661, 5e-5);
    near(computers.points[0].unwrap().high, 3.7939, 5e-5);
}

/// Mohammed et al., BMJ Qual Saf 2013 (doi 10.1136/bmjqs-2012-001373): attendances seen within the target, 20 weeks.
/// Data as in R's qicharts2, whose way of Laney's correction this is; the limits were recomputed.
#[test]
fn laneys_chart_has_limits_where_subgroups_are_very_large() {
    let seen = [
        266_501, 264_225, 276_532, 281_461, 269_071, 261_215, 270_409, 279_778, 270_483, 270_320, 267_923,
        271_478, 255_353, 256_820, 261_835, 259_144, 255_910, 260_863, 264_465, 260_989,
    ];
    let of = [
        280_443.0, 276_823.0, 291_681.0, 296_155.0, 282_343.0, 275_888.0, 283_867.0, 295_251.0, 284_468.0,
        282_529.0, 279_618.0, 283_932.0, 266_629.0, 268_091.0, 276_803.0, 271_578.0, 266_005.0, 273_520.0,
        278_574.0, 273_772.0,
    ];
    let plain = made(Counted::Share, &seen, &of);
    near(plain.centre, 0.952_899_7, 5e-8);
    assert_eq!(outside(&plain).len(), 16, "of 20 weeks");
    near(plain.points[0].unwrap().low, 0.951_700, 5e-7);
    near(plain.points[0].unwrap().high, 0.954_100, 5e-7);

    let laney = chart(Counted::Share, Spread::Laney, &subgroups(&seen, &of)).unwrap();
    near(laney.factor.unwrap(), 10.640_422, 5e-7);
    near(laney.points[0].unwrap().low, 0.940_130, 5e-7);
    near(laney.points[0].unwrap().high, 0.965_670, 5e-7);
    near(laney.points[16].unwrap().low, 0.939_788, 5e-7);
    near(laney.points[16].unwrap().high, 0.966_012, 5e-7);
    assert_eq!(outside(&laney), [] as [usize; 0]);
}

#[test]
fn a_subgroup_with_nothing_to_count_of_is_a_gap() {
    let events = [3, 0, 4, 2];
    let with_gap = made(Counted::Share, &events, &[10.0, 0.0, 12.0, 9.0]);
    let without = made(Counted::Share, &[3, 4, 2], &[10.0, 12.0, 9.0]);
    assert_eq!(with_gap.points[1], None);
    let there = |chart: Chart| chart.points.into_iter().flatten().collect::<Vec<Point>>();
    assert_eq!(there(with_gap), there(without));
}

#[test]
fn what_cannot_be_counted_has_no_chart() {
    let chart = |counted, events: &[u64], of: &[f64]| chart(counted, Spread::Laney, &subgroups(events, of));
    assert_eq!(chart(Counted::Share, &[], &[1.0]), None);
    assert_eq!(chart(Counted::Share, &[0, 0], &[0.0]), None);
    assert_eq!(chart(Counted::Share, &[2], &[1.0]), None);
    assert_eq!(chart(Counted::Rate, &[1, 1], &[5.0, 0.0]), None, "events without exposure");
    assert_eq!(chart(Counted::Rate, &[1], &[f64::NAN]), None);
    assert_eq!(chart(Counted::Rate, &[1], &[-1.0]), None);
}

#[test]
fn where_all_or_none_have_it_the_limits_are_the_centre() {
    for (events, centre) in [([0, 0, 0], 0.0), ([5, 5, 5], 1.0)] {
        let found = chart(Counted::Share, Spread::Laney, &subgroups(&events, &[5.0])).unwrap();
        assert_eq!((found.centre, found.factor), (centre, None));
        let Point { low, high, .. } = found.points[0].unwrap();
        assert_eq!((low, high), (centre, centre));
        assert_eq!(signals(&found, &Rules::default()), []);
    }
}

/// A chart whose points lie so many standard errors from its centre.
fn of_errors(z: &[f64]) -> Chart {
    let point = |z: &f64| Some(Point { value: 50.0 + z * 2.0, error: 2.0, low: 44.0, high: 56.0 });
    Chart { centre: 50.0, factor: None, points: z.iter().map(point).collect() }
}

fn signal(rule: Rule, side: Side, from: usize, to: usize) -> Signal {
    Signal { from, to, rule, side }
}

fn told(z: &[f64]) -> Vec<Signal> {
    signals(&of_errors(z), &Rules::default())
}

/// "Seven consecutive points all above or all below the centre line, or all increasing or decreasing": pages of NHS
/// improvement teams on statistical process control.
#[test]
fn seven_in_a_row_on_one_side_are_a_shift_and_six_are_not() {
    let six = [0.5, 0.2, 0.9, 0.1, 0.7, 0.3];
    assert_eq!(told(&six), []);
    let seven = [-0.1, 0.5, 0.2, 0.9, 0.1, 0.7, 0.3, 0.4, -1.0];
    assert_eq!(told(&seven), [signal(Rule::Shift, Side::Above, 1, 7)]);
    let on_the_centre = [0.5, 0.2, 0.9, 0.0, 0.7, 0.3, 0.4, 0.6];
    assert_eq!(told(&on_the_centre), []);
    let mirrored: Vec<f64> = seven.iter().map(|z| -z).collect();
    assert_eq!(told(&mirrored), [signal(Rule::Shift, Side::Below, 1, 7)]);
}

#[test]
fn seven_rising_points_are_a_trend_and_an_equal_one_ends_it() {
    let rising = [0.4, -1.5, -1.1, -0.6, -0.1, 0.3, 0.8, 1.2, 0.9];
    assert_eq!(told(&rising), [signal(Rule::Trend, Side::Above, 1, 7)]);
    assert_eq!(told(&[-1.5, -1.1, -0.6, -0.6, 0.3, 0.8, 1.2]), []);
    let long = [1.9, 1.5, 1.1, 0.6, 0.1, -0.3, -0.8, -1.2, -1.9];
    assert_eq!(told(&long), [signal(Rule::Trend, Side::Below, 0, 8)]);
}

#[test]
fn two_of_three_in_the_outer_third_speak_once() {
    assert_eq!(told(&[2.1, 0.0, 2.5, -1.0]), [signal(Rule::TwoOfThree, Side::Above, 0, 2)]);
    assert_eq!(told(&[0.5, 2.1, 2.5, -1.0]), [signal(Rule::TwoOfThree, Side::Above, 1, 2)]);
    assert_eq!(told(&[2.1, 0.1, -0.5, 2.5]), []);
    assert_eq!(told(&[2.1, -2.1, 0.0]), [], "on two sides");
    assert_eq!(told(&[2.0, 2.0, 0.0]), [], "on the border is not in it");
    assert_eq!(told(&[-0.3, -2.9, -2.1]), [signal(Rule::TwoOfThree, Side::Below, 1, 2)], "at the very end");
    assert_eq!(told(&[2.4, 2.6]), [signal(Rule::TwoOfThree, Side::Above, 0, 1)], "of two in all");
    let chain = told(&[2.2, 0.4, 2.3, 2.1, 0.0, 0.1, 2.5]);
    assert_eq!(chain, [signal(Rule::TwoOfThree, Side::Above, 0, 3)], "overlapping ones are one");
    let beyond = told(&[3.5, -0.2, 2.2]);
    let expected =
        [signal(Rule::BeyondLimit, Side::Above, 0, 0), signal(Rule::TwoOfThree, Side::Above, 0, 2)];
    assert_eq!(beyond, expected);
}

#[test]
fn a_gap_neither_ends_a_run_nor_counts() {
    let mut chart = of_errors(&[-0.1, 0.5, 0.2, 0.9, 9.9, 0.1, 0.7, 0.3, 0.4, -1.0]);
    chart.points[4] = None;
    assert_eq!(signals(&chart, &Rules::default()), [signal(Rule::Shift, Side::Above, 1, 8)]);
}

/// Anhøj and Olesen, PLoS One 2014;9:e113825, as R's qicharts2 has it: points off the centre, the longest run and the
/// fewest crossings that chance explains.
#[test]
fn runs_have_the_published_limits() {
    let table = [
        (10, 6, 2),
        (11, 6, 2),
        (12, 7, 3),
        (13, 7, 3),
        (14, 7, 4),
        (15, 7, 4),
        (16, 7, 4),
        (17, 7, 5),
        (18, 7, 5),
        (19, 7, 6),
        (20, 7, 6),
        (21, 7, 6),
        (22, 7, 7),
        (23, 8, 7),
        (24, 8, 8),
        (25, 8, 8),
        (26, 8, 8),
        (27, 8, 9),
        (28, 8, 9),
        (29, 8, 10),
        (30, 8, 10),
        (36, 8, 13),
        (40, 8, 14),
        (45, 8, 17),
        (46, 9, 17),
        (50, 9, 19),
        (60, 9, 23),
        (75, 9, 30),
        (90, 9, 37),
        (91, 10, 37),
        (100, 10, 41),
    ];
    for (useful, longest, crossings) in table {
        let series: Vec<Option<f64>> = (0..useful).map(|i| Some(f64::from(i % 2))).collect();
        let found = runs(&series, 0.5).unwrap();
        assert_eq!((found.longest_expected, found.crossings_expected), (longest, crossings), "{useful}");
    }
}

#[test]
fn runs_leave_out_gaps_and_points_on_the_centre() {
    let series = [1., 2., 0., 3., -1., -1., 5., 5., 0., 5., 5., 5., 5., 5., -2.];
    let mut series: Vec<Option<f64>> = series.into_iter().map(Some).collect();
    series.insert(7, None);
    let expected = Runs {
        useful: 13,
        longest: 7,
        longest_at: (6, 14),
        longest_expected: 7,
        crossings: 3,
        crossings_expected: 3,
    };
    let found = runs(&series, 0.0).unwrap();
    assert_eq!(found, expected);
    assert!(!found.too_long() && !found.too_few_crossings());
    series.insert(7, Some(4.0));
    assert!(runs(&series, 0.0).unwrap().too_long());
    assert_eq!(runs(&series[..9], 0.0), None, "fewer than 10 are too few to tell");
    let halves: Vec<Option<f64>> = (0..12).map(|i| Some(f64::from(i))).collect();
    assert!(runs(&halves, 5.5).unwrap().too_few_crossings());
}

/// Chance alone seldom widens the limits, whatever the sizes; a series that varies by more than chance has them wider.
#[test]
fn laneys_factor_is_applied_where_chance_does_not_explain_the_points() {
    let mut seed = 77_u64;
    let mut coin = |share: f64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((seed >> 11) as f64 / (1_u64 << 53) as f64) < share
    };
    let mut series = |shares: &[f64]| -> Vec<Subgroup> {
        shares
            .iter()
            .zip([80_u64, 200, 120].iter().cycle())
            .map(|(share, of)| {
                let events = (0..*of).filter(|_| coin(*share)).count() as u64;
                Subgroup { events, of: *of as f64, baseline: true }
            })
            .collect()
    };
    let of = |subgroups: &[Subgroup]| warranted(Counted::Share, subgroups).unwrap();
    let widened = (0..1_000).filter(|_| of(&series(&[0.8; 24])).factor.is_some()).count();
    assert!((20..90).contains(&widened), "{widened} of 1000 by chance");
    let uneven: Vec<f64> = (0..24).map(|n| if n % 2 == 0 { 0.7 } else { 0.9 }).collect();
    let varied = series(&uneven);
    let chart_of = of(&varied);
    assert!(chart_of.factor.unwrap() > 2.0);
    let chance = chart(Counted::Share, Spread::Chance, &varied).unwrap();
    assert!(chart_of.points[0].unwrap().low < chance.points[0].unwrap().low);
    // a shift is no wider spread: from one point to the next little changes
    let shifted: Vec<f64> = (0..24).map(|n| if n < 12 { 0.76 } else { 0.84 }).collect();
    let shifts = (0..200).filter(|_| of(&series(&shifted)).factor.is_some()).count();
    assert!(shifts < 80, "{shifts} of 200");
    // limits are never narrowed
    let even: Vec<Subgroup> =
        (0..24).map(|n| Subgroup { events: 40 + n % 2, of: 50.0, baseline: true }).collect();
    assert_eq!(of(&even).factor, None);
}
