//! Every way of writing the same rows.

use crate::{Seen, column, profile, read};
use foldwatch_columns::{
    Column, ColumnMap, Decimal, GapAfter, OnRule, SignalColumn, SkipKind, TimeColumn, TimeForm, TimeUnit,
};
use foldwatch_profile::SignalIx;
use foldwatch_units::Seconds;

fn by_name(log: &str) -> (Vec<Seen>, foldwatch_columns::Report) {
    let (seen, report) = read(log.as_bytes(), &ColumnMap::default());
    (seen, report.unwrap())
}

fn signal(id: &str, column: Column) -> SignalColumn {
    SignalColumn {
        signal: profile().find(id).unwrap(),
        column,
        scale: 1.0,
        offset: 0.0,
        unit: None,
        calibrated: None,
        on: None,
    }
}

fn time(column: Column, form: Option<TimeForm>) -> TimeColumn {
    TimeColumn { column: Some(column), form, ..TimeColumn::default() }
}

#[test]
fn a_plain_table_needs_no_map() {
    for log in [
        "time,pump,is_open,pressure_bar,current\n0.00,1,0,1.5,2\n0.01,1,1,2.5,3\n",
        "time;pump;is_open;pressure_bar;current\r\n0,00;1;0;1,5;2\r\n0,01;1;1;2,5;3\r\n",
        "\u{feff}Time [ms]\tPump\tFlap open\tpressure (kPa)\tCurrent [A]\n0\t1\t0\t150\t2\n10\t1\t1\t250\t3",
        "time,pump,is_open,pressure,current\n[ms],,,[kPa],[mA]\n0,1,0,150,2000\n10,1,1,250,3000\n",
        "t_us|pump|is_open|pressure_bar|current|\n0|1|0|1.5|2|\n10000|1|1|2.5|3|\n",
        "  time pump is_open pressure_bar   current\n  0.00  1  0  1.5  2\n  0.01  1  1  2.5  3\n",
        "# a logger\n# time, pump, is_open, pressure_bar, current\n0, 1, 0, 1.5, 2\n0.01, 1, 1, 2.5, 3\n",
        "Serial 5\nFirmware; none\n\ncurrent,pressure_bar,is_open,pump,time\n2,1.5,0,1,0\n3,2.5,1,1,0.01\n",
        "time,pump,is_open,pressure_bar,current\n0.00,on,high,1.5,2\n0.00,on,low,2.5,3\n"
            .replace("high", "closed")
            .replace("low", "open")
            .replace("0.00,on,open", "0.01,on,open")
            .as_str(),
        "\"time\",\"pump\",\"is_open\",\"pressure_bar\",\"current\"\n\"0\",\"1\",\"0\",\"1.5\",\"2\"\n\"0.01\",\"1\",\"1\",\"2.5\",\"3\"\n",
    ] {
        let (seen, report) = by_name(log);
        assert_eq!(column(&seen, 0), [(0, Some(1.0)), (10_000, Some(1.0))], "{log}");
        // A closed switch completes a ground: 0 is on.
        assert_eq!(column(&seen, 2), [(0, Some(1.0)), (10_000, Some(0.0))], "{log}");
        assert_eq!(column(&seen, 4), [(0, Some(1.5)), (10_000, Some(2.5))], "{log}");
        assert_eq!(column(&seen, 5), [(0, Some(2.0)), (10_000, Some(3.0))], "{log}");
        assert_eq!(report.unmapped_signals, [SignalIx(1), SignalIx(3)], "{log}");
        assert!(report.extra_columns.is_empty(), "{log}");
        assert_eq!(report.rows, 2, "{log}");
    }
}

#[test]
fn a_number_without_unit_is_raw() {
    let (seen, report) = by_name("time,pressure,pump\n0,1.5,1\n");
    assert_eq!(column(&seen, 4), [(0, Some(25.0))]);
    assert!(!report.assumed.iter().any(|said| said.contains("calibration")));
    // A sensor's volts are what the calibration is for, and bars are not.
    assert_eq!(column(&by_name("time,pressure [V],pump\n0,1.5,1\n").0, 4), [(0, Some(25.0))]);
    let (seen, report) = by_name("time,pressure [bar],pump\n0,1.5,1\n");
    assert_eq!(column(&seen, 4), [(0, Some(1.5))]);
    assert!(report.assumed.iter().any(|said| said.contains("calibration")), "{:?}", report.assumed);
}

