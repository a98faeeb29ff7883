//! `foldwatch ports`: which ports there are, and which logger speaks there.

use std::io::Write;
use std::time::Duration;

use anyhow::{Context, Result};
use foldwatch_collect::{Batch, Heard, Port, collect, found};
use foldwatch_wire::Frame;
use tokio::sync::mpsc;

use crate::cli::Ports;

pub fn run(args: &Ports) -> Result<()> {
    let mut out = std::io::stdout().lock();
    let ports = found()?;
    if ports.is_empty() && args.names.is_empty() {
        writeln!(
            out,
            "This machine has no serial port. Plug the logger in; a driver may be needed for its adapter."
        )?;
        return Ok(());
    }
    for port in &ports {
        writeln!(out, "{}  {}", port.name, port.what)?;
    }
    if args.listen > 0.0 {
        let names: Vec<String> = if args.names.is_empty() {
            ports.into_iter().map(|port| port.name).collect()
        } else {
            args.names.clone()
        };
        writeln!(out, "\nListening for {} s ...", args.listen)?;
        for (name, heard) in listen(&names, args.baud, Duration::from_secs_f64(args.listen))? {
            writeln!(out, "{name}  {heard}")?;
        }
    }
    Ok(())
}

/// What is heard at each port. Only listens and greets: nothing is acknowledged, so loggers keep all that they have.
fn listen(names: &[String], baud: u32, long: Duration) -> Result<Vec<(String, String)>> {
    let runtime = tokio::runtime::Runtime::new().context("can't listen")?;
    let said = std::sync::Arc::new(std::sync::Mutex::new(std::collections::BTreeMap::new()));
    let note = std::sync::Arc::clone(&said);
    runtime.block_on(async {
        let ports = names.iter().map(|name| Port { name: name.clone(), baud, encoding: None }).collect();
        let (to, mut batches) = mpsc::channel::<Batch>(16);
        let words = std::sync::Arc::clone(&said);
        tokio::spawn(collect(ports, to, move |news| {
            let mut words = words.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            let entry: &mut (String, bool) = words.entry(news.port.to_string()).or_default();
            if !entry.1 {
                entry.0 = news.words;
            }
        }));
        let all = async {
            while let Some(batch) = batches.recv().await {
                for heard in batch.heard {
                    let Heard::Frame(arrived) = heard else { continue };
                    let mut words = note.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                    let entry = words.entry(batch.port.to_string()).or_default();
                    if let Frame::Hello(hello) = &arrived.frame {
                        *entry = (
                            format!(
                                "logger {:08X}, `{}`, firmware {}, {} signals",
                                arrived.id.logger,
                                hello.name,
                                hello.firmware,
                                hello.signals.len()
                            ),
                            true,
                        );
                    } else if !entry.1 {
                        *entry = (format!("logger {:08X}", arrived.id.logger), true);
                    }
                }
            }
        };
        let _ = tokio::time::timeout(long, all).await;
    });
    drop(runtime);
    let said = said.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    Ok(said.iter().map(|(name, (words, _))| (name.clone(), words.clone())).collect())
}
