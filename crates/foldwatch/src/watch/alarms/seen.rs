//! What of a car's cycles and trends is worth telling somebody outside.

use foldwatch_alarm::{Seen, Subject, Urgency};
use foldwatch_report::trend::Trend;
use foldwatch_score::CHECKS;
use foldwatch_store::{CycleRecord, Weight};
use foldwatch_units::Micros;

use super::settings::Findings;

/// The findings of a cycle that are told of.
pub fn of_cycle<'a>(
    name: &'a str,
    cycle: &'a CycleRecord,
    which: Findings,
) -> impl Iterator<Item = Seen> + 'a {
    cycle.findings.iter().filter_map(move |finding| {
        let urgency = match (finding.weight, which) {
            (_, Findings::None) | (Weight::Note, _) | (Weight::Attend, Findings::StopUsing) => return None,
            (Weight::Attend, Findings::Attend) => Urgency::WhenRepeated,
            (Weight::StopUsing, _) => Urgency::AtOnce,
        };
        let about = CHECKS.iter().map(|check| check.about()).find(|about| about.id == finding.kind);
        let title = about.as_ref().map_or(finding.kind.as_str(), |about| about.title);
        let place = finding.phase.as_ref().or(finding.signal.as_ref());
        let place = place.map(|place| format!(", {place}")).unwrap_or_default();
        let look = about.map(|about| format!(" {}", about.inspect)).unwrap_or_default();
        Some(Seen {
            car: cycle.car.clone(),
            name: name.to_owned(),
            subject: Subject::Finding {
                kind: finding.kind.clone(),
                phase: finding.phase.clone(),
                signal: finding.signal.clone(),
            },
            urgency,
            at: cycle.start,
            title: format!("{title}{place}"),
            words: format!("{}{look}", finding.message),
        })
    })
}

/// A car that should be booked, by the series that say so, worst first.
pub fn of_wear(car: &str, name: &str, at: Micros, called: &[Trend]) -> Option<Seen> {
    let worst = called.first()?;
    let line = |trend: &Trend| {
        let unit = &trend.of.unit;
        let growth = trend.slope.as_ref().map(|slope| {
            let by = slope.per_month;
            format!(", {:+.2} {unit} a month ({:+.2} to {:+.2})", by.value, by.low, by.high)
        });
        format!(
            "{}, {}: {:.2} {unit}{}. Limit: {}.",
            trend.of.direction,
            trend.of.step(),
            trend.level,
            growth.unwrap_or_default(),
            trend.forecast.words
        )
    };
    let lines: Vec<String> = called.iter().map(line).collect();
    Some(Seen {
        car: car.to_owned(),
        name: name.to_owned(),
        subject: Subject::Wear,
        urgency: Urgency::AtOnce,
        at,
        title: format!("book it; limit: {}", worst.forecast.words),
        words: format!("Beyond chance, worst first:\n{}", lines.join("\n")),
    })
}