#[test]
fn a_unit_hung_on_to_a_name_that_a_map_says() {
    let told = |name: &str, scale: f64| {
        let map = ColumnMap {
            signals: vec![SignalColumn { scale, ..signal("pressure", Column::Name(name.into())) }],
            ..ColumnMap::default()
        };
        column(&read(format!("time,{name}\n0,2\n").as_bytes(), &map).0, 4)[0].1.unwrap()
    };
    assert!((told("oil_MPa", 1.0) - 20.0).abs() < 1e-4);
    // Whoever gives a scale has done it; and what is no pressure is a part of the name.
    assert!((told("oil_MPa", 10.0) - told("oil", 10.0)).abs() < 1e-9);
    assert_eq!(told("sensor_A", 1.0), told("sensor", 1.0));
}

#[test]
fn units_in_other_letters_and_brackets_without_a_unit() {
    let (seen, _) = by_name("time,Pressure [PSI],current (n/a),pump [on/off relay]\n0,1000,2,1\n");
    assert!(matches!(column(&seen, 4)[..], [(0, Some(bar))] if (bar - 68.947).abs() < 1e-3));
    assert_eq!(column(&seen, 5), [(0, Some(2.0))]);
    assert_eq!(column(&seen, 0), [(0, Some(1.0))]);
    // Raw numbers are what the calibration is for; `lift_a` is another valve, not `lift` in ampere.
    let (seen, report) = by_name("time,pressure [counts],lift_a\n0,1.5,1\n");
    assert_eq!(column(&seen, 4), [(0, Some(25.0))]);
    assert_eq!(report.extra_columns, ["lift_a"]);
}

#[test]
fn a_row_like_the_one_before_is_the_same() {
    let log = "time,pump,count\n0,1,1\n1,1,1\n2,1,2\n3,0,2\n4,,2\n5,,2\n";
    let (seen, report) = by_name(log);
    let row = |value| vec![value, None, None, None, None, None];
    assert_eq!(
        seen,
        [
            Seen::Row(0, row(Some(1.0))),
            Seen::Same(1_000_000),
            Seen::Same(2_000_000),
            Seen::Row(3_000_000, row(Some(0.0))),
            Seen::Row(4_000_000, row(None)),
            Seen::Same(5_000_000),
        ]
    );
    assert_eq!(report.extra_columns, ["count"]);
    assert_eq!(report.count(SkipKind::Empty), 2);
    assert_eq!(report.period, Some(Seconds(1.0)));
}

#[test]
fn stamps_and_dates() {
    let start = 1_777_622_400_000_000;
    for (log, dated) in [
        ("time,pump\n2026-05-01T08:00:00.00Z,1\n2026-05-01T08:00:00.01Z,1\n", true),
        ("timestamp;pump\n2026-05-01 08:00:00;1\n2026-05-01 08:00:00,01;1\n", true),
        ("date,time,pump\n2026-05-01,08:00:00.00,1\n2026-05-01,08:00:00.01,1\n", true),
        ("pump,time\n1,1777622400.00\n1,1777622400.01\n", true),
        ("pump,time\n1,1777622400000\n1,1777622400010\n", true),
    ] {
        let (seen, report) = by_name(log);
        assert_eq!(column(&seen, 0), [(start, Some(1.0)), (start + 10_000, Some(1.0))], "{log}");
        assert_eq!(report.dated, dated, "{log}");
    }
}

#[test]
fn a_time_of_day_goes_over_midnight() {
    let (seen, report) = by_name("time,pump\n23:59:59.5,1\n00:00:00.5,1\n");
    let day = 86_400_000_000;
    assert_eq!(column(&seen, 0), [(day - 500_000, Some(1.0)), (day + 500_000, Some(1.0))]);
    assert_eq!(report.count(SkipKind::Wrap), 1);
    assert!(!report.dated);
}

#[test]
fn counters_of_32_bits_run_over() {
    let (seen, report) = by_name("time_ms,pump\n4294967290,1\n4,1\n14,1\n");
    let times: Vec<i64> = column(&seen, 0).iter().map(|(at, _)| *at).collect();
    assert_eq!(times, [4_294_967_290_000, 4_294_967_300_000, 4_294_967_310_000]);
    assert_eq!(report.count(SkipKind::Wrap), 1);
}

