//! What was found in a cycle, each with the way to its place.

use foldwatch_report::{Cycle, Finding};
use maud::{Markup, html};

use super::super::car::help;
use super::super::{icon, sentence, weight};
use crate::charts::{Shape, seconds};
use crate::query::CarView;
use crate::texts;

pub(super) fn findings(view: &CarView, cycle: &Cycle) -> Markup {
    html! {
        section.findings {
            h2 { (texts::FOUND) }
            @if cycle.findings.is_empty() { p.good { (icon(Shape::Sound)) (texts::NO_FINDINGS) } }
            ol {
                @for (n, finding) in cycle.findings.iter().enumerate() { (finding_item(view, cycle, n + 1, finding)) }
            }
        }
    }
}

fn finding_item(view: &CarView, cycle: &Cycle, n: usize, finding: &Finding) -> Markup {
    let at = seconds(cycle, &finding.at);
    let label = finding
        .signal
        .as_ref()
        .and_then(|id| view.profile.find(id))
        .map(|ix| view.profile.signal(ix).label.as_str());
    html! {
        li.finding.(finding.weight) id={ "finding-" (n) } {
            h3 { span.number { (n) } (weight(&finding.weight)) " " (texts::kind(&finding.kind)) @if let Some(phase) = &finding.phase { span.place { " " (phase) } } }
            p { (sentence(&finding.message)) }
            dl.facts {
                div { dt { (texts::FACT_AT) } dd { (texts::secs(at)) } }
                div { dt { (texts::FACT_VALUE) } dd { (texts::quantity(finding.value, &finding.unit)) } }
                @if let Some(limit) = finding.limit { div { dt { (texts::FACT_LIMIT) } dd { (texts::quantity(limit, &finding.unit)) } } }
                div { dt { (texts::FACT_SURE) } dd { (texts::sure(finding.sure)) } }
                @if let Some(label) = label { div { dt { (texts::FACT_SIGNAL) } dd { (label) } } }
            }
            p { a.place-link href={ "?from=" (format!("{:.2}", at - 1.5)) "&until=" (format!("{:.2}", at + 2.5)) "#sheet" } data-from=(at - 1.5) data-until=(at + 2.5) data-at=(at) { (texts::SHOW_PLACE) } }
            (help(&finding.kind))
        }
    }
}
