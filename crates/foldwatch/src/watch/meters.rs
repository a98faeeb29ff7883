//! What is counted, for whoever watches the watcher. All of it is there from the first moment on, at zero, so that a rule
//! over a count never looks at nothing; what can't be known yet (a clock's residual) comes once it is.

use foldwatch_pipeline::Lane;
use foldwatch_samples::Counts;
use foldwatch_store::{CycleRecord, Weight};
use foldwatch_units::Micros;
use metrics::{counter, gauge};

/// Counts of the whole daemon, with their meaning.
const COUNTS: [(&str, &str); 11] = [
    ("foldwatch_frames_total", "Frames that were put on disk"),
    ("foldwatch_frames_repeated_total", "Frames that came though they were on disk already"),
    ("foldwatch_frames_asked_again_total", "Frames that were missing and asked for again"),
    ("foldwatch_frames_lost_total", "Frames that were missing and that their logger no longer has"),
    ("foldwatch_damaged_stretches_total", "Stretches of a line that gave no frame"),
    ("foldwatch_damaged_bytes_total", "Bytes in those"),
    ("foldwatch_verdicts_total", "Verdicts on movements that were put on disk"),
    ("foldwatch_write_errors_total", "Times that the disk refused; it is tried again each second"),
    ("foldwatch_messages_total", "Messages that arrived at people outside"),
    ("foldwatch_message_errors_total", "Tries to send one that failed"),
    ("foldwatch_connections_refused_total", "Connections beyond what the settings allow"),
];

/// Counts of each car.
const OF_CAR: [(&str, &str); 3] = [
    ("foldwatch_samples_total", "Rows of samples that came in"),
    ("foldwatch_samples_dropped_total", "Rows that the logger says it had no room for"),
    (
        "foldwatch_clock_jumps_total",
        "Jumps of a clock by a minute or more, and loggers whose clock is not set",
    ),
];

const FINDINGS: (&str, &str) =
    ("foldwatch_findings_total", "Findings in movements that have their last word, by weight");
const WEIGHTS: [&str; 3] = ["note", "attend", "stop-using"];

const GAUGES: [(&str, &str); 7] = [
    ("foldwatch_last_sync_seconds", "When a logger's frames were last put on disk, seconds since 1970"),
    ("foldwatch_disk_free_bytes", "Room that is left"),
    ("foldwatch_archive_bytes", "Size of the archive's files"),
    ("foldwatch_batches_waiting", "Batches of frames that wait to be judged, of 32 at the most"),
    (
        "foldwatch_behind_seconds",
        "How old the newest sample of a car was when it came: a backlog is being taken over",
    ),
    ("foldwatch_logger_memory_ratio", "How full a logger's memory is"),
    ("foldwatch_clock_residual_seconds", "How unevenly a logger's clock runs"),
];

/// Makes them known.
pub fn begin<'a>(cars: impl Iterator<Item = &'a str>) {
    for (name, meaning) in COUNTS {
        metrics::describe_counter!(name, meaning);
        counter!(name).increment(0);
    }
    for (name, meaning) in OF_CAR.into_iter().chain([FINDINGS]) {
        metrics::describe_counter!(name, meaning);
    }
    for (name, meaning) in GAUGES {
        metrics::describe_gauge!(name, meaning);
    }
    gauge!("foldwatch_batches_waiting").set(0.0);
    for car in cars {
        for (name, _) in OF_CAR {
            counter!(name, "car" => car.to_owned()).increment(0);
        }
        for weight in WEIGHTS {
            counter!(FINDINGS.0, "car" => car.to_owned(), "weight" => weight).increment(0);
        }
    }
}

/// A car's findings, once its movements have their last word.
pub fn findings<'a>(car: &str, settled: impl Iterator<Item = &'a CycleRecord>) {
    for finding in settled.flat_map(|cycle| &cycle.findings) {
        let weight = match finding.weight {
            Weight::Note => WEIGHTS[0],
            Weight::Attend => WEIGHTS[1],
            Weight::StopUsing => WEIGHTS[2],
        };
        counter!(FINDINGS.0, "car" => car.to_owned(), "weight" => weight).increment(1);
    }
}

/// What came in of a car since its lane had counted so much.
pub fn came_in(car: &str, lane: &Lane, before: &Counts, received: Micros) {
    let counts = lane.counts();
    let of_car = |name| counter!(name, "car" => car.to_owned());
    of_car(OF_CAR[0].0).increment(counts.rows.saturating_sub(before.rows));
    of_car(OF_CAR[1].0).increment(counts.dropped.saturating_sub(before.dropped));
    let now = lane.engine().now();
    if lane.is_dated(now) {
        let behind = (received - lane.utc(now)).0.max(0.0);
        gauge!("foldwatch_behind_seconds", "car" => car.to_owned()).set(behind);
    }
    if let Some(health) = lane.health() {
        let ratio = f64::from(health.fill_permille) / 1000.0;
        gauge!("foldwatch_logger_memory_ratio", "car" => car.to_owned()).set(ratio);
    }
}