#[test]
fn a_map_by_numbers_needs_no_header() {
    let map = ColumnMap {
        time: Some(time(Column::Number(2), Some(TimeForm::Unit(TimeUnit::Milliseconds)))),
        signals: vec![signal("pump", Column::Number(3)), signal("current", Column::Number(1))],
        ..ColumnMap::default()
    };
    for log in ["5.5,0,1,x\n6.5,10,1,x\n", "a,b,c,d\n5.5,0,1,x\n6.5,10,1,x\n"] {
        let (seen, report) = read(log.as_bytes(), &map);
        assert_eq!(column(&seen, 5), [(0, Some(5.5)), (10_000, Some(6.5))], "{log}");
        assert_eq!(report.unwrap().extra_columns, ["4"]);
    }
}

#[test]
fn one_column_gives_two_signals() {
    let rule = |value: &str| Some(OnRule::Values(vec![value.to_owned()], None));
    let named = |name: &str| Column::Name(name.to_owned());
    let map = ColumnMap {
        time: Some(time(named("clock"), Some(TimeForm::Unit(TimeUnit::Seconds)))),
        signals: vec![
            SignalColumn { on: rule("1"), ..signal("wish_open", named("lever")) },
            SignalColumn { on: rule("2"), ..signal("pump", named("lever")) },
            SignalColumn { on: Some(OnRule::Above(2.5)), ..signal("is_open", named("V1")) },
            SignalColumn { on: Some(OnRule::Below(1.0)), ..signal("lift", named("V2")) },
        ],
        ..ColumnMap::default()
    };
    let (seen, report) = read(b"CLOCK;lever;v1;v2\n0;0;0,5;0,5\n1;1;4,5;4,5\n2;2,0;?;\n", &map);
    assert_eq!(
        column(&seen, 3).iter().map(|(_, v)| *v).collect::<Vec<_>>(),
        [Some(0.0), Some(1.0), Some(0.0)]
    );
    assert_eq!(
        column(&seen, 0).iter().map(|(_, v)| *v).collect::<Vec<_>>(),
        [Some(0.0), Some(0.0), Some(1.0)]
    );
    assert_eq!(column(&seen, 2).iter().map(|(_, v)| *v).collect::<Vec<_>>(), [Some(0.0), Some(1.0), None]);
    assert_eq!(column(&seen, 1).iter().map(|(_, v)| *v).collect::<Vec<_>>(), [Some(1.0), Some(0.0), None]);
    let report = report.unwrap();
    assert_eq!((report.count(SkipKind::BadCell), report.count(SkipKind::Empty)), (1, 1));
}

#[test]
fn scale_and_unit() {
    let named = |name: &str| Column::Name(name.to_owned());
    let map = ColumnMap {
        decimal: Some(Decimal::Comma),
        signals: vec![
            SignalColumn {
                scale: 0.1,
                offset: 2.0,
                unit: Some("psi".parse().unwrap()),
                ..signal("pressure", named("P"))
            },
            SignalColumn { scale: 10.0, ..signal("current", named("I")) },
        ],
        ..ColumnMap::default()
    };
    let (seen, _) = read(b"time;P;I\n0;9980,0;0,25\n", &map);
    let near = |signal: usize, wanted: f32| {
        let found = column(&seen, signal)[0].1.unwrap();
        assert!((found - wanted).abs() < 1e-4, "{found} is not {wanted}");
    };
    near(4, 68.947_57);
    near(5, 2.5);
}

#[test]
fn silence_is_a_gap_where_rows_are_regular() {
    let mut log = "time,pump\n".to_owned();
    for row in 0..300 {
        log.push_str(&format!("{}.{:02},1\n", row / 100, row % 100));
    }
    log.push_str("9.00,1\n9.01,1\n");
    let gap = |map: &ColumnMap| {
        let (seen, _) = read(log.as_bytes(), map);
        seen.iter().filter(|item| matches!(item, Seen::Gap(..))).cloned().collect::<Vec<_>>()
    };
    let missing = [Seen::Gap(9_000_000, foldwatch_samples::GapCause::Missing)];
    assert_eq!(gap(&ColumnMap::default()), missing);
    assert_eq!(gap(&ColumnMap { gap_after: GapAfter::Span(Seconds(10.0)), ..ColumnMap::default() }), []);
    assert_eq!(gap(&ColumnMap { gap_after: GapAfter::Never, ..ColumnMap::default() }), []);

    let mut uneven = "time,pump\n".to_owned();
    for row in 0..400 {
        uneven.push_str(&format!("{},1\n", row * 1000 + (row % 3) * 450));
    }
    uneven.push_str("9999999,1\n");
    let (seen, report) = read(uneven.as_bytes(), &ColumnMap::default());
    assert_eq!(seen.iter().filter(|item| matches!(item, Seen::Gap(..))).count(), 1);
    assert!(report.unwrap().rows == 401);
}
