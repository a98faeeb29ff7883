//! Evidence of a car: what is to go into a bag, the bags there are, and how to check one.

use axum::Form;
use axum::extract::{Path, State};
use axum::response::Redirect;
use foldwatch_store::{CycleQuery, CycleSummary};
use foldwatch_units::{Micros, Seconds};
use maud::{Markup, html};

use super::{At, Failed, car_href, frame};
use crate::api;
use crate::app::App;
use crate::evidence::{Bag, Stage, Wish, field};
use crate::query::{self, CarView};
use crate::texts;

struct Seen {
    view: CarView,
    bags: Vec<Bag>,
    /// Of the newest week: moments around its first and last cycle.
    week: Option<(Micros, Micros)>,
    key: Result<String, String>,
}

/// Around the first and the last cycle that is proposed.
const AROUND: Seconds = Seconds(120.0);
const WEEK: Seconds = Seconds(7.0 * 86_400.0);
/// Cycles that are looked through for the newest week.
const MOST: u32 = 2000;

fn week(cycles: &[CycleSummary]) -> Option<(Micros, Micros)> {
    let newest = cycles.iter().map(|cycle| cycle.end).max()?;
    let first = cycles.iter().map(|cycle| cycle.start).filter(|start| newest - *start < WEEK).min()?;
    Some((first - AROUND, newest + AROUND))
}

pub(super) async fn page(State(app): State<App>, Path(car): Path<String>) -> Result<Markup, Failed> {
    let seen = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let all = CycleQuery { car: Some(car.clone()), limit: MOST, ..CycleQuery::default() };
            let week = week(&desk.catalogue.cycles(&all)?);
            let (bags, key) = (desk.evidence().bags(&car), desk.evidence().key());
            Ok(Seen { view, bags, week, key: key.map(|(fingerprint, _)| fingerprint) })
        })
        .await?;
    let (id, name) = (seen.view.car.id.as_str(), seen.view.car.name.as_str());
    let body = html! {
        h1 { (texts::TAB_EVIDENCE) ", " (name) }
        p { (texts::EVIDENCE) }
        section {
            h2 { (texts::MAKE_A_BAG) }
            @match (&seen.key, seen.week) {
                (Err(_), _) => p.notice role="alert" { (texts::NO_KEY) },
                (_, None) => p.empty { (texts::NO_CYCLES) },
                (Ok(_), Some(week)) => (form(id, week, &seen.bags)),
            }
        }
        section #bags {
            h2 { (texts::BAGS) }
            @if seen.bags.is_empty() { p.empty { (texts::NO_BAGS) } }
            ul.bags { @for bag in &seen.bags { (item(id, bag)) } }
        }
        @if let Ok(fingerprint) = &seen.key { (checking(fingerprint)) }
    };
    Ok(frame(
        &format!("{}, {name}", texts::TAB_EVIDENCE),
        Some((id, name, At::Evidence)),
        &app.hub().ports(),
        &body,
    ))
}

fn form(car: &str, week: (Micros, Micros), bags: &[Bag]) -> Markup {
    let busy = bags.iter().any(|bag| bag.stage == Stage::Making);
    html! {
        form.evidence method="post" action={ (car_href(car)) "/evidence" } {
            fieldset {
                legend { (texts::WHICH_PART) }
                label { (texts::PART_FROM) " " input type="datetime-local" name="from" value=(field(week.0)); }
                label { (texts::PART_UNTIL) " " input type="datetime-local" name="until" value=(field(week.1 + Seconds(60.0))); }
                label { (texts::PART_CYCLES) " " input type="text" name="cycles" placeholder="12-20" pattern=" *[0-9]+ *(- *[0-9]+ *)?" size="9"; }
                p.quiet { (texts::PART_NOTE) }
            }
            fieldset {
                legend { (texts::LEAVE_OUT_TITLE) }
                @for (name, words) in texts::LEAVE_OUT {
                    label.tick { input type="checkbox" name=(name) value="yes"; " " (words) }
                }
            }
            fieldset {
                legend { (texts::THE_REPORT) }
                label { (texts::PAPER) " " select name="paper" { option value="a4" { "A4" } option value="letter" { "Letter" } } }
                label { (texts::IT_CORRECTS) " " select name="revises" {
                    option value="" { (texts::NO_EARLIER_BAG) }
                    @for bag in bags.iter().filter(|bag| bag.stage == Stage::Made) {
                        option value=(bag.number) { (texts::bag(bag.number)) }
                    }
                } }
            }
            button type="submit" disabled[busy] { (texts::MAKE_IT) }
            @if busy { p.quiet { (texts::ONE_AT_A_TIME) } }
        }
    }
}

