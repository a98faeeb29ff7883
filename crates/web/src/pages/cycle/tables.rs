//! The steps of a cycle and its measures as tables.

use foldwatch_report::{Cycle, Measure, Phase};
use maud::{Markup, html};

use crate::texts;

pub(super) fn steps(cycle: &Cycle) -> Markup {
    html! {
        @if !cycle.phases.is_empty() {
            section {
                h2 { (texts::STEP_TABLE) }
                div.scroll tabindex="0" role="group" aria-label=(texts::STEP_TABLE) {
                    table {
                        thead { tr { @for (n, word) in texts::STEP_COLUMNS.iter().enumerate() { th.num[n != 0 && n != 5] scope="col" { (word) } } } }
                        tbody { @for phase in &cycle.phases { (step(phase)) } }
                    }
                }
                p.quiet { (texts::STEP_TABLE_NOTE) }
            }
        }
    }
}

fn step(phase: &Phase) -> Markup {
    let maybe = |v: Option<f64>| v.map_or("-".to_owned(), |v| texts::fixed(v, 2));
    let slow = phase.limit_s.is_some_and(|l| phase.duration_s > l);
    html! {
        tr id={ "step-" (phase.index) } {
            th scope="row" { (phase.name) }
            td.num { (texts::fixed(phase.duration_s, 2)) span.quiet { " ± " (texts::fixed((100.0 * phase.u_duration_s).ceil() / 100.0, 2)) } @if slow { " !" } }
            td.num { (maybe(phase.expected_s)) }
            td.num { (maybe(phase.limit_s)) }
            td.num { (maybe(phase.corrected_s)) }
            td { (texts::confirmation(&phase.confirmation)) }
            td.num { @match phase.oil_temperature_c { Some(c) => (texts::quantity(c, "°C")), None => "-" } }
            td.num { @match phase.supply_v { Some(v) => { (texts::fixed(v, 1)) " V" }, None => "-" } }
        }
    }
}

pub(super) fn measures(cycle: &Cycle) -> Markup {
    let mut hidden: Vec<(String, &Measure)> = Vec::new();
    for phase in &cycle.phases {
        hidden.extend(phase.measures.iter().filter(|m| m.value.is_none()).map(|m| (phase.name.clone(), m)));
    }
    hidden.extend(
        cycle.measures.iter().filter(|m| m.value.is_none()).map(|m| (texts::WHERE_WHOLE.to_owned(), m)),
    );
    // The same reason for each step is told once.
    let mut reasons: Vec<(String, String, Vec<String>)> = Vec::new();
    for (place, m) in hidden {
        let why = m.not_observable.clone().unwrap_or_default();
        match reasons.iter_mut().find(|(name, reason, _)| *name == m.name && *reason == why) {
            Some((_, _, places)) => places.push(place),
            None => reasons.push((m.name.clone(), why, vec![place])),
        }
    }
    html! {
        section {
            h2 { (texts::MEASURES) }
            (measure_list(texts::MEASURES_WHOLE, &cycle.measures, true))
            @for phase in &cycle.phases { (measure_list(&phase.name, &phase.measures, false)) }
            @if !reasons.is_empty() {
                details {
                    summary { (texts::not_observable(reasons.len())) }
                    ul { @for (name, why, places) in &reasons {
                        li { strong { (texts::measure(name)) } @if places.len() < 3 { " (" (places.join(", ")) ")" } ": " (texts::said(why)) "." }
                    } }
                }
            }
        }
    }
}

fn measure_list(title: &str, measures: &[Measure], open: bool) -> Markup {
    let seen: Vec<(&Measure, f64)> = measures.iter().filter_map(|m| Some((m, m.value?))).collect();
    html! {
        @if !seen.is_empty() {
            details open[open] {
                summary { (title) }
                dl.measures {
                    @for (m, value) in seen {
                        div { dt { (texts::measure(&m.name)) } dd {
                            @match m.u.filter(|u| *u > 0.0) {
                                Some(u) => { @let (value, spread) = texts::with_spread(value, u, &m.unit); (value) span.quiet { " ± " (spread) } },
                                None => (texts::quantity(value, &m.unit)),
                            }
                        } }
                    }
                }
            }
        }
    }
}
