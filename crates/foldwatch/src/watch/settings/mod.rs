//! What the daemon is told: from one file, the environment over it, and the command line over both.

mod file;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, Result, anyhow, bail};
use foldwatch_collect::Port;
use foldwatch_columns::ColumnMap;
use foldwatch_profile::Profile;
use foldwatch_wire::Encoding;

use super::alarms::settings::AlarmSettings;
use super::lines::LinesSettings;
use crate::evidence::KeyFolder;
use crate::profiles;
pub use file::{Disk, Keep, Limits, LogForm};
use file::{PortEncoding, PortKeys, Read};

/// What the daemon works with.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The folder that holds everything.
    pub data: PathBuf,
    /// The folder of the key that signs evidence, outside the data; `None`: no evidence can be made.
    pub keys: Option<PathBuf>,
    /// Where the pages are served.
    pub listen: SocketAddr,
    /// Where loggers are heard.
    pub ports: Vec<Port>,
    /// Which of them bring lines of columns, and whose.
    pub lines: Vec<LinesSettings>,
    /// Whose roofs are watched.
    pub cars: Vec<CarSettings>,
    /// Who outside is told; `None`: nobody.
    pub alarms: Option<AlarmSettings>,
    /// What encrypts the pages.
    pub tls: Option<TlsFiles>,
    /// Bounds on those who ask.
    pub limits: Limits,
    /// Room on the disk.
    pub disk: Disk,
    /// How long samples are kept.
    pub keep: Keep,
    /// How the log is written.
    pub log_form: LogForm,
}

/// Certificate and key, as PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate, with those between it and the authority behind it.
    pub certificate: PathBuf,
    /// Its key.
    pub key: PathBuf,
}

/// A car.
#[derive(Debug, Clone)]
pub struct CarSettings {
    /// Its id.
    pub id: String,
    /// Its name for people.
    pub name: String,
    /// The text of its profile.
    pub text: String,
    /// The profile.
    pub profile: Arc<Profile>,
    /// Its loggers; none: the logger that no other car names.
    pub loggers: Vec<u32>,
    /// The group of cars that it belongs to; empty: none.
    pub group: String,
}

impl CarSettings {
    /// With a profile's file or the id of a shipped one.
    ///
    /// # Errors
    /// A profile that can't be read or is wrong.
    pub fn new(id: &str, name: &str, profile: &Path, loggers: Vec<u32>) -> Result<Self> {
        let text = profiles::text(profile)?;
        let loaded = foldwatch_profile::parse(&text).map_err(|problems| profiles::all(profile, &problems))?;
        Ok(CarSettings {
            id: id.to_owned(),
            name: name.to_owned(),
            text,
            profile: Arc::new(loaded.profile),
            loggers,
            group: String::new(),
        })
    }
}

/// The speed that is taken where none is said.
pub const USUAL_BAUD: u32 = 115_200;
/// Where the pages are where nothing else is said.
pub const USUAL_ADDRESS: ([u8; 4], u16) = ([127, 0, 0, 1], 8765);

/// What the command line may say instead.
#[derive(Debug, Default)]
pub struct Overrides {
    /// The settings' file.
    pub config: Option<PathBuf>,
    /// The data's folder.
    pub data: Option<PathBuf>,
    /// The folder of the key that signs evidence.
    pub keys: Option<PathBuf>,
    /// Where to serve.
    pub listen: Option<SocketAddr>,
    /// Where to listen, instead of the file's ports.
    pub ports: Vec<String>,
    /// Speed of those.
    pub baud: u32,
    /// What the columns of lines of columns are, at those.
    pub columns: Option<PathBuf>,
    /// A car with its profile, besides the file's cars.
    pub car: Option<(String, PathBuf)>,
}

/// The settings as they were said, and by whom.
///
/// # Errors
/// A file that can't be read, or the first wrong key or value, with its place.
pub fn read(overrides: &Overrides) -> Result<Read> {
    let text =
        overrides.config.as_deref().map(|path| Ok::<_, anyhow::Error>((path, profiles::read_text(path)?)));
    let text = text.transpose()?;
    // The command line knows this one from the environment, too.
    let in_environment = std::env::var_os("FOLDWATCH_KEYS").map(PathBuf::from);
    let keys = overrides.keys.as_ref().filter(|keys| Some(*keys) != in_environment.as_ref());
    let said = [
        ("data", overrides.data.as_ref().map(|data| data.display().to_string())),
        ("keys", keys.map(|keys| keys.display().to_string())),
        ("listen", overrides.listen.map(|listen| listen.to_string())),
    ];
    let said: Vec<_> = said.into_iter().filter_map(|(key, value)| Some((key, value?))).collect();
    Read::new(text.as_ref().map(|(path, text)| (*path, text.as_str())), std::env::vars_os(), &said)
}