fn item(car: &str, bag: &Bag) -> Markup {
    let address = format!("/api/v1{}/evidence/{}", car_href(car), bag.number);
    html! {
        li.bag {
            h3 { (texts::capital(&texts::bag(bag.number))) @if let Some(number) = bag.revises { span.quiet { (texts::corrects_bag(number)) } } }
            p { (bag.stretch) @for what in &bag.left_out { " " (texts::without(what)) } }
            @match bag.stage {
                Stage::Making => {
                    p role="status" data-making=(address) { (bag.says) }
                    progress aria-label=(texts::HOW_FAR) max="1" value=[bag.done] {}
                    form.stop method="post" action={ (car_href(car)) "/evidence/stop" } {
                        button type="submit" name="number" value=(bag.number) { (texts::STOP_MAKING) }
                        " " a href={ (car_href(car)) "/evidence#bags" } { (texts::LOOK_AGAIN) }
                    }
                }
                Stage::Failed => p.caution { (texts::NOTHING_CAME) " " (bag.says) },
                Stage::Made => {
                    p { (bag.says) }
                    p { a.button href={ (address) "/bag.zip" } download { (texts::DOWNLOAD) @if let Some(size) = bag.size_bytes { " (" (texts::size(size)) ")" } } }
                    details {
                        summary { (texts::WHAT_NAMES_IT) }
                        dl.facts {
                            @let digests = [&bag.tag_manifest_sha256, &bag.key_fingerprint, &bag.chain_head, &bag.seals_head];
                            @for (word, digest) in texts::DIGESTS.into_iter().zip(digests) {
                                @if let Some(digest) = digest { div { dt { (word) } dd { code { (digest) } } } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn checking(fingerprint: &str) -> Markup {
    html! {
        section {
            h2 { (texts::CHECKING) }
            p { (texts::CHECKING_KEY[0]) a href="/api/v1/evidence/public.pem" download { "public.pem" } (texts::CHECKING_KEY[1]) }
            p { code.digest { (fingerprint) } }
            p { (texts::CHECKING_HOW[0]) code { "foldwatch evidence verify BAG --key public.pem" } (texts::CHECKING_HOW[1]) }
            p.quiet { (texts::EVIDENCE_LIMITS) }
        }
    }
}

/// Which bag is to be stopped.
#[derive(Debug, serde::Deserialize)]
pub(super) struct Number {
    number: String,
}

/// Stops a bag that is being made, and shows the page anew; one that is over meanwhile stands there as it is.
pub(super) async fn stop(
    State(app): State<App>,
    Path(car): Path<String>,
    Form(Number { number }): Form<Number>,
) -> Result<Redirect, Failed> {
    let back = format!("{}/evidence#bags", car_href(&car));
    let stopped = app.ask(move |desk| api::evidence::stopped(desk, &car, &number)).await;
    match stopped {
        Err(failure) if failure.code != "refused" => Err(failure.into()),
        _ => Ok(Redirect::to(&back)),
    }
}

/// Begins a bag, and shows the page anew.
pub(super) async fn make(
    State(app): State<App>,
    Path(car): Path<String>,
    Form(wish): Form<Wish>,
) -> Result<Redirect, Failed> {
    let back = format!("{}/evidence#bags", car_href(&car));
    let wanted = wish.wanted()?;
    app.ask(move |desk| {
        query::car(desk, &car)?;
        Ok(desk.evidence().make(&car, wanted)?)
    })
    .await?;
    Ok(Redirect::to(&back))
}
