//! `foldwatch evidence`: a signed bag out of recordings, and whether a bag is whole.

mod again;
pub mod kept;
mod logs;
pub mod pace;
mod record;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand, ValueEnum};
use foldwatch_evidence::{
    Digest, Entry, Keys, LeaveOut, Material, Paper, PublicKey, Request, Signer, Verified,
};
use foldwatch_units::Micros;

use crate::cli::moment;
use crate::out::say;
use crate::{input, profiles};
use kept::Choice;
use logs::{Again, Logs};

/// Make a signed bag of evidence, or say whether one is whole.
#[derive(Debug, Args)]
pub struct Evidence {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Make a bag: raw samples, what follows from them, how it was judged, a report, signed.
    Make(Box<Make>),
    /// Say whether a bag is whole, who signed it, and whether its samples give its findings. Exit status 0: all so; 1:
    /// not, and what.
    Verify(Verify),
    /// The signing key.
    Keys(KeysCommand),
}

#[derive(Debug, Args)]
struct Make {
    /// Logs of one car, in order of time: packed, text or delimited columns; `.gz` is taken as it is.
    #[arg(required_unless_present = "data", conflicts_with = "data", value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// The roof: a profile's file, or the id of one that comes with foldwatch. A data folder knows its car's.
    #[arg(long, value_name = "FILE", required_unless_present = "data", conflicts_with = "data")]
    profile: Option<PathBuf>,
    /// Instead of logs: the data folder of `foldwatch serve`.
    #[arg(long, value_name = "FOLDER", requires = "car")]
    data: Option<PathBuf>,
    /// From a data folder: not before this (RFC 3339).
    #[arg(long, value_name = "TIME", value_parser = moment, requires = "data")]
    from: Option<Micros>,
    /// From a data folder: before this (RFC 3339); the newest cycle's end where it is not given.
    #[arg(long, value_name = "TIME", value_parser = moment, requires = "data")]
    to: Option<Micros>,
    /// From a data folder: the cycles from one number to another, counted from the car's first, as `12-20`.
    #[arg(long, value_name = "A-B", value_parser = numbers, requires = "data", conflicts_with_all = ["from", "to"])]
    cycles: Option<(u32, u32)>,
    /// The column map of a log in columns.
    #[arg(long, value_name = "FILE")]
    columns: Option<PathBuf>,
    /// The car, as it shall stand in the evidence; the profile's id where it is not given.
    #[arg(long, value_name = "CAR")]
    car: Option<String>,
    /// The car's name for people.
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// A line of the service record: when (RFC 3339) and what was done, as `2026-05-04T12:00:00Z=new seals`.
    #[arg(long = "service", value_name = "TIME=TEXT", value_parser = service)]
    services: Vec<(Micros, String)>,
    /// The commissioning record: goes into the bag as it is.
    #[arg(long, value_name = "FILE")]
    commissioning: Option<PathBuf>,
    /// Where to: a folder, or a zip where the name ends in `.zip`. Nothing is written over.
    #[arg(long, short, value_name = "PLACE")]
    out: PathBuf,
    /// What is to be left out.
    #[arg(long, value_enum, value_name = "WHAT")]
    leave_out: Vec<Leave>,
    /// The date of the evidence (RFC 3339). Without it, that of the last thing recorded: the same input gives the same
    /// bytes.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    at: Option<Micros>,
    /// Paper of the report.
    #[arg(long, value_enum, default_value_t = Sheet::A4)]
    paper: Sheet,
    /// The bag that this one corrects.
    #[arg(long, value_name = "BAG")]
    revises: Option<PathBuf>,
    #[command(flatten)]
    keys: KeyFolder,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Sheet {
    /// 210 mm by 297 mm.
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Leave {
    /// The car's name, names of logs and loggers, authors of entries; and the originals, which carry names.
    Owner,
    /// The service record.
    Service,
    /// What was recorded, as it was recorded. Keep it: without it nobody can say that the samples are what was recorded.
    Originals,
}

#[derive(Debug, Args)]
struct Verify {
    /// The bag: a folder or a zip.
    #[arg(value_name = "BAG")]
    bag: PathBuf,
    /// The tester's public key (PEM), got by another way than the bag itself.
    #[arg(long, value_name = "FILE")]
    key: PathBuf,
    /// The logs that the bag was made from, in the same order: held against its chain, and where they are not in the bag
    /// themselves, against its samples.
    #[arg(long = "log", value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Only whether each file is as it was signed, and by whom: judges nothing anew, which takes most of the time.
    #[arg(long, conflicts_with = "logs")]
    files_only: bool,
}

#[derive(Debug, Args)]
struct KeysCommand {
    #[command(subcommand)]
    what: KeysWhat,
    #[command(flatten)]
    keys: KeyFolder,
}

#[derive(Debug, Subcommand)]
enum KeysWhat {
    /// Where the key is, its fingerprint, and the public key to hand out.
    Show,
    /// A new key takes over; the old one signs that, and its private half is gone.
    Rotate {
        /// The moment that stands in the statement (RFC 3339); now where it is not given.
        #[arg(long, value_name = "TIME", value_parser = moment)]
        at: Option<Micros>,
    },
}

#[derive(Debug, Args)]
pub struct KeyFolder {
    /// The folder of the signing key; made on first use. Keep it out of back-ups of the data.
    #[arg(long = "keys", value_name = "FOLDER", env = "FOLDWATCH_KEYS", global = true)]
    pub folder: Option<PathBuf>,
}

impl KeyFolder {
    /// Where keys are where nothing else is said: beside other programs' settings of this user (XDG Base Directory
    /// Specification), never with the data.
    pub fn usual() -> Option<PathBuf> {
        let own = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
        own("XDG_CONFIG_HOME")
            .map(|config| config.join("foldwatch/keys"))
            .or_else(|| own("HOME").map(|home| home.join(".config/foldwatch/keys")))
    }

    fn path(&self) -> Result<PathBuf> {
        let folder = self.folder.clone().or_else(Self::usual);
        folder.context("no home folder to keep the signing key in: name one with --keys")
    }

    fn open(&self) -> Result<Keys> {
        let keys = Keys::open(&self.path()?)?;
        if keys.new {
            eprintln!(
                "a signing key was made in {}; its public half is public.pem there, fingerprint {}",
                keys.folder().display(),
                keys.public().fingerprint().grouped()
            );
        }
        Ok(keys)
    }
}

fn service(text: &str) -> Result<(Micros, String), String> {
    let (at, what) = text.split_once('=').ok_or("write it as 2026-05-04T12:00:00Z=new seals")?;
    Ok((moment(at)?, what.trim().to_owned()))
}

fn numbers(text: &str) -> Result<(u32, u32), String> {
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    match (first.trim().parse(), last.trim().parse()) {
        (Ok(first), Ok(last)) if 1 <= first && first <= last => Ok((first, last)),
        _ => Err("write it as 12-20, counted from 1".to_owned()),
    }
}

pub fn run(args: &Evidence) -> Result<()> {
    match &args.what {
        What::Make(args) => make(args),
        What::Verify(args) => verify(args),
        What::Keys(args) => keys(args),
    }
}

fn make(args: &Make) -> Result<()> {
    match &args.data {
        Some(data) => {
            apart(&args.keys.path()?, data)?;
            let stretch = kept::Stretch { from: args.from, to: args.to, cycles: args.cycles };
            let mut kept = kept::Kept::open(data, args.car.as_deref().unwrap_or_default(), &stretch)?;
            let mut request = kept.request(choice(args)?)?;
            request.name = args.name.clone().or(request.name);
            request.entries.extend(args.services.iter().map(served));
            finish(args, &request, &mut kept)
        }
        None => of_logs(args),
    }
}

/// The keys of a folder that is not within the data.
pub fn keys_in(folder: &Path, data: &Path) -> Result<Keys> {
    apart(folder, data)?;
    Ok(Keys::open(folder)?)
}

fn apart(keys: &Path, data: &Path) -> Result<()> {
    if inside(keys, data) {
        bail!(
            "the signing key would lie in {}, within the data: whoever gets a back-up of it could sign in your name; \
             name another folder with --keys",
            keys.display()
        );
    }
    Ok(())
}

/// Whether a place lies within a folder, links followed as far as the place is there.
fn inside(place: &Path, folder: &Path) -> bool {
    let there = place.ancestors().find_map(|part| part.canonicalize().ok());
    matches!((there, folder.canonicalize()), (Some(place), Ok(folder)) if place.starts_with(&folder))
}

fn of_logs(args: &Make) -> Result<()> {
    if args.logs.iter().any(|log| log.as_os_str() == "-") {
        bail!("evidence needs the log as a file: its bytes are read more than once");
    }
    let from = args.profile.as_deref().context("no profile given")?;
    let profile = profiles::load(from)?;
    let map = args.columns.as_deref().map(profiles::read_text).transpose()?;
    let Choice { leave_out, at, revises, paper, commissioning } = choice(args)?;
    let request = Request {
        profile: Arc::clone(&profile),
        profile_text: profiles::text(from)?,
        columns_text: map,
        subject: args.car.clone().unwrap_or_else(|| profile.id.clone()),
        name: args.name.clone(),
        settings: Vec::new(),
        entries: args.services.iter().map(served).collect(),
        revisions: Vec::new(),
        commissioning,
        told: Vec::new(),
        remarks: Vec::new(),
        leave_out,
        at,
        revises,
        paper,
    };
    let columns = args.columns.as_deref().map(|from| input::column_map(from, &profile)).transpose()?;
    finish(args, &request, &mut Logs { logs: args.logs.clone(), profile, columns })
}

/// What can be chosen whatever the source is.
fn choice(args: &Make) -> Result<Choice> {
    Ok(Choice {
        leave_out: leave_out(&args.leave_out),
        at: args.at,
        revises: args.revises.as_deref().map(tag_manifest).transpose()?,
        paper: match args.paper {
            Sheet::A4 => Paper::A4,
            Sheet::Letter => Paper::Letter,
        },
        commissioning: args.commissioning.as_deref().map(commissioning).transpose()?,
    })
}

fn served((at, what): &(Micros, String)) -> Entry {
    Entry { at: *at, kind: "service".into(), subject: what.clone(), ..Entry::default() }
}

fn finish(args: &Make, request: &Request, material: &mut dyn Material) -> Result<()> {
    let keys = args.keys.open()?;
    let made = foldwatch_evidence::make(&args.out, request, material, &keys)?;
    let mut lines = vec![
        format!(
            "{}: {} cycles, {} findings, {} rows of samples, {} bytes",
            args.out.display(),
            made.cycles,
            made.findings,
            made.rows,
            made.bytes
        ),
        format!("signed with the key {}", keys.public().fingerprint().grouped()),
        format!("tag manifest {}", made.tag_manifest),
        format!("end of the chain over what was recorded {}", made.chain_head),
    ];
    lines.extend(made.seals_head.map(|head| format!("end of the chain over the archive {head}")));
    say(lines.join("\n"))
}

fn leave_out(asked: &[Leave]) -> Vec<LeaveOut> {
    let mut all: Vec<LeaveOut> = asked
        .iter()
        .map(|leave| match leave {
            Leave::Owner => LeaveOut::Owner,
            Leave::Service => LeaveOut::Service,
            Leave::Originals => LeaveOut::Originals,
        })
        .collect();
    all.sort();
    all.dedup();
    all
}

/// The ending of its name, and its bytes.
fn commissioning(from: &Path) -> Result<(String, Vec<u8>)> {
    let bytes = std::fs::read(from).with_context(|| format!("{} can't be read", from.display()))?;
    let ending = from.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
    let plain =
        ending.filter(|ending| !ending.is_empty() && ending.chars().all(|c| c.is_ascii_alphanumeric()));
    Ok((plain.unwrap_or_else(|| "txt".to_owned()), bytes))
}

/// The digest that names a bag.
pub fn tag_manifest(bag: &Path) -> Result<Digest> {
    foldwatch_evidence::tag_manifest(bag).with_context(|| format!("{}", bag.display()))
}

fn verify(args: &Verify) -> Result<()> {
    let key = PublicKey::read(&args.key)?;
    let (done, holds, words) = if args.files_only {
        let done = foldwatch_evidence::verify_files(&args.bag, &key)?;
        let whole = done.is_whole();
        (done, whole, "whole and signed; nothing was judged anew")
    } else {
        let done = foldwatch_evidence::verify(&args.bag, &key, &args.logs, &Again)?;
        let holds = done.holds();
        (done, holds, "whole, signed, and its findings follow from its samples")
    };
    let mut lines = told(&done, !args.logs.is_empty());
    if holds {
        lines.push(format!("{}: {words}", args.bag.display()));
        return say(lines.join("\n"));
    }
    say(lines.join("\n"))?;
    bail!("{} does not hold", args.bag.display())
}

fn told(done: &Verified, with_logs: bool) -> Vec<String> {
    let mut lines = Vec::new();
    let mut tell = |line: String| lines.push(line);
    for fault in &done.faults {
        tell(format!("NOT WHOLE  {fault}"));
    }
    if done.faults.is_empty() {
        tell(format!("files      {} files, {} bytes: each as it was signed", done.files, done.bytes));
    }
    match &done.signer {
        Signer::TheKey => tell("signature  by the key given".to_owned()),
        Signer::Successor(steps) => {
            tell(format!(
                "signature  by a key that the one given has named as its successor ({steps} on record)"
            ));
        }
        // Told among the faults.
        Signer::Unproven(_) => {}
    }
    if let Some(head) = done.chain_head {
        let logs = if with_logs { "; the logs are those it was made from" } else { "" };
        tell(format!("chain      unbroken up to {head}{logs}"));
    }
    if let Some(rows) = done.bound {
        tell(format!("samples    {rows} rows: each just as the originals on the chain give it"));
    }
    if let Some(anew) = &done.replayed {
        let (rows, cycles, findings) = (anew.rows, anew.cycles, anew.findings);
        if anew.differs.is_empty() {
            tell(format!(
                "findings   {rows} rows judged anew: the same {cycles} cycles and {findings} findings"
            ));
        }
        if anew.report {
            tell(
                "report     set anew from them: the same to the byte, with all that stands beside it"
                    .to_owned(),
            );
        }
        for differs in &anew.differs {
            tell(format!("DIFFERS    {differs}"));
        }
    } else if !done.is_whole() {
        tell("findings   not judged anew, because something is not whole".to_owned());
    }
    for note in &done.notes {
        tell(format!("note       {note}"));
    }
    lines
}

fn keys(args: &KeysCommand) -> Result<()> {
    let mut keys = args.keys.open()?;
    let mut lines = Vec::new();
    if let KeysWhat::Rotate { at } = &args.what {
        keys.rotate(&foldwatch_report::rfc3339(at.unwrap_or_else(foldwatch_collect::utc_now)))?;
        lines.push(
            "a new key is in use; hand out its public half. Bags of the old key stay valid.".to_owned(),
        );
    }
    lines.extend([
        format!("folder       {}", keys.folder().display()),
        format!("fingerprint  {}", keys.public().fingerprint().grouped()),
        format!("keys before  {}", keys.successions().len()),
        keys.public().to_pem().trim_end().to_owned(),
    ]);
    say(lines.join("\n"))
}
