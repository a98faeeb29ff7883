//! Rows written as frames and read back are the rows.
#![allow(clippy::unwrap_used)] // A failure here is a failed test.

mod common;

use common::*;
use foldwatch_profile::SignalIx;
use foldwatch_samples::{GapCause, Item, Sink, Transcriber};
use foldwatch_units::{Micros, Seconds};
use proptest::prelude::*;

const EPOCH: i64 = 1_790_000_000_000_000;

fn begun(dated: bool) -> Transcriber {
    let mut transcriber = Transcriber::new(0xC0, 7);
    // The log carries no supply.
    transcriber.begin(&profile(), "lines", |ix| ix != SignalIx(4), dated);
    transcriber
}

/// What stands at a moment.
type Standing = (i64, Result<Vec<Option<f32>>, GapCause>);

/// Every item in one row of values at a time: what stands matters, not how it is told.
fn states(items: &[Kept]) -> Vec<Standing> {
    let mut row = Vec::new();
    items
        .iter()
        .map(|item| match item {
            Kept::Row(at, values) => {
                row = values.clone();
                (*at, Ok(values.clone()))
            }
            Kept::Same(at) => (*at, Ok(row.clone())),
            Kept::Gap(at, cause) => (*at, Err(*cause)),
            other => panic!("{other:?}"),
        })
        .collect()
}

fn number(counts: i32, none: bool) -> f32 {
    if none { f32::NAN } else { (f64::from(counts) * 1e-4) as f32 }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]
    #[test]
    fn frames_carry_the_rows(
        rows in proptest::collection::vec(
            (prop_oneof![8 => Just(10_000i64), 1 => 1i64..3_000_000], 1usize..40, any::<(bool, bool)>(), -9_999_999i32..9_999_999, 0u8..12),
            1..60,
        ),
        looks in 1usize..30,
    ) {
        let mut transcriber = begun(true);
        let (mut sent, mut frames) = (Vec::new(), Vec::new());
        let mut at = EPOCH;
        for (n, (step, times, (lid, pump), counts, odd)) in rows.into_iter().enumerate() {
            let row = [f32::from(u8::from(lid)), f32::from(u8::from(pump)), number(counts, odd == 1), 20.5, f32::NAN];
            let mut hand = |item: Item<'_>| {
                sent.push(keep(item));
                transcriber.item(item);
            };
            if odd == 2 && n > 0 {
                hand(Item::Gap { until: Micros(at + step), cause: GapCause::Dropped });
            }
            at += step;
            hand(Item::Row { at: Micros(at), values: &row });
            for _ in 1..times {
                at += step;
                hand(Item::Same { at: Micros(at) });
            }
            if n % looks == 0 {
                transcriber.heard(Micros(at));
                frames.extend(transcriber.take_ready());
            }
        }
        frames.extend(transcriber.take_all());
        // As they would come over a line.
        for (id, frame) in &frames {
            prop_assert!(frame.encode(*id, foldwatch_wire::Encoding::Packed).is_ok());
        }
        let (items, assembler) = assemble(&frames);
        prop_assert_eq!(states(&items), states(&sent));
        let counts = assembler.counts();
        prop_assert_eq!((counts.misfits, counts.back, counts.rows_back, counts.missing), (0, 0, 0, 0));
    }
}

#[test]
fn rows_before_it_is_known_what_they_carry_wait_and_a_new_start_is_one() {
    let mut transcriber = Transcriber::new(0xC0, 7);
    let row = |bar| [1.0, 0.0, bar, 20.0, f32::NAN];
    transcriber.item(Item::Row { at: Micros(500), values: &row(1.0) });
    transcriber.item(Item::Same { at: Micros(600) });
    assert!(transcriber.take_all().is_empty());
    transcriber.begin(&profile(), "lines", |_| true, false);
    transcriber.item(Item::Gap { until: Micros(9000), cause: GapCause::Restart });
    transcriber.item(Item::Row { at: Micros(9000), values: &row(2.0) });
    let (items, _) = assemble(&transcriber.take_all());
    let Kept::Gap(_, cause) = items[2] else { panic!("{items:?}") };
    assert_eq!((items.len(), items[0].at(), items[1].at(), cause), (4, 0, 100, GapCause::Restart));
}

#[test]
fn the_time_of_the_host_lies_between_two_rows() {
    let mut transcriber = begun(false);
    let row = [1.0, 0.0, 5.0, 20.0, f32::NAN];
    // Every second ten rows arrive; the line takes up to 8 ms; the logger's clock loses 40 ppm.
    for second in 0..7200i64 {
        for n in 0..10 {
            let host = (second * 10 + n) * 100_000;
            let at = Micros((host as f64 * (1.0 - 40e-6)) as i64);
            transcriber.item(Item::Row { at, values: &row });
        }
        transcriber.heard(Micros(EPOCH + (second * 10 + 9) * 100_000 + 1000 * (second % 9)));
    }
    let (_, assembler) = assemble(&transcriber.take_all());
    let utc = assembler.timeline().utc(Micros(3_600_000_000)).unwrap();
    let right = EPOCH + (3_600_000_000.0 / (1.0 - 40e-6)) as i64;
    let (off, u) = (Seconds((utc.at.0 - right) as f64 * 1e-6), utc.u.unwrap());
    assert!(off.0.abs() < 0.06 && off.0.abs() < 3.0 * u.0, "{off:?} {u:?}");
}
