//! Ports: which this machine has, what is heard there, and whose logger it is.

use axum::Form;
use axum::extract::State;
use axum::response::Redirect;
use foldwatch_store::Car;
use maud::{Markup, html};
use serde::Deserialize;

use super::{Failed, car_href, frame, icon, short_time};
use crate::app::App;
use crate::charts::Shape;
use crate::failure::Failure;
use crate::live::PortState;
use crate::places::{self, Place};
use crate::{query, texts};

/// Speeds that loggers use; the first one is the usual one. Common practice, no source.
const SPEEDS: [u32; 6] = [115_200, 921_600, 230_400, 57_600, 38_400, 9_600];

pub(super) async fn page(State(app): State<App>) -> Result<Markup, Failed> {
    let heard = app.hub().ports();
    let (cars, found) = app.ask(|desk| Ok((desk.catalogue.cars()?, desk.places().found()))).await?;
    let told = found.as_ref().err().cloned();
    let all = places::places(found.unwrap_or_default(), &heard);
    let body = html! {
        h1 { (texts::PORTS) }
        p.lead { (texts::PORTS_LEAD) }
        @if let Some(why) = told { p.caution { (why) } }
        @if all.is_empty() { p.empty { (texts::NO_SERIAL_PORT) } }
        ul.places { @for place in &all { (item(place, &cars)) } }
        p { a.button href="/ports" { (texts::LOOK_AGAIN) } }
    };
    Ok(frame(texts::PORTS, None, &[], &body))
}

fn item(place: &Place, cars: &[Car]) -> Markup {
    html! {
        li.place-of {
            h2 { (place.name) @if !place.what.is_empty() && place.what != "unknown" { span.quiet { " " (place.what) } } }
            @match &place.heard {
                Some(port) => (listened(port, cars)),
                None => {
                    p { (icon(Shape::Raw)) (texts::NOT_LISTENED) }
                    form.choose method="post" action="/ports/listen" {
                        input type="hidden" name="port" value=(place.name);
                        label { (texts::SPEED) " " select name="baud" { @for baud in SPEEDS { option value=(baud) { (baud) } } } }
                        button type="submit" { (texts::LISTEN_HERE) }
                    }
                }
            }
        }
    }
}

fn listened(port: &PortState, cars: &[Car]) -> Markup {
    let owner = port.car.as_ref().and_then(|id| cars.iter().find(|car| car.id == *id));
    html! {
        @match (&port.logger, owner) {
            (Some(logger), Some(car)) => {
                (state(port))
                p { (texts::LOGGER) " " b.said { (logger) } ", " (texts::SITS_IN) " " a href=(car_href(&car.id)) { (car.name) } ". "
                    a href={ (car_href(&car.id)) "/guide" } { (texts::GUIDE) } }
            }
            (Some(logger), None) => {
                p { (icon(Shape::Attend)) (texts::LOGGER) " " b.said { (logger) } " " (texts::ANSWERS_HERE) }
                form.choose method="post" action="/ports/fit" {
                    input type="hidden" name="logger" value=(logger);
                    label { (texts::SITS_IN_WHICH) " " select name="car" required { @for car in cars { option value=(car.id) { (car.name) } } } }
                    button type="submit" { (texts::IT_SITS_THERE) }
                }
            }
            (None, _) => { (state(port)) p.quiet { (texts::NO_LOGGER_YET) } }
        }
    }
}

fn state(port: &PortState) -> Markup {
    html! {
        p { (icon(if port.well { Shape::Sound } else { Shape::Attend })) (texts::capital(&port.words)) ". " span.quiet { (texts::SINCE) " " (short_time(&port.since)) "." } }
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct Picked {
    port: String,
    #[serde(default)]
    baud: Option<u32>,
}

/// Listens at a port from now on.
pub(super) async fn listen(State(app): State<App>, Form(picked): Form<Picked>) -> Result<Redirect, Failed> {
    if let Some(baud) = picked.baud.filter(|baud| !SPEEDS.contains(baud)) {
        return Err(Failure::parameter("baud", &baud.to_string(), "one of those on the page").into());
    }
    app.ask(move |desk| {
        desk.places().listen(&picked.port, picked.baud).map_err(|why| Failure::refused(&why))
    })
    .await?;
    Ok(Redirect::to("/ports"))
}

#[derive(Debug, Deserialize)]
pub(super) struct Fit {
    logger: String,
    car: String,
}

/// A logger sits in this car.
pub(super) async fn fit(
    State(app): State<App>,
    Form(Fit { logger, car }): Form<Fit>,
) -> Result<Redirect, Failed> {
    app.ask(move |desk| {
        query::car(desk, &car)?;
        places::fit(desk, &logger, &car)
    })
    .await?;
    Ok(Redirect::to("/ports"))
}
