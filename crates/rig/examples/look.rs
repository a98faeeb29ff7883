//! Prints what a scenario does: `cargo run -p foldwatch-rig --release --example look -- PROFILE.toml [cycles|week]`.
//! With `rows` as third argument, the rows too.

use foldwatch_rig::{Recorder, RigEvent, Scenario, TruthLine, simulate};

struct Print {
    rows: bool,
    driven_s: f64,
    counted: u64,
    edges: u64,
    names: Vec<String>,
}

impl Recorder for Print {
    fn event(&mut self, event: RigEvent<'_>) {
        match event {
            RigEvent::Row { at, analog } => {
                self.counted += 1;
                if self.rows {
                    println!("{:.3} {analog:?}", at.as_secs() % 86_400.0);
                }
            }
            RigEvent::Edge { at, signal, on } => {
                self.edges += 1;
                if self.rows {
                    println!("{:.4} {} {on}", at.as_secs() % 86_400.0, self.names[signal.at()]);
                }
            }
            other => println!("{other:?}"),
        }
    }

    fn truth(&mut self, line: TruthLine) {
        match line {
            TruthLine::Roof(_) | TruthLine::Log(_) => {}
            TruthLine::Cycle(c) => {
                self.driven_s += (c.end_us - c.start_us).0;
                println!(
                    "{} {} {:?} {:.2} s, oil {:.1}, {:.2} V, {:.0} bar, run-on {:.3}, faults {:?}",
                    c.index,
                    c.direction,
                    c.outcome,
                    (c.end_us - c.start_us).0,
                    c.oil_c,
                    c.lowest_supply_v,
                    c.highest_pressure_bar,
                    c.run_on_s,
                    c.faults.iter().map(|f| f.kind.clone()).collect::<Vec<_>>()
                );
                for p in &c.phases {
                    println!(
                        "    {:<20} {:.3} {} arrived {:.3} left {:.3}",
                        p.name,
                        (p.end_us - p.start_us).0,
                        if p.confirmed { "confirmed" } else { "-" },
                        p.arrived_us.map_or(f64::NAN, |a| (a - p.start_us).0),
                        (p.left_us - p.start_us).0,
                    );
                }
            }
        }
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let text = std::fs::read_to_string(&args[1])?;
    let profile = foldwatch_profile::parse(&text).map_err(|e| format!("{e:?}"))?.profile;
    let mode = args.get(2).map_or("cycles", String::as_str);
    let scenario = match mode {
        "week" => Scenario::week(&profile, 1),
        "year" => Scenario::year(&profile, 1),
        _ => Scenario::cycles(&profile, 1, 2),
    };
    let rows = args.get(3).is_some();
    if rows {
        println!("{:#?}", scenario.layout);
    }
    let names = profile.signals.iter().map(|s| s.id.clone()).collect();
    let mut print = Print { rows, driven_s: 0.0, counted: 0, edges: 0, names };
    let t0 = std::time::Instant::now();
    simulate(&scenario, &mut print)?;
    let took = t0.elapsed().as_secs_f64();
    let whole = (scenario.end - scenario.start).0;
    println!(
        "{} rows, {} edges in {took:.2} s: {:.0} times real time, {:.0} times if only the {:.0} s of drive count",
        print.counted,
        print.edges,
        whole / took,
        print.driven_s / took,
        print.driven_s
    );
    Ok(())
}
