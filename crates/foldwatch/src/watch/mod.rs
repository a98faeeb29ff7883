//! The daemon: ports to frames, frames to disk and verdicts, verdicts to pages.
//!
//! Three parts, joined by bounded queues, so that a slow disk makes loggers wait and nothing is dropped: the ports'
//! tasks, [`judge`] (frames to verdicts and to whoever watches live, never waiting for the disk), and [`keep`] (the one
//! writer; acknowledges what is on disk). [`archive`] takes finished days out of the journal.

pub mod access;
pub mod alarms;
mod alive;
mod archive;
mod bench;
mod books;
mod causes;
pub mod changing;
mod clocks;
mod evidence;
mod guides;
mod judge;
mod keep;
pub mod lines;
pub mod manager;
mod meters;
mod places;
mod ports;
mod release;
pub mod replay;
pub mod saved;
pub mod settings;
mod traces;

use std::net::SocketAddr;
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use anyhow::{Context, Result, anyhow};
use foldwatch_access::{Guard, Pace};
use foldwatch_collect::utc_now;
use foldwatch_store::{Car, Catalogue, SqliteReader, SqliteStore, Storage};
use foldwatch_web::{App, Door, Hub, Parts, Tls};
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};
use tokio::net::TcpListener;
use tokio::sync::mpsc;

use alive::Pulse;
use changing::Changing;
use judge::Judge;
use keep::Keeper;
use ports::Ports;
use settings::Settings;

/// Batches of frames that wait to be judged: at a full queue ports wait, and loggers with them.
const BATCHES: usize = 32;
/// Judged batches that wait to be written.
const WORKS: usize = 128;

/// A daemon that runs.
pub struct Watch {
    /// Where the pages are.
    pub address: SocketAddr,
    /// What happens now.
    pub hub: Arc<Hub>,
    serving: tokio::task::JoinHandle<std::io::Result<()>>,
    collecting: tokio::task::JoinHandle<()>,
    threads: Vec<std::thread::JoinHandle<()>>,
    pulses: Vec<Pulse>,
    causes: Arc<causes::Causes>,
    following: tokio::task::JoinHandle<()>,
    /// The owner's password, where this was the first start.
    pub first_password: Option<String>,
    /// What can change while it runs.
    pub changing: Changing,
}

impl Watch {
    /// Serves until `stop` comes, then ends: what was heard is written before this returns.
    ///
    /// # Errors
    /// When the pages can't be served any more, or a part of the daemon has broken down: whoever started it should start it
    /// again, since nothing that was acknowledged is lost by that.
    pub async fn until(self, stop: impl Future<Output = ()>) -> Result<()> {
        let mut serving = self.serving;
        let ended = tokio::select! {
            () = stop => None,
            ended = &mut serving => Some(ended.map_err(anyhow::Error::from).and_then(|ended| {
                ended.context("the pages can't be served any more")
            })),
            part = broken(&self.threads, &self.collecting) => Some(Err(anyhow!(
                "the {part} has broken down; loggers keep what was not acknowledged, so start it again"
            ))),
            never = manager::told(&self.hub, &self.pulses) => match never {},
        };
        manager::stopping();
        self.collecting.abort();
        self.following.abort();
        self.hub.close();
        serving.abort();
        // A page's connection may live on: the keeper must not wait for what it might enter.
        self.causes.close();
        let threads = self.threads;
        tokio::task::spawn_blocking(move || {
            for thread in threads {
                if thread.join().is_err() {
                    tracing::error!("a part of the daemon had broken down");
                }
            }
        })
        .await?;
        ended.unwrap_or(Ok(()))
    }
}

/// How often is looked whether every part is there.
const LOOK: Duration = Duration::from_secs(1);

/// The part that has ended though nobody asked it to.
async fn broken(threads: &[std::thread::JoinHandle<()>], collecting: &tokio::task::JoinHandle<()>) -> String {
    loop {
        // First, since the judge ends with it.
        if collecting.is_finished() {
            return "collector".to_owned();
        }
        if let Some(thread) = threads.iter().find(|thread| thread.is_finished()) {
            return thread.thread().name().unwrap_or("thread").to_owned();
        }
        tokio::time::sleep(LOOK).await;
    }
}

