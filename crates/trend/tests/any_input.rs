//! Whatever comes in, nothing panics, and what comes out is in order.

use foldwatch_trend::fleet::{Entry, Order, rank};
use foldwatch_trend::{Forecast, Point, Series, Service, Worse, around_last_service, assess, words};
use foldwatch_units::Micros;
use proptest::prelude::*;

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 3.0f64..6.0,
        1 => Just(4.0),
        1 => Just(0.0),
        1 => prop::num::f64::ANY,
    ]
}

/// Gaps in microseconds: none, seconds, days, and as far as the calendar goes.
fn gap() -> impl Strategy<Value = i64> {
    prop_oneof![1 => Just(0i64), 4 => 0i64..10_000_000, 4 => 0i64..400_000_000_000, 1 => 0i64..i64::MAX / 8]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn nothing_panics(
        steps in prop::collection::vec((value(), gap(), 1u64..1_000), 0..140),
        visits in prop::collection::vec(any::<i64>(), 0..3),
        limit in prop::option::of(value()),
        lower in any::<bool>(),
        start in any::<i64>(),
    ) {
        let worse = if lower { Worse::Lower } else { Worse::Higher };
        let mut at = start / 4;
        let mut cycle = 0;
        let mut points = Vec::new();
        for (value, gap, more) in steps {
            at = at.saturating_add(gap);
            cycle += more;
            points.push(Point { cycle, at: Micros(at), value, raw: value });
        }
        let services = visits.into_iter().map(|at| Service { at: Micros(at), what: "visit".into() });
        let (series, _) = Series::build(worse, points, services);
        if let Some(found) = around_last_service(&series) {
            let _ = words::comparison(&found, "s");
        }
        for now in [Micros::MIN, Micros(0), Micros::MAX] {
            let Some(found) = assess(&series, now, limit) else { continue };
            let _ = words::forecast(&found.forecast, now);
            prop_assert!((0.0..=1.0).contains(&found.risk) || found.risk.is_nan());
            if let Forecast::Likely { earliest, middle, latest } = found.forecast {
                prop_assert!(earliest.at <= middle.at && middle.at <= latest.at);
                prop_assert!(earliest.cycle <= middle.cycle && middle.cycle <= latest.cycle);
            }
            let entry = Entry { kind: "k", series: "s", worse, assessment: &found };
            prop_assert_eq!(rank(&[entry; 6], now, Order::Risk).len(), 6);
        }
    }
}
