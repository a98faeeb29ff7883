//! What people wrote about a car, and the forms to write it.

use axum::Form;
use axum::extract::{Path, State};
use axum::response::Redirect;
use maud::{Markup, html};
use serde::Deserialize;

use super::guide::lines;
use super::{Failed, car_href, sentence, short_time, who};
use crate::app::App;
use crate::entries::{self, EntryRow, Written};
use crate::failure::Failure;
use crate::gate::Who;
use crate::{own, query, texts};

/// Entries that the page shows, the newest of them.
const SHOWN: usize = 50;

/// The section of the car's page.
pub(super) fn section(car: &str, entries: &[EntryRow]) -> Markup {
    html! {
        section id="record" {
            h2 { (texts::RECORD) }
            @if entries.is_empty() { p.empty { (texts::NOTHING_WRITTEN) } }
            ul.record { @for entry in entries.iter().rev().take(SHOWN) { (item(entry)) } }
            @if entries.len() > SHOWN { p.quiet { (texts::older_entries(entries.len() - SHOWN)) } }
            details open[entries.is_empty()] {
                summary { (texts::WRITE_ENTRY) }
                p { (texts::WRITE_LEAD) }
                form.entry method="post" action={ (car_href(car)) "/record" } {
                    label { (texts::ENTRY_KIND) " " select name="kind" { option value="service" { (texts::KIND_SERVICE) } option value="note" { (texts::KIND_NOTE) } } }
                    label { (texts::ENTRY_SUBJECT) " " input type="text" name="subject" required maxlength="300" list="usual-work"; }
                    datalist id="usual-work" { @for work in texts::USUAL_WORK { option value=(work) {} } }
                    label { (texts::ENTRY_AT) " " input type="datetime-local" name="at"; }
                    (who(texts::WHO))
                    label { (texts::ENTRY_TEXT) " " textarea name="text" rows="2" maxlength="2000" {} }
                    @if !entries.is_empty() { label { (texts::ENTRY_CORRECTS) " " input type="number" name="corrects" min="1" inputmode="numeric"; } }
                    button type="submit" { (texts::WRITE_ENTRY) }
                }
            }
            details {
                summary { (texts::MANY_ENTRIES) }
                p { a href={ "/api/v1" (car_href(car)) "/record.csv" } { (texts::RECORD_CSV) } }
                form.entry method="post" action={ (car_href(car)) "/record" } {
                    label { (texts::ENTRY_CSV) " " textarea name="csv" rows="4" required placeholder=(texts::CSV_EXAMPLE) {} }
                    button type="submit" { (texts::TAKE_IN) }
                }
            }
        }
    }
}

fn item(entry: &EntryRow) -> Markup {
    html! {
        li.corrected[entry.corrected] {
            span.quiet { (entry.number) ". " } (short_time(&entry.at)) " "
            (said(entry))
            @if !entry.author.is_empty() { span.quiet { " " (entry.author) } }
            @if let Some(number) = entry.corrects { span.quiet { " " (texts::in_place_of(number)) } }
            @if entry.corrected { span.quiet { " " (texts::CORRECTED) } }
        }
    }
}

/// What it was: a guided test by its name with its record folded away, a check by what was asked and seen.
fn said(entry: &EntryRow) -> Markup {
    let kind = texts::entry_kind(entry.kind);
    html! {
        @match (entry.kind, foldwatch_guide::Kind::of(&entry.subject)) {
            ("check", Some(test)) => {
                strong { (kind) ": " (test.title()) }
                ". " (texts::capital(texts::grade(&entry.result))) "."
                @if !entry.text.is_empty() { details { summary { (texts::LAST_RECORD) } (lines(&entry.text)) } }
            }
            ("check", None) if !entry.text.is_empty() => {
                strong { (kind) ": " (entry.result) } ". " (sentence(&entry.text))
            }
            _ => {
                strong { (kind) ": " (entry.subject) }
                @if !entry.result.is_empty() { ". " (entry.result) }
                @if !entry.text.is_empty() { " " (entry.text) }
            }
        }
    }
}

/// What the forms send.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    kind: String,
    #[serde(default)]
    subject: String,
    #[serde(default)]
    at: String,
    #[serde(default)]
    author: String,
    #[serde(default)]
    text: String,
    #[serde(default)]
    corrects: String,
    /// Many at once, as CSV.
    #[serde(default)]
    csv: String,
}

impl Sent {
    fn written(self) -> Result<Vec<Written>, Failure> {
        if !self.csv.trim().is_empty() {
            return entries::from_csv(&self.csv);
        }
        let corrects = match self.corrects.trim() {
            "" => None,
            text => {
                Some(text.parse().map_err(|_| Failure::parameter("corrects", text, "an entry's number"))?)
            }
        };
        let Sent { kind, subject, at, author, text, .. } = self;
        // A browser ends lines in a field with CR and LF.
        let text = text.replace("\r\n", "\n");
        Ok(vec![Written { kind, at, subject, text, author, corrects }])
    }
}

/// Takes entries from the page's forms, and shows the page anew.
pub(super) async fn write(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    Form(sent): Form<Sent>,
) -> Result<Redirect, Failed> {
    let back = format!("{}#record", car_href(&car));
    let written = entries::by(&caller, sent.written()?);
    app.ask(move |desk| {
        query::car(desk, &car)?;
        entries::enter(desk, &car, written, own::now())
    })
    .await?;
    Ok(Redirect::to(&back))
}
