//! Which ports there are.

use std::path::{Path, PathBuf};

use tokio_serial::SerialPortType;

/// A port that the system knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Described {
    /// The name to open it by.
    pub name: String,
    /// What hangs on it, as far as it says so.
    pub what: String,
}

/// Why a list of ports can't be had.
#[derive(Debug, thiserror::Error)]
pub enum PortError {
    /// The system does not tell.
    #[error("the system does not tell its serial ports: {0}")]
    List(#[from] tokio_serial::Error),
    /// The system keeps no list.
    #[error("{} is not there, which lists the serial ports; name the port, such as /dev/ttyUSB0, or mount /sys", .0.display())]
    NotThere(PathBuf),
    /// The pattern is none.
    #[error("`{0}` is no pattern for ports: {1}")]
    Pattern(String, glob::PatternError),
}

/// All serial ports of this machine.
///
/// # Errors
/// Where the system does not tell.
pub fn found() -> Result<Vec<Described>, PortError> {
    is_there(Path::new("/sys/class/tty"))?;
    let mut ports: Vec<Described> = tokio_serial::available_ports()?
        .into_iter()
        .map(|port| Described {
            what: match &port.port_type {
                SerialPortType::UsbPort(usb) => {
                    let words = [&usb.manufacturer, &usb.product, &usb.serial_number];
                    let words: Vec<&str> = words.into_iter().flatten().map(String::as_str).collect();
                    if words.is_empty() { "USB".to_owned() } else { format!("USB: {}", words.join(", ")) }
                }
                SerialPortType::BluetoothPort => "Bluetooth".to_owned(),
                SerialPortType::PciPort => "built in".to_owned(),
                SerialPortType::Unknown => "unknown".to_owned(),
            },
            name: port.port_name,
        })
        .collect();
    ports.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(ports)
}

/// The library takes it for granted that the system's list is there; a container may be without.
fn is_there(list: &Path) -> Result<(), PortError> {
    if cfg!(target_os = "linux") && !list.is_dir() {
        return Err(PortError::NotThere(list.to_owned()));
    }
    Ok(())
}

/// Whether a name stands for any port that fits, and not for one.
pub(crate) fn is_pattern(name: &str) -> bool {
    name == "auto" || name.contains(['*', '?', '['])
}

/// The ports that fit a name: `auto` is every USB port, a pattern such as `/dev/ttyUSB*` what fits it, and else the
/// name itself, whether it is there or not.
///
/// # Errors
/// A pattern that is none, or a system that does not tell its ports.
pub fn matching(name: &str) -> Result<Vec<PathBuf>, PortError> {
    if name == "auto" {
        let usb = found()?.into_iter().filter(|port| port.what.starts_with("USB"));
        return Ok(usb.map(|port| PathBuf::from(port.name)).collect());
    }
    if !is_pattern(name) {
        return Ok(vec![Path::new(name).to_owned()]);
    }
    let paths = glob::glob(name).map_err(|error| PortError::Pattern(name.to_owned(), error))?;
    Ok(paths.flatten().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The whole of it, in a daemon: `faults` in `tests/whole`.
    #[test]
    fn a_list_that_is_not_there_is_told() {
        let told = is_there(Path::new("/nowhere/class/tty")).unwrap_err().to_string();
        assert!(
            told.starts_with("/nowhere/class/tty is not there") && told.contains("name the port"),
            "{told}"
        );
        assert!(is_there(&std::env::temp_dir()).is_ok());
    }

    #[test]
    fn patterns_find_what_fits() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["ttyA0", "ttyA1", "other"] {
            std::fs::write(dir.path().join(name), "").unwrap();
        }
        let pattern = dir.path().join("ttyA*");
        let found = matching(pattern.to_str().unwrap()).unwrap();
        assert_eq!(found, [dir.path().join("ttyA0"), dir.path().join("ttyA1")]);
        assert_eq!(matching("/nowhere/tty").unwrap(), [PathBuf::from("/nowhere/tty")]);
        assert!(matching("/dev/[").is_err());
        assert!(matching("auto").is_ok());
    }
}
