//! The scorecard for people.

use std::fmt;

use comfy_table::Table;
use comfy_table::presets::ASCII_MARKDOWN;

use crate::card::Card;
use crate::interval::Share;

fn share(share: Share) -> String {
    let Some(value) = share.value() else { return "-".to_owned() };
    let (low, high) = share.interval();
    format!("{value:.3} ({low:.3} to {high:.3}) of {}", share.of)
}

fn plain(share: Share) -> String {
    share.value().map_or_else(|| "-".to_owned(), |value| format!("{value:.2}"))
}

impl fmt::Display for Card {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut table = Table::new();
        table.load_style(ASCII_MARKDOWN);
        let strengths: Vec<f64> = self
            .faults
            .iter()
            .map(|row| &row.by_strength)
            .max_by_key(|c| c.len())
            .map_or_else(Vec::new, |curve| curve.iter().map(|point| point.at).collect());
        let mut head = vec!["fault".to_owned(), "recall, moderate and up".to_owned(), "recall".to_owned()];
        head.extend(strengths.iter().map(|s| format!("at {s}")));
        head.extend(["precision".to_owned(), "told wrongly".to_owned()]);
        table.set_header(head);
        for row in &self.faults {
            let mut cells = vec![row.fault.to_owned(), share(row.recall_moderate), share(row.recall)];
            cells.extend(strengths.iter().map(|s| {
                row.by_strength
                    .iter()
                    .find(|point| point.at == *s)
                    .map_or_else(|| "-".to_owned(), |p| plain(p.recall))
            }));
            let wrong: Vec<String> = row.wrong.iter().map(|(name, n)| format!("{name} {n}")).collect();
            cells.extend([share(row.precision), wrong.join(", ")]);
            table.add_row(cells);
        }
        writeln!(f, "{table}\n")?;
        writeln!(f, "Cycles found: {}; invented: {}.", share(self.found), self.invented)?;
        writeln!(f, "Direction and outcome right: {}.", share(self.ended_right))?;
        let (events, [low, value, high]) = self.false_alarms_a_year();
        let which: Vec<String> = self.false_alarms.iter().map(|(name, n)| format!("{name} {n}")).collect();
        writeln!(
            f,
            "False alarms on {} sound cycles: {events} ({}); in a year of one car {value:.2} ({low:.2} to {high:.2}).",
            self.sound_cycles,
            if which.is_empty() { "none".to_owned() } else { which.join(", ") },
        )?;
        let within = |s: f64| self.edges_within(s).map_or_else(|| "-".to_owned(), |v| format!("{v:.1}"));
        writeln!(
            f,
            "Edges of steps against the contact, in samples: 50 % within {}, 99 % within {}, 99.9 % within {}, all within {}; \
             cycles with all edges within one: {}. Against the first moment at which the log shows the contact: {}.",
            within(0.5),
            within(0.99),
            within(0.999),
            within(1.0),
            share(self.edges_within_a_sample),
            share(self.edges_as_logged),
        )?;
        let mut table = Table::new();
        table.load_style(ASCII_MARKDOWN);
        table.set_header([
            "cycles with all edges within one sample",
            "of the contact",
            "of what the log shows",
        ]);
        for row in &self.by_logging {
            let how = if row.own_times { "switches with their own times" } else { "switches in the rows" };
            table.add_row([
                format!("{how}, {} Hz", row.rate_hz),
                share(row.from_contact),
                share(row.from_shown),
            ]);
        }
        writeln!(f, "{table}")
    }
}
