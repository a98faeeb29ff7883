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
        h1 { "Evidence" }
        p { (texts::EVIDENCE) }
        section {
            h2 { "Make a bag" }
            @match (&seen.key, seen.week) {
                (Err(_), _) => p.notice role="alert" { (texts::NO_KEY) },
                (_, None) => p.empty { (texts::NO_CYCLES) },
                (Ok(_), Some(week)) => (form(id, week, &seen.bags)),
            }
        }
        section #bags {
            h2 { "Bags" }
            @if seen.bags.is_empty() { p.empty { "None was made yet." } }
            ul.bags { @for bag in &seen.bags { (item(id, bag)) } }
        }
        @if let Ok(fingerprint) = &seen.key { (checking(fingerprint)) }
    };
    Ok(frame(&format!("Evidence, {name}"), Some((id, name, At::Evidence)), &app.hub().ports(), &body))
}

fn form(car: &str, week: (Micros, Micros), bags: &[Bag]) -> Markup {
    let busy = bags.iter().any(|bag| bag.stage == Stage::Making);
    html! {
        form.evidence method="post" action={ (car_href(car)) "/evidence" } {
            fieldset {
                legend { "Which part of what was recorded" }
                label { "From (UTC) " input type="datetime-local" name="from" value=(field(week.0)); }
                label { "Until (UTC) " input type="datetime-local" name="until" value=(field(week.1 + Seconds(60.0))); }
                label { "or cycles, counted from the car's first " input type="text" name="cycles" placeholder="12-20" pattern=" *[0-9]+ *(- *[0-9]+ *)?" size="9"; }
                p.quiet { "The times of the car's newest week are filled in; empty: from the first moment, up to the newest cycle. Cycles go before times." }
            }
            fieldset {
                legend { "Leave out" }
                @for (name, words) in texts::LEAVE_OUT {
                    label.tick { input type="checkbox" name=(name) value="yes"; " " (words) }
                }
            }
            fieldset {
                legend { "The report" }
                label { "Paper " select name="paper" { option value="a4" { "A4" } option value="letter" { "Letter" } } }
                label { "It corrects " select name="revises" {
                    option value="" { "no earlier bag" }
                    @for bag in bags.iter().filter(|bag| bag.stage == Stage::Made) {
                        option value=(bag.number) { "bag " (bag.number) }
                    }
                } }
            }
            button type="submit" disabled[busy] { "Make the bag" }
            @if busy { p.quiet { "One at a time: wait until the one below is made." } }
        }
    }
}

fn item(car: &str, bag: &Bag) -> Markup {
    let address = format!("/api/v1{}/evidence/{}", car_href(car), bag.number);
    html! {
        li.bag {
            h3 { "Bag " (bag.number) @if let Some(number) = bag.revises { span.quiet { ", corrects bag " (number) } } }
            p { (bag.stretch) @for what in &bag.left_out { " Without " (what) "." } }
            @match bag.stage {
                Stage::Making => {
                    p role="status" data-making=(address) { (bag.says) }
                    progress aria-label=(texts::HOW_FAR) max="1" value=[bag.done] {}
                    form.stop method="post" action={ (car_href(car)) "/evidence/stop" } {
                        button type="submit" name="number" value=(bag.number) { (texts::STOP_MAKING) }
                        " " a href={ (car_href(car)) "/evidence#bags" } { (texts::LOOK_AGAIN) }
                    }
                }
                Stage::Failed => p.caution { "Nothing came of it: " (bag.says) },
                Stage::Made => {
                    p { (bag.says) }
                    p { a.button href={ (address) "/bag.zip" } download { "Download" @if let Some(size) = bag.size_bytes { " (" (texts::size(size)) ")" } } }
                    details {
                        summary { "What names it" }
                        dl.facts {
                            @for (word, digest) in [
                                ("Tag manifest, SHA-256", &bag.tag_manifest_sha256),
                                ("Signed by the key", &bag.key_fingerprint),
                                ("End of the chain over what was recorded", &bag.chain_head),
                                ("End of the chain over the archive", &bag.seals_head),
                            ] {
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
            h2 { "How the other side checks it" }
            p { "Whoever gets a bag needs the public key by another way than the bag: " a href="/api/v1/evidence/public.pem" download { "public.pem" } ", or its fingerprint read out:" }
            p { code.digest { (fingerprint) } }
            p { "Then " code { "foldwatch evidence verify BAG --key public.pem" } " says whether every byte is as signed, whether the samples are what was recorded, and whether they give the findings and the report. The bag tells how it is done without foldwatch." }
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
