//! `foldwatch access`: people and tokens of a daemon's folder. A daemon that runs takes the change within seconds.

use std::io::Read;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};
use clap::{Args, Subcommand};
use foldwatch_access::{Person, Role, SHORTEST_PASSWORD, Token, digest, hashed, password, secret};
use foldwatch_web::{Deed, Trail as _};

use crate::out::say;
use crate::watch::access::{Files, OWNER, Trail, random};

/// Who may do what in a daemon's folder.
#[derive(Debug, Args)]
pub struct Access {
    /// The daemon's folder.
    #[arg(long, value_name = "FOLDER", env = "FOLDWATCH_DATA", global = true)]
    data: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    what: What,
}

/// What to do.
#[derive(Debug, Subcommand)]
enum What {
    /// Add somebody who signs in with a password.
    Add {
        /// What they sign in as.
        name: String,
        /// What they may do: look, work (enter checks and service, too) or administer (see the trail, too).
        #[arg(long)]
        role: Role,
        /// Take the password from this file (`-`: standard input) instead of making one.
        #[arg(long, value_name = "FILE")]
        password_from: Option<PathBuf>,
    },
    /// Give somebody another password; they are signed out everywhere.
    Password {
        /// Who.
        name: String,
        /// Take the password from this file (`-`: standard input) instead of making one.
        #[arg(long, value_name = "FILE")]
        password_from: Option<PathBuf>,
    },
    /// Let somebody do more or less.
    Role {
        /// Who.
        name: String,
        /// look, work or administer.
        role: Role,
    },
    /// Take somebody out.
    Remove {
        /// Who.
        name: String,
    },
    /// Make a token for a program; it is shown this once.
    Token {
        /// What it is for.
        name: String,
        /// What its holder may do.
        #[arg(long)]
        role: Role,
    },
    /// Take a token out.
    Revoke {
        /// What it was for.
        name: String,
    },
    /// Who there is.
    List,
    /// Who did what.
    Trail {
        /// So many of the newest.
        #[arg(long, default_value_t = 100)]
        last: usize,
    },
}

pub fn run(args: &Access) -> Result<()> {
    let folder = args.data.as_deref().context("whose people? give --data FOLDER")?;
    let files = Files::new(folder);
    let trail = Trail::new(files.clone());
    let done = match &args.what {
        What::Add { name, role, password_from } => {
            let (word, hash, made) = secret_of(password_from.as_deref())?;
            files.change(|people| {
                Ok(people.add_person(Person { name: name.clone(), role: *role, password: hash })?)
            })?;
            told(name, &word, made)?;
            format!("add {name}, who may {role}")
        }
        What::Password { name, password_from } => {
            let (word, hash, made) = secret_of(password_from.as_deref())?;
            files.change(|people| Ok(people.set_password(name, hash)?))?;
            if name == OWNER {
                // It opens nothing any more.
                let _ = std::fs::remove_file(files.first_password());
            }
            told(name, &word, made)?;
            format!("another password for {name}")
        }
        What::Role { name, role } => {
            files.change(|people| Ok(people.set_role(name, *role)?))?;
            format!("{name} may {role}")
        }
        What::Remove { name } => {
            files.change(|people| Ok(people.remove_person(name)?))?;
            format!("remove {name}")
        }
        What::Token { name, role } => {
            let token = secret(&random()?);
            let kept = Token { name: name.clone(), role: *role, sha256: digest(&token) };
            files.change(|people| Ok(people.add_token(kept)?))?;
            say(token)?;
            eprintln!("Show it as `Authorization: Bearer TOKEN`. It is not kept and can't be shown again.");
            format!("token {name}, which may {role}")
        }
        What::Revoke { name } => {
            files.change(|people| Ok(people.remove_token(name)?))?;
            format!("revoke token {name}")
        }
        What::List => return list(&files),
        What::Trail { last } => {
            for deed in trail.newest(*last).map_err(|why| anyhow!(why))? {
                say(format!("{}  {}  {}  {}  {}", deed.at, deed.who, deed.from, deed.what, deed.outcome))?;
            }
            return Ok(());
        }
    };
    trail.note(&Deed::new("command line", "this machine", &done, "done"));
    Ok(())
}

fn list(files: &Files) -> Result<()> {
    let people = files.read()?.unwrap_or_default();
    for person in &people.person {
        say(format!("{:<24} {:<12} signs in with a password", person.name, person.role.as_str()))?;
    }
    for token in &people.token {
        say(format!("{:<24} {:<12} shows a token", token.name, token.role.as_str()))?;
    }
    Ok(())
}

/// A password with its hash, and whether it was made here.
fn secret_of(from: Option<&Path>) -> Result<(String, String, bool)> {
    let word = match from {
        None => password(&random()?),
        Some(path) => {
            let mut text = String::new();
            if path == Path::new("-") {
                std::io::stdin().take(4096).read_to_string(&mut text).context("standard input")?;
            } else {
                text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
            }
            let word = text.lines().next().unwrap_or_default().to_owned();
            if word.chars().count() < SHORTEST_PASSWORD {
                bail!(
                    "the password is too short: at least {SHORTEST_PASSWORD} characters; a few words will do"
                );
            }
            word
        }
    };
    let hash = hashed(&word, &random()?).map_err(|why| anyhow!(why))?;
    Ok((word, hash, from.is_none()))
}

fn told(name: &str, word: &str, made: bool) -> Result<()> {
    if made {
        say(word)?;
        eprintln!("{name} signs in with this password. It is not kept and can't be shown again.");
    }
    Ok(())
}
