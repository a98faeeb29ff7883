//! Commissioning and guided tests: one step at a time, with what the signals say of it.

use axum::Form;
use axum::extract::{Path, State};
use axum::response::Redirect;
use foldwatch_guide::{Kind, Press};
use foldwatch_report::rfc3339;
use foldwatch_store::Entry;
use maud::{Markup, html};
use serde::Deserialize;

use super::{At, Failed, car_href, frame, icon, sentence, short_time, who};
use crate::app::App;
use crate::charts::Shape;
use crate::failure::Failure;
use crate::gate::{self, Who};
use crate::guide::{self, GuideNow};
use crate::{query, texts};

pub(super) async fn page(State(app): State<App>, Path(car): Path<String>) -> Result<Markup, Failed> {
    let (view, now, last) = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let now = desk.guides().now(&view.car.id);
            let last = guide::last(desk, &view.car.id)?;
            Ok((view, now, last))
        })
        .await?;
    let (id, name) = (view.car.id.as_str(), view.car.name.as_str());
    let body = html! {
        @match &now {
            Some(now) => (under_way(id, name, now)),
            None => {
                h1 { (texts::GUIDE) ", " (name) }
                p.lead { (texts::GUIDE_LEAD) }
                ul.tests { @for kind in Kind::ALL { (offer(id, kind, last.iter().find(|(k, _)| *k == kind).map(|(_, e)| e))) } }
            }
        }
    };
    Ok(frame(texts::GUIDE, Some((id, name, At::Guide)), &app.hub().ports(), &body))
}

fn offer(car: &str, kind: Kind, last: Option<&Entry>) -> Markup {
    html! {
        li.test {
            h2 { (kind.title()) }
            p { (kind.purpose()) }
            p.quiet { (texts::about_minutes(f64::from(kind.minutes()))) " "
                @match last {
                    Some(entry) => { (texts::LAST_TIME) " " (short_time(&rfc3339(entry.at))) ", " strong { (texts::grade(&entry.result)) } ". " },
                    None => (texts::NEVER_DONE),
                }
            }
            @if let Some(entry) = last { details { summary { (texts::LAST_RECORD) } (lines(&entry.text)) } }
            form method="post" action={ (car_href(car)) "/guide/begin" } {
                button type="submit" name="test" value=(kind.as_str()) { (texts::BEGIN) ": " (kind.title()) }
            }
        }
    }
}

fn under_way(car: &str, name: &str, now: &GuideNow) -> Markup {
    html! {
        div.guide data-live={ "/api/v1" (car_href(car)) "/live" } data-at=(now.at) {
            p.trail { (name) ". " (now.kind.title()) ", " @if now.does.is_some() { (texts::step_of(now.at + 1, now.steps.len())) } @else { (texts::ALL_ANSWERED) } }
            @if let Some(does) = &now.does {
                h1 { (sentence(does)) }
                @if !now.caution.is_empty() { p.caution { (now.caution) } }
                @if now.resumed { p.quiet { (texts::GUIDE_RESUMED) } }
                p.seen data-part="says" role="status" { (sentence(&now.says)) }
                form.presses method="post" action={ (car_href(car)) "/guide/press" } {
                    input type="hidden" name="at" value=(now.at);
                    @for press in now.presses.iter().filter(|press| now.at > 0 || **press != Press::Again) { button type="submit" name="press" value=(press.as_str()) { (texts::press(*press)) } }
                }
                noscript { p { (texts::GUIDE_WITHOUT_SCRIPT) " " a href={ (car_href(car)) "/guide" } { (texts::LOOK_AGAIN) } } }
            } @else {
                h1 { (now.kind.title()) ": " (texts::grade(now.record.result)) }
                p.seen { (now.says) }
            }
            form.keep method="post" action={ (car_href(car)) "/guide/keep" } {
                (who(texts::WHO))
                button type="submit" { @if now.does.is_some() { (texts::KEEP_SO_FAR) } @else { (texts::KEEP) } }
                button.lesser type="submit" formaction={ (car_href(car)) "/guide/drop" } { (texts::DROP) }
                @if now.does.is_none() { button.lesser type="submit" formaction={ (car_href(car)) "/guide/press" } name="press" value=(Press::Again.as_str()) { (texts::press(Press::Again)) } }
            }
            h2 { (texts::GUIDE_STEPS) }
            ol.guide-steps {
                @for (n, (name, answer)) in now.steps.iter().enumerate() {
                    li.due[n == now.at] aria-current=[(n == now.at).then_some("step")] {
                        strong { (name) }
                        @match answer {
                            Some((grade, says)) => { span.grade { (icon(shape(grade))) (texts::grade(grade)) } p { (sentence(says)) } },
                            None => span.grade.quiet { @if n == now.at { (texts::DUE) } @else { (texts::AHEAD) } },
                        }
                    }
                }
            }
        }
    }
}

fn shape(grade: &str) -> Shape {
    match grade {
        "passed" => Shape::Sound,
        "failed" => Shape::Attend,
        "remark" => Shape::Note,
        _ => Shape::Raw,
    }
}

/// The lines of a record.
pub(super) fn lines(text: &str) -> Markup {
    html! { ul.lines { @for line in text.lines() { li { (sentence(line)) } } } }
}

/// What the forms send.
#[derive(Debug, Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    test: String,
    #[serde(default)]
    press: String,
    /// The step that was shown.
    at: Option<usize>,
    #[serde(default)]
    author: String,
}

/// Asks the daemon on a thread that may block, and shows the page anew.
async fn done(
    app: App,
    car: String,
    act: impl FnOnce(&crate::app::Desk, &str) -> Result<(), Failure> + Send + 'static,
) -> Result<Redirect, Failed> {
    let back = format!("{}/guide", car_href(&car));
    app.ask(move |desk| {
        query::car(desk, &car)?;
        act(desk, &car)
    })
    .await?;
    Ok(Redirect::to(&back))
}

pub(super) async fn begin(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    Form(sent): Form<Sent>,
) -> Result<Redirect, Failed> {
    done(app, car, move |desk, car| guide::begin(desk, car, &sent.test, &caller.name)).await
}

pub(super) async fn press(
    State(app): State<App>,
    Path(car): Path<String>,
    Form(sent): Form<Sent>,
) -> Result<Redirect, Failed> {
    // Where the step is over meanwhile, the page shows what is due now.
    done(app, car, move |desk, car| guide::press(desk, car, sent.at, &sent.press).map(|_| ())).await
}

pub(super) async fn keep(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    Form(sent): Form<Sent>,
) -> Result<Redirect, Failed> {
    let author = gate::author(&sent.author, &caller);
    done(app, car, move |desk, car| guide::keep(desk, car, &author).map(|_| ())).await
}

pub(super) async fn drop(State(app): State<App>, Path(car): Path<String>) -> Result<Redirect, Failed> {
    done(app, car, move |desk, car| {
        desk.guides().end(car);
        Ok(())
    })
    .await
}
