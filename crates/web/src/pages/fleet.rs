//! Every car, by where its trends go: whom to book first.

use axum::extract::{Query, State};
use foldwatch_fleet::{CarRow, List, Order};
use foldwatch_report::rfc3339;
use maud::{Markup, html};

use super::{Failed, car_href, frame, icon, time};
use crate::api::{FleetAsked, MatterRow, TellingRow, matter_rows};
use crate::app::App;
use crate::charts::Shape;
use crate::texts;

/// Matters on it.
const MATTERS: usize = 20;

pub(super) async fn page(State(app): State<App>, Query(asked): Query<FleetAsked>) -> Result<Markup, Failed> {
    let which = asked.asked()?;
    let order = which.order;
    let (List { count: listed, cars }, now, waiting, groups, kinds, count, told) = app
        .ask(move |desk| {
            let fleet = desk.fleet();
            let (groups, kinds) = fleet.groups_and_kinds();
            let told = desk.told().map(|ledger| matter_rows(&ledger));
            Ok((fleet.list(&which), fleet.now(), fleet.waiting, groups, kinds, fleet.count(), told))
        })
        .await?;
    let choice = |name: &str, (label, all): (&str, &str), options: &[String], chosen: &Option<String>| {
        html! {
            label { (label) " " select name=(name) {
                option value="" { (all) }
                @for one in options { option value=(one) selected[chosen.as_ref() == Some(one)] { (one) } }
            } }
        }
    };
    let body = html! {
        h1 { (texts::FLEET) }
        p.lead { (texts::FLEET_LEAD) }
        form.choose method="get" action="/fleet" {
            label { (texts::FLEET_FIRST) " " select name="order" {
                @for ((value, word), one) in texts::FLEET_ORDERS.into_iter().zip([Order::Days, Order::Risk]) {
                    option value=(value) selected[order == one] { (word) }
                }
            } }
            @if !groups.is_empty() { (choice("group", texts::FLEET_GROUP, &groups, &asked.group)) }
            @if kinds.len() > 1 { (choice("kind", texts::FLEET_KIND, &kinds, &asked.kind)) }
            button type="submit" { (texts::FLEET_SHOW) }
        }
        @if waiting > 0 { p.seen role="status" { (texts::fleet_waiting(waiting)) } }
        @if let Some(now) = now { p.quiet { (texts::FLEET_NOW) (time(&rfc3339(now))) "." } }
        @if cars.is_empty() { p.empty { (texts::fleet_empty(count)) } }
        @else {
            div.scroll tabindex="0" role="group" aria-label=(texts::FLEET) {
                table.fleet.stacked {
                    thead { tr { @for word in texts::FLEET_COLUMNS { th scope="col" { (word) } } } }
                    tbody { @for row in &cars { (car(row)) } }
                }
            }
            @if listed > cars.len() { p.quiet { (texts::first_of(cars.len(), listed)) } }
            p.quiet { (texts::FLEET_RATE) }
        }
        @if let Some(matters) = &told { (messages(matters)) }
    };
    Ok(frame(texts::FLEET, None, &app.hub().ports(), &body))
}

/// What people outside were told.
fn messages(matters: &[MatterRow]) -> Markup {
    html! {
        section {
            h2 { (texts::TOLD) }
            p.quiet { (texts::TOLD_ONCE) }
            @if matters.is_empty() { p.empty { (texts::TOLD_NOTHING) } }
            @else {
                div.scroll tabindex="0" role="group" aria-label=(texts::TOLD) {
                    table.told {
                        thead { tr { @for word in texts::TOLD_COLUMNS { th scope="col" { (word) } } } }
                        tbody { @for matter in matters.iter().take(MATTERS) { tr {
                            th scope="row" { a href=(car_href(&matter.car)) { (matter.name) } }
                            td { (matter.title) @if matter.ended.is_some() { span.quiet { " " (texts::TOLD_ENDED) } } }
                            td { (texts::matter_seen(matter.cycles)) " " (time(&matter.last)) }
                            td { @if matter.told.is_empty() { span.quiet { (texts::TOLD_NOT_YET) } } @for one in &matter.told { (telling(one)) } }
                        } } }
                    }
                }
                @if matters.len() > MATTERS { p.quiet { (texts::newest_matters(MATTERS, matters.len())) } }
            }
        }
    }
}

fn telling(one: &TellingRow) -> Markup {
    html! {
        span.call {
            @match (&one.arrived, &one.next) {
                (Some(at), _) => { (icon(Shape::Sound)) (one.way) " " (time(at)) },
                (None, Some(at)) if one.tries > 0 => { (icon(Shape::Attend)) (texts::telling_fails(&one.way, &one.trouble)) (time(at)) },
                (None, Some(_)) => { (icon(Shape::Note)) (texts::telling_now(&one.way)) },
                (None, None) => { (icon(Shape::Stop)) (texts::telling_given_up(&one.way, &one.trouble)) },
            }
        }
    }
}

fn car(row: &CarRow) -> Markup {
    let worst = &row.worst;
    let (shape, word) = match row.call {
        "book" => (Shape::Attend, texts::CALL_BOOK),
        "look-again" => (Shape::Note, texts::CALL_LOOK),
        _ => (Shape::Sound, texts::CALL_NONE),
    };
    html! {
        tr {
            th scope="row" {
                a href={ (car_href(&row.car)) "/trend" } { (row.name) }
                @if !row.group.is_empty() { span.quiet { " " (row.group) } }
            }
            td data-heading=(texts::FLEET_COLUMNS[1]) { span.call { (icon(shape)) (word) } @if row.called.len() > 1 { span.quiet { " " (texts::for_numbers(row.called.len())) } } }
            td data-heading=(texts::FLEET_COLUMNS[2]) { (texts::said(&worst.forecast.words)) }
            td data-heading=(texts::FLEET_COLUMNS[3]) {
                (texts::followed(&worst.of)) ": " (texts::fixed(worst.level, 2)) " " (worst.of.unit)
                @if let Some(slope) = &worst.slope {
                    @let [value, low, high] = [slope.per_100_cycles.value, slope.per_100_cycles.low, slope.per_100_cycles.high].map(|v| texts::signed(v, 2));
                    span.quiet { ", " (texts::in_100_cycles(&value, &low, &high, &worst.of.unit)) }
                }
            }
            td data-heading=(texts::FLEET_COLUMNS[4]) { (texts::fixed(100.0 * row.risk_90_days, 0)) " %" }
            td data-heading=(texts::FLEET_COLUMNS[5]) {
                @match &row.kin {
                    Some(kin) => { (texts::of_the_usual(&texts::fixed(100.0 * kin.ratio, 0), kin.cars)) @if kin.unlike { strong { ", " (texts::UNLIKE_THEM) } } },
                    None => span.quiet { (texts::TOO_FEW_KIN) },
                }
            }
        }
    }
}