/// Starts everything.
///
/// # Errors
/// A folder that is in use, or can't be used; an address that is taken.
pub async fn start(settings: Settings) -> Result<Watch> {
    let meter = meter()?;
    meters::begin(settings.cars.iter().map(|car| car.id.as_str()));
    let files = access::Files::new(&settings.data);
    let tls = match &settings.tls {
        Some(files) => Some(Arc::new(Tls::load(&files.certificate, &files.key).map_err(|why| anyhow!(why))?)),
        None => None,
    };
    changing::guarded(&settings, &files)?;
    let listener = TcpListener::bind(settings.listen)
        .await
        .with_context(|| format!("{} can't be served: is another program there?", settings.listen))?;
    let address = listener.local_addr()?;
    let folder = settings.data.clone();
    let bags = evidence::Bags::new(&settings.data, settings.keys.clone());
    let cars = settings.cars.clone();
    let lines = settings.lines.clone();
    let hub = Arc::new(Hub::default());
    let ports = Arc::new(Ports::new(Arc::clone(&hub)));
    let lost = judge::Lost::default();
    let (keeps, judges) = (Pulse::new("keeper"), Pulse::new("judge"));
    let pulses = vec![keeps.clone(), judges.clone()];

    let (works_in, works) = sync_channel(WORKS);
    let repaired = judge::Repaired::default();
    let causes = Arc::new(causes::Causes::new(works_in.clone(), Arc::clone(&repaired)));
    let profiles = cars.iter().map(|car| (car.id.clone(), Arc::clone(&car.profile))).collect();
    let guides = Arc::new(guides::Guides::new(profiles, Arc::clone(&hub), &settings.data)?);
    let (batches_in, mut batches) = mpsc::channel(BATCHES);
    let (picks, mut picked) = mpsc::unbounded_channel();
    let watched = cars.iter().map(|car| car.id.clone()).collect();
    let places = Arc::new(places::Places::open(&settings.data, watched, picks)?);
    let parts = (Arc::clone(&ports), Arc::clone(&hub), Arc::clone(&lost));
    let open: Arc<traces::OpenReader> = {
        let folder = folder.clone();
        Arc::new(move || {
            SqliteReader::open(&folder).map(|reader| Box::new(reader) as Box<dyn Catalogue + Send>)
        })
    };
    let opened = Arc::clone(&open);
    let began = files.clone();
    let (keeper, reader, fleet, books, told, alarms, (accounts, first_password)) =
        tokio::task::spawn_blocking(move || -> Result<_> {
            let mut store = SqliteStore::open_with(&folder, settings.disk.reserve())?;
            // With the folder's lock held, so that two first starts don't make two owners.
            let people = began.begin()?;
            enter(&mut store, &settings.cars)?;
            let reader = store.reader()?;
            let (ports, hub, lost) = parts;
            let (told, alarms, outside) = match &settings.alarms {
                None => (None, None, None),
                Some(of) => {
                    let (ledger, alarms, to) = alarms::Alarms::new(of, &folder)?;
                    (Some(ledger), Some(alarms), Some(books::Outside { to, findings: of.findings }))
                }
            };
            let (fleet, books, news) = books::Books::new(&settings.cars, store.reader()?, opened, outside);
            let around = keep::Around { lost, ports, hub, news, pulse: keeps };
            let keeper = Keeper::new(store, &settings.cars, (settings.disk, settings.keep), around)?;
            Ok((keeper, reader, fleet, books, told, alarms, people))
        })
        .await??;
    let spawn = |name: &str, body: Box<dyn FnOnce() + Send>| {
        std::thread::Builder::new()
            .name(name.to_owned())
            .spawn(body)
            .map_err(|error| anyhow!("no thread for the {name}: {error}"))
    };
    let keeping = spawn("keeper", Box::new(move || keeper.run(&works)))?;
    let booking = spawn("books", Box::new(move || books.run()))?;
    let telling = alarms.map(|alarms| spawn("alarms", Box::new(move || alarms.run()))).transpose()?;
    let resumed = {
        let around = judge::Around {
            ports: Arc::clone(&ports),
            hub: Arc::clone(&hub),
            lost,
            repaired,
            causes: Arc::clone(&causes),
            guides: Arc::clone(&guides),
            fitted: places.fitted(),
            pulse: judges.clone(),
        };
        let (guides, causes) = (Arc::clone(&guides), Arc::clone(&causes));
        tokio::task::spawn_blocking(move || -> Result<Judge> {
            let judge = Judge::resume(&cars, lines, reader, works_in, around)?;
            // Not before: what is read again was seen by these tests already. What can't be read stops nobody's day.
            let enter = |entry| foldwatch_web::Causes::enter(&*causes, entry);
            if let Err(error) = guides.resume(enter) {
                tracing::error!("{error:#}");
            }
            Ok(judge)
        })
    };
    let mut judge = resumed.await?.context("what was recorded can't be read again")?;
    let judging = spawn(
        "judge",
        Box::new(move || {
            loop {
                judges.rest();
                let Some(batch) = batches.blocking_recv() else { break };
                judges.beat();
                metrics::gauge!("foldwatch_batches_waiting").set(batches.len() as f64);
                if !judge.take(batch) {
                    break;
                }
            }
        }),
    )?;
    let news = Arc::clone(&ports);
    let collecting = tokio::spawn(async move {
        let listen = |ports| {
            let news = Arc::clone(&news);
            foldwatch_collect::collect(ports, batches_in.clone(), move |n| news.news(n))
        };
        let mut all = tokio::task::JoinSet::new();
        let said: Vec<String> = settings.ports.iter().map(|port| port.name.clone()).collect();
        all.spawn(listen(settings.ports));
        // What the settings say goes before what was picked. None comes any more only when the pages are gone.
        while let Some(port) = picked.recv().await {
            if !said.contains(&port.name) {
                all.spawn(listen(vec![port]));
            }
        }
        all.join_all().await;
    });
    let opened = Arc::clone(&open);
    let trail = Arc::new(access::Trail::new(files.clone()));
    let pace = Pace::new(settings.limits.requests_a_second, settings.limits.requests_at_once);
    let door = Arc::new(Door::new(Guard::new(accounts, pace), trail));
    let changing = Changing { files, door: Arc::clone(&door), tls: tls.clone() };
    let following = tokio::spawn(changing.clone().follow());
    let app = App::new(Parts {
        open: Box::new(move || opened()),
        traces: Arc::new(traces::Kept(open)),
        causes: Arc::clone(&causes) as Arc<dyn foldwatch_web::Causes>,
        guides: guides as Arc<dyn foldwatch_web::Guides>,
        places: places as Arc<dyn foldwatch_web::Places>,
        evidence: Arc::new(bags),
        fleet,
        told,
        hub: Arc::clone(&hub),
        door,
        metrics: Box::new(move || meter.render()),
    });
    let bounds = settings.limits.bounds();
    let serving = tokio::spawn(foldwatch_web::serve(listener, app, tls, bounds, std::future::pending()));
    Ok(Watch {
        address,
        hub,
        serving,
        collecting,
        threads: [judging, keeping, booking].into_iter().chain(telling).collect(),
        causes,
        pulses,
        following,
        first_password,
        changing,
    })
}

/// Cars and profiles as the settings have them.
fn enter(store: &mut SqliteStore, cars: &[settings::CarSettings]) -> Result<()> {
    let at = utc_now();
    for car in cars {
        store.put_profile(&car.profile.id, &car.text, at)?;
        store.put_car(&Car {
            id: car.id.clone(),
            name: car.name.clone(),
            profile: car.profile.id.clone(),
            recorded: at,
        })?;
    }
    Ok(())
}

/// The process's one set of counters.
fn meter() -> Result<PrometheusHandle> {
    static METER: OnceLock<PrometheusHandle> = OnceLock::new();
    if let Some(meter) = METER.get() {
        return Ok(meter.clone());
    }
    let meter = PrometheusBuilder::new().install_recorder().context("no counters")?;
    Ok(METER.get_or_init(|| meter).clone())
}