/// The settings, checked.
///
/// # Errors
/// A file that can't be read or is wrong, with line and column; or nothing to do.
pub fn settings(overrides: &Overrides) -> Result<Settings> {
    let file = read(overrides)?.file;
    let beside = overrides.config.as_deref().and_then(Path::parent).unwrap_or(Path::new(""));
    let mut cars = Vec::new();
    for car in &file.car {
        let loggers = car
            .loggers
            .iter()
            .map(|text| {
                u32::from_str_radix(text, 16).map_err(|_| {
                    anyhow!(
                        "car `{}`: `{text}` is no logger; eight hexadecimal digits, as `0000002A`",
                        car.id
                    )
                })
            })
            .collect::<Result<_>>()?;
        let profile = near(beside, &car.profile);
        let new = CarSettings::new(&car.id, car.name.as_deref().unwrap_or(&car.id), &profile, loggers)?;
        cars.push(CarSettings { group: car.group.clone(), ..new });
    }
    if let Some((id, profile)) = &overrides.car {
        cars.retain(|car| car.id != *id);
        cars.push(CarSettings::new(id, id, profile, Vec::new())?);
    }
    if cars.is_empty() {
        bail!("no car: name one in the settings ([[car]] with id and profile), or give --car and --profile");
    }
    for (n, car) in cars.iter().enumerate() {
        if cars.iter().take(n).any(|before| before.id == car.id) {
            bail!("car `{}` stands twice in the settings", car.id);
        }
        for logger in &car.loggers {
            if let Some(other) = cars.iter().take(n).find(|before| before.loggers.contains(logger)) {
                bail!("logger {logger:08X} is given to two cars: `{}` and `{}`", other.id, car.id);
            }
        }
    }
    if cars.iter().filter(|car| car.loggers.is_empty()).count() > 1 {
        bail!("more than one car names no loggers: whose frames are whose would be a guess");
    }
    let named = |name: &String| PortKeys {
        name: name.clone(),
        baud: overrides.baud,
        encoding: None,
        car: overrides.car.as_ref().filter(|_| overrides.columns.is_some()).map(|(id, _)| id.clone()),
        columns: overrides.columns.clone(),
    };
    let beside_file = beside;
    let (listed, beside) = match overrides.ports.as_slice() {
        [] => (file.port, beside),
        names => (names.iter().map(named).collect(), Path::new("")),
    };
    let ports = listed.iter().map(port).collect();
    let lines = listed
        .iter()
        .filter_map(|port| lines(port, &cars, beside).transpose())
        .collect::<Result<Vec<_>>>()?;
    let listen = file.listen.unwrap_or_else(|| SocketAddr::from(USUAL_ADDRESS));
    let tls = match (&file.tls.certificate, &file.tls.key) {
        (Some(certificate), Some(key)) => {
            Some(TlsFiles { certificate: near(beside_file, certificate), key: near(beside_file, key) })
        }
        (None, None) => None,
        _ => bail!("[tls]: certificate and key belong together; name both or none"),
    };
    let data = file.data.context("no folder for the data: give --data FOLDER")?;
    let keys = file.keys.or_else(KeyFolder::usual);
    let alarms = file.alarms.as_ref().map(|keys| keys.checked(beside_file)).transpose()?;
    Ok(Settings {
        data,
        keys,
        listen,
        ports,
        lines,
        cars,
        alarms,
        tls,
        limits: file.limits,
        disk: file.disk,
        keep: file.keep,
        log_form: file.log_form,
    })
}

/// A file named in the settings lies beside them, if it is there.
fn near(beside: &Path, file: &Path) -> PathBuf {
    let near = beside.join(file);
    if near.exists() { near } else { file.to_owned() }
}

/// Whose lines of columns come at a port, where that is said.
fn lines(port: &PortKeys, cars: &[CarSettings], beside: &Path) -> Result<Option<LinesSettings>> {
    if port.car.is_none() && port.columns.is_none() {
        return Ok(None);
    }
    let name = &port.name;
    let car = match (&port.car, cars) {
        (Some(id), _) => cars
            .iter()
            .find(|car| car.id == *id)
            .with_context(|| format!("port `{name}`: there is no car `{id}` in the settings"))?,
        (None, [car]) => car,
        (None, _) => bail!("port `{name}` brings columns: say by car = \"ID\" whose they are"),
    };
    let map = match &port.columns {
        Some(file) => crate::input::column_map(&near(beside, file), &car.profile)?,
        None => ColumnMap::default(),
    };
    Ok(Some(LinesSettings { port: name.clone(), car: car.id.clone(), map }))
}

