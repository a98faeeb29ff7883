//! `foldwatch alarms`: who outside is told, what they were told, and whether messages arrive.

use std::io::Write;

use anyhow::{Context, Result, bail};
use comfy_table::presets::UTF8_HORIZONTAL_ONLY;
use comfy_table::{ContentArrangement, Table};
use foldwatch_alarm::{Delivery, Ledger};
use foldwatch_collect::utc_now;
use foldwatch_report::rfc3339;

use crate::cli::Alarms;
use crate::out::say;
use crate::watch::alarms;
use crate::watch::settings::{self, Overrides};

pub fn run(args: &Alarms) -> Result<()> {
    let overrides =
        Overrides { config: Some(args.config.clone()), data: args.data.clone(), ..Overrides::default() };
    let settings = settings::settings(&overrides)?;
    let Some(of) = &settings.alarms else {
        bail!("{}: nobody is told of anything; it has no [alarms]", args.config.display());
    };
    let ways = alarms::ways(of)?;
    if args.attempt {
        let names: Vec<String> = ways.iter().map(|way| way.name().to_owned()).collect();
        let mut failed = 0;
        for (way, due) in ways.iter().zip(Ledger::trial(&names, utc_now(), of.rules.page.as_ref())) {
            match way.send(&due, utc_now()) {
                Ok(()) => say(format!("{}: arrived", way.name()))?,
                Err(failure) => {
                    failed += 1;
                    say(format!("{}: {}", way.name(), failure.why))?;
                }
            }
        }
        if failed > 0 {
            bail!("{failed} of {} messages did not arrive", names.len());
        }
        return Ok(());
    }
    let ledger = alarms::kept(&alarms::file(&settings.data))?;
    let mut out = std::io::stdout().lock();
    let write = |out: &mut dyn Write| -> std::io::Result<()> {
        writeln!(out, "{}", of.rules)?;
        for hook in &of.hooks {
            writeln!(out, "webhook:{hook:?}")?;
        }
        if let Some(mail) = &of.mail {
            writeln!(out, "mail: {mail:?}")?;
        }
        if ledger.matters().is_empty() {
            return writeln!(out, "\nNo matter so far.");
        }
        let mut table = Table::new();
        table.load_style(UTF8_HORIZONTAL_ONLY).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_header(["Car", "Matter", "Last", "Cycles", "Told"]);
        for matter in ledger.matters().iter().rev() {
            let told: Vec<String> =
                matter.told.iter().map(|(way, of)| format!("{way} {}", became(of))).collect();
            let ended = matter.ended.map(|at| format!(" (ended {})", rfc3339(at))).unwrap_or_default();
            table.add_row([
                matter.name.clone(),
                format!("{}{ended}", matter.title),
                rfc3339(matter.last),
                matter.cycles.to_string(),
                if told.is_empty() { "not yet".to_owned() } else { told.join("\n") },
            ]);
        }
        writeln!(out, "{table}")
    };
    write(&mut out).context("can't print")
}

fn became(delivery: &Delivery) -> String {
    match (delivery.arrived, delivery.next) {
        (Some(at), _) => rfc3339(at),
        (None, Some(next)) if delivery.tries > 0 => {
            format!("tried again {}: {}", rfc3339(next), delivery.trouble)
        }
        (None, Some(_)) => "being sent".to_owned(),
        (None, None) => format!("given up: {}", delivery.trouble),
    }
}
