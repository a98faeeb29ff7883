//! What may be behind it, and the next check: a part of a car's page, and the way to enter a result.

use axum::Form;
use axum::extract::{Path, State};
use axum::response::Redirect;
use foldwatch_report::{Cause, Diagnosis, NextCheck};
use maud::{Markup, html};

use super::{Failed, car_href, sentence, who};
use crate::app::App;
use crate::causes::{self, Looked};
use crate::gate::Who;
use crate::{own, query, texts};

/// Causes that are likelier than this are shown, and no more than so many.
const LIKELY: f64 = 0.05;
const MOST: usize = 5;

/// Whether there is such a part.
pub(super) fn are_told(found: &Diagnosis) -> bool {
    likely(found).next().is_some()
}

fn likely(found: &Diagnosis) -> impl Iterator<Item = &Cause> {
    found.causes.iter().filter(|c| c.probability >= LIKELY).take(MOST)
}

/// The part of the page.
pub(super) fn section(car: &str, found: &Diagnosis) -> Markup {
    html! {
        @if are_told(found) {
            section #causes {
                h2 { (texts::BEHIND) }
                p.quiet { (texts::CAUSES) }
                @if let Some(set_in) = found.set_in { p { (sentence(&set_in.text())) } }
                ol.causes { @for cause in likely(found) { (item(cause)) } }
                @if !found.unexplained.is_empty() {
                    p { (texts::UNEXPLAINED) " " @for line in &found.unexplained { (sentence(line)) " " } }
                }
                @if let Some(next) = &found.next_check { (check(car, next)) }
            }
        }
    }
}

fn item(cause: &Cause) -> Markup {
    let percent = format!("{:.0} %", 100.0 * cause.probability);
    html! {
        li {
            span.share { (percent) }
            meter min="0" max="1" value=(cause.probability) aria-hidden="true" {}
            details {
                summary { (sentence(&cause.name)) }
                @for (word, lines) in [(texts::SPEAKS_FOR, &cause.supports), (texts::SPEAKS_AGAINST, &cause.against)] {
                    @if !lines.is_empty() {
                        p { (word) }
                        ul { @for line in lines { li { (sentence(line)) } } }
                    }
                }
            }
        }
    }
}

fn check(car: &str, next: &NextCheck) -> Markup {
    html! {
        form.check method="post" action={ (car_href(car)) "/checks" } {
            h3 { (texts::NEXT_CHECK) }
            p { (sentence(&next.does)) }
            p.quiet { (texts::about_minutes(next.minutes)) " " (texts::hazard(&next.hazard)) }
            @if !next.caution.is_empty() { p.caution { (texts::said(&next.caution)) } }
            input type="hidden" name="check" value=(next.check);
            // What was asked is kept with what it gave: an id tells a reader nothing.
            input type="hidden" name="text" value=(next.does);
            (who(texts::WHO_LOOKED))
            p { (texts::WHAT_DID_IT_SHOW) }
            ul.results {
                @for result in &next.results {
                    li {
                        button type="submit" name="result" value=(result.result) { (result.result) }
                        @if !result.causes.is_empty() {
                            span.quiet {
                                " " (texts::THEN) " "
                                @for (n, cause) in result.causes.iter().enumerate() {
                                    @if n > 0 { ", " }
                                    (sentence(&cause.name)) " " (format!("{:.0} %", 100.0 * cause.probability))
                                }
                            }
                        }
                    }
                }
            }
            p.quiet { (texts::AID) }
        }
    }
}

/// Takes a result from the page's form, and shows the page anew.
pub(super) async fn enter(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    Form(looked): Form<Looked>,
) -> Result<Redirect, Failed> {
    let back = format!("{}#causes", car_href(&car));
    app.ask(move |desk| {
        query::car(desk, &car)?;
        causes::enter(desk, &car, looked.by(&caller), own::now()).map(|_| ())
    })
    .await?;
    Ok(Redirect::to(&back))
}
