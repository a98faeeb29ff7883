//! The methods against published data. Sources: NIST/SEMATECH e-Handbook of Statistical Methods, doi
//! 10.18434/M32189, sections 6.3.2.2 to 6.3.2.4; Nile flow at Aswan 1871-1970, Cobb, Biometrika 65, 243-251 (1978), as
//! shipped in statsmodels (public domain).

#![allow(clippy::unwrap_used, reason = "a test file: a broken listing should stop it")]

use foldwatch_trend::stats::change_points::{Shape, pelt, pettitt};
use foldwatch_trend::stats::cusum::{Chart, Cusum};
use foldwatch_trend::stats::{ewma, mann_kendall, theil_sen};

fn column(text: &str) -> Vec<f64> {
    text.lines().skip(1).map(|line| line.rsplit(',').next().unwrap().trim().parse().unwrap()).collect()
}

fn nile() -> Vec<f64> {
    let flow = column(include_str!("data/nile.csv"));
    assert_eq!((flow.len(), flow.iter().sum::<f64>()), (100, 91_935.0));
    flow
}

fn counted(n: usize) -> Vec<f64> {
    (0..n).map(|i| i as f64).collect()
}

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
}

#[test]
fn nist_cusum_6_3_2_3() {
    let means = column(include_str!("data/nist_cusum_6323.csv"));
    let chart = Chart { target: 325.0, allowance: 0.3175, decision: 4.1959 };
    let high = [
        (5, 0.0325),
        (13, 3.0075),
        (14, 4.94),
        (15, 7.4475),
        (16, 10.63),
        (17, 11.9875),
        (18, 14.445),
        (19, 16.0025),
        (20, 19.035),
    ];
    let low = [(2, 0.0075), (4, 0.3325), (7, 0.5575), (8, 0.715), (9, 0.1725), (10, 0.255), (11, 0.3125)];
    let expected =
        |table: &[(usize, f64)], group| table.iter().find(|(g, _)| *g == group).map_or(0.0, |(_, s)| *s);
    let mut sums = Cusum::default();
    for (group, mean) in (1..).zip(means) {
        sums.push(&chart, mean);
        near(sums.high, expected(&high, group), 1e-9);
        near(sums.low, expected(&low, group), 1e-9);
        assert_eq!(sums.alarm(&chart), group >= 14, "group {group}");
    }
}

#[test]
fn nist_ewma_6_3_2_4() {
    let chart = ewma::Chart { target: 50.0, sd: 2.0539, weight: 0.3, reach: 3.0 };
    let printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
        49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ];
    let mut average = chart.target;
    for (value, printed) in column(include_str!("data/nist_ewma_6324.csv")).into_iter().zip(printed) {
        average = chart.next(average, value);
        near(average, printed, 0.005);
        assert!((average - chart.target).abs() < chart.steady_half_width());
    }
    near(average, 51.988_243, 5e-7);
    near(chart.target + chart.steady_half_width(), 52.5884, 2e-4);
    near(chart.target - chart.steady_half_width(), 47.4115, 2e-4);
}

/// Values by pymannkendall 1.4.3 and scipy 1.17.1.
#[test]
fn nile_trend() {
    let flow = nile();
    let test = mann_kendall::mann_kendall(&flow).unwrap();
    assert_eq!(test.s, -1387);
    near(test.variance, 112_728.333_333, 1e-3);
    near(test.z, -4.128_066_522_844_101, 1e-9);
    near(test.p, 3.658_262_921_657_496e-5, 1e-12);
    let corrected = mann_kendall::hamed_rao(&flow, None, 0.05).unwrap();
    near(corrected.variance, 241_565.356_916_626_9, 1e-3);
    near(corrected.p, 0.004_802_676_310_182_719, 1e-9);
    let corrected = mann_kendall::yue_wang(&flow, Some(3)).unwrap();
    near(corrected.variance, 291_743.226_097_016_94, 1e-3);
    let line = theil_sen::theil_sen(&counted(100), &flow, 0.95).unwrap();
    near(line.slope, -2.6, 1e-12);
    near(line.intercept, 1022.2, 1e-9);
    near(line.low, -3.627_906_976_744_186, 1e-12);
    near(line.high, -1.428_571_428_571_428_6, 1e-12);
}

/// Splits by ruptures 1.1.10 (Pelt, l2, min_size 2, jump 1); the change is noted near 1898 by Cobb (1978).
#[test]
fn nile_change() {
    let flow = nile();
    for step in 0..60 {
        let penalty = 122_484.0 + f64::from(step) * (391_691.0 - 122_484.0) / 59.0;
        assert_eq!(pelt(&counted(100), &flow, Shape::Level, 2, penalty), [28]);
    }
    assert!(pelt(&counted(100), &flow, Shape::Level, 2, 1.3e6).is_empty());
    let many = [7, 10, 19, 28, 37, 40, 45, 47, 83, 95];
    assert_eq!(pelt(&counted(100), &flow, Shape::Level, 2, 5e4), many);
    let test = pettitt(&flow).unwrap();
    assert_eq!((test.change, test.k), (28, 1617.0));
    near(test.p, 3.591e-7, 1e-10);
}
