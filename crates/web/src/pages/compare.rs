//! One car before against after, and beside its kind.

use axum::extract::{Path, Query, State};
use foldwatch_report::trend::Compared;
use maud::{Markup, html};

use super::{At, Failed, car_href, frame, icon, time};
use crate::api::{CompareAsked, compared};
use crate::app::App;
use crate::charts::Shape;
use crate::{query, texts};

pub(super) async fn page(
    State(app): State<App>,
    Path(car): Path<String>,
    Query(asked): Query<CompareAsked>,
) -> Result<Markup, Failed> {
    let at = asked.at.clone();
    let (view, rows, kin) = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let rows = compared(desk, &view, at.as_deref())?;
            let kin = desk.fleet().standings(&view.car.id);
            Ok((view, rows, kin))
        })
        .await?;
    let (id, name) = (view.car.id.as_str(), view.car.name.as_str());
    let body = html! {
        h1 { (texts::COMPARE) ", " (name) }
        section {
            h2 { (texts::BEFORE_AFTER) }
            @match rows.first() {
                Some(first) => p { (texts::BEFORE_AND_AFTER) (time(&first.at)) ". " (texts::COMPARE_LEAD) },
                None => p.empty { (texts::NO_SERVICE) " " a href={ (car_href(id)) "#record" } { (texts::TO_RECORD) } },
            }
            form.choose method="get" action={ (car_href(id)) "/compare" } {
                label { (texts::ANOTHER_MOMENT) " " input type="datetime-local" name="at" step="1"; }
                button type="submit" { (texts::COMPARE) }
            }
            @if !rows.is_empty() { (table(&rows)) }
        }
        section {
            h2 { (texts::BESIDE_KIND) }
            @if kin.iter().all(|(_, _, kin)| kin.is_none()) { p.empty { (texts::TOO_FEW_KIN) } }
            @else {
                div.scroll tabindex="0" role="group" aria-label=(texts::BESIDE_KIND) { table {
                    thead { tr { @for word in texts::KIND_COLUMNS { th scope="col" { (word) } } } }
                    tbody { @for (trend, _, kin) in &kin { @if let Some(kin) = kin {
                        tr {
                            th scope="row" { (texts::followed(&trend.of)) }
                            td { (texts::fixed(trend.level, 2)) " " (trend.of.unit) }
                            td { (texts::fixed(kin.median, 2)) " " (trend.of.unit) }
                            td { (texts::fixed(100.0 * kin.ratio, 0)) " %" @if kin.unlike { span.call { " " (icon(Shape::Attend)) (texts::UNLIKE) } } }
                            td { (kin.cars) }
                        }
                    } } }
                } }
            }
        }
    };
    Ok(frame(texts::COMPARE, Some((id, name, At::Compare)), &app.hub().ports(), &body))
}

fn table(rows: &[Compared]) -> Markup {
    // What has changed stands on top; among equals the order of the steps stays.
    let mut sorted: Vec<&Compared> = rows.iter().collect();
    sorted.sort_by_key(|row| match row.verdict {
        "worse" => 0,
        "better" => 1,
        "no-change-shown" => 3,
        _ => 2,
    });
    html! {
        div.scroll tabindex="0" role="group" aria-label=(texts::BEFORE_AFTER) { table.compared.stacked {
            thead { tr { @for word in texts::COMPARED_COLUMNS { th scope="col" { (word) } } } }
            tbody { @for row in sorted {
                tr {
                    th scope="row" { (texts::followed(&row.of)) }
                    td { (verdict(row)) }
                    (side(texts::COMPARED_COLUMNS[2], row.count_before, row.median_before, &row.of.unit))
                    (side(texts::COMPARED_COLUMNS[3], row.count_after, row.median_after, &row.of.unit))
                }
            } }
        } }
    }
}

/// The heading goes along for a phone, where the rows are set one below the other.
fn side(heading: &str, count: usize, median: Option<f64>, unit: &str) -> Markup {
    html! { td data-heading=(heading) { @if let Some(median) = median { (texts::fixed(median, 2)) @if !unit.is_empty() { " " (unit) } ", " } (texts::of_cycles(count)) } }
}

/// The verdict, and how large the change is.
fn verdict(row: &Compared) -> Markup {
    let shape = match row.verdict {
        "better" => Shape::Sound,
        "worse" => Shape::Attend,
        _ => Shape::Raw,
    };
    // What rounds to nothing has no sign.
    let words = row.words.replace("-0.00", "0.00").replace("+0.00", "0.00");
    let (call, size) = words.split_once(": ").unwrap_or((&words, ""));
    html! {
        span.call { (icon(shape)) (texts::said(call)) }
        @if !size.is_empty() { " " span.size { (texts::said(size)) } }
    }
}