fn port(port: &PortKeys) -> Port {
    let encoding = port.encoding.map(|encoding| match encoding {
        PortEncoding::Packed => Encoding::Packed,
        PortEncoding::Text => Encoding::Text,
        PortEncoding::Columns => Encoding::Columns,
    });
    Port { name: port.name.clone(), baud: port.baud, encoding }
}

#[cfg(test)]
mod tests {
    use rand::{Rng, SeedableRng};
    use rand_pcg::Pcg64Mcg;

    use super::*;

    fn read(text: &str) -> Result<Settings> {
        let dir = tempfile::tempdir()?;
        let path = dir.path().join("foldwatch.toml");
        std::fs::write(&path, text)?;
        settings(&Overrides { config: Some(path), data: Some(dir.path().into()), ..Overrides::default() })
    }

    #[test]
    fn a_whole_file_and_what_is_usual() {
        let settings = read(
            "[[port]]\nname = \"auto\"\n[[car]]\nid = \"oak\"\nprofile = \"hardtop-five\"\nloggers = [\"0000002A\"]\n",
        )
        .unwrap();
        assert_eq!(settings.cars[0].loggers, [0x2A]);
        assert_eq!((settings.ports[0].baud, settings.listen.port()), (115_200, 8765));
    }

    #[test]
    fn lines_of_columns_belong_to_a_car() {
        let car = "[[car]]\nid = \"oak\"\nprofile = \"hardtop-five\"\n";
        let port = "[[port]]\nname = \"auto\"\nencoding = \"columns\"\n";
        let settings = read(&format!("{port}car = \"oak\"\n{car}")).unwrap();
        assert_eq!((settings.lines[0].port.as_str(), settings.lines[0].car.as_str()), ("auto", "oak"));
        assert_eq!(settings.ports[0].encoding, Some(Encoding::Columns));
        let said = |text: &str| read(text).unwrap_err().to_string();
        assert!(said(&format!("{port}car = \"elm\"\n{car}")).contains("no car `elm`"));
        assert!(said(&format!("{port}columns = \"none.toml\"\n{car}")).contains("none.toml"));
    }

    #[test]
    fn mistakes_are_told_with_their_place() {
        let car = "[[car]]\nid = \"oak\"\nprofile = \"hardtop-five\"\n";
        let said = |text: &str| format!("{:#}", read(text).unwrap_err());
        assert!(said(&format!("{car}logger = []\n")).contains("line 4, column 1"));
        assert!(said(&format!("{car}loggers = [\"pump\"]\n")).contains("no logger"));
        assert!(said(&format!("{car}{}", car.replace("oak", "elm"))).contains("guess"));
        assert!(said("").contains("no car"));
    }

    /// Every setting of the shipped file, with a few bytes changed, cut or said twice: read, or told with its place.
    #[test]
    fn whatever_stands_there_is_read_or_told() {
        let shipped = include_str!("../../../../../config/foldwatch.toml");
        let uncommented =
            |line: &str| line.strip_prefix("# ").filter(|rest| rest.contains(" = ")).map(str::to_owned);
        let whole: String =
            shipped.lines().map(|line| uncommented(line).unwrap_or_else(|| line.to_owned()) + "\n").collect();
        let mut chance = Pcg64Mcg::seed_from_u64(7);
        let mut refused = 0;
        for _ in 0..3000 {
            let mut text: Vec<char> = whole.chars().collect();
            for _ in 0..chance.random_range(1..4) {
                let at = chance.random_range(0..text.len());
                let until = (at + chance.random_range(1..30)).min(text.len());
                match chance.random_range(0..4) {
                    0 => drop(text.drain(at..until)),
                    1 => text[at] = char::from(chance.random_range(0..128u8)),
                    2 => drop(text.splice(at..at, text[at..until].to_vec())),
                    _ => {
                        text.insert(at, ['"', '[', '=', '\u{0}', '\u{fffd}', '9'][chance.random_range(0..6)])
                    }
                }
            }
            let text: String = text.into_iter().collect();
            if let Err(error) = read(&text) {
                refused += 1;
                assert!(!format!("{error:#}").is_empty());
            }
        }
        assert!(refused > 1000, "{refused}");
    }
}
