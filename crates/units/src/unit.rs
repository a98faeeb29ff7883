//! Units as people write them in files, and their conversion to the unit foldwatch works in.

use std::fmt;

/// What kind of thing a signal's numbers measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// On or off.
    Switch,
    /// Pressure; worked in bar.
    Pressure,
    /// Current; worked in ampere.
    Current,
    /// Voltage; worked in volt.
    Voltage,
    /// Temperature; worked in degrees Celsius.
    Temperature,
    /// Length; worked in millimetre.
    Length,
    /// Angle; worked in degrees.
    Angle,
}

/// A unit that a file may name for a signal.
///
/// ```
/// use foldwatch_units::Unit;
/// let psi: Unit = "psi".parse()?;
/// assert!((psi.to_working(1000.0) - 68.947573).abs() < 1e-6);
/// assert_eq!(Unit::FAHRENHEIT.to_working(212.0), 100.0);
/// # Ok::<(), foldwatch_units::UnknownUnit>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// How it is written.
    pub symbol: &'static str,
    /// What it measures.
    pub quantity: Quantity,
    factor: f64,
    offset: f64,
}

/// Name, quantity, factor and offset to the working unit: working = raw * factor + offset.
/// The factors are exact by definition (SI brochure, 9th ed.; 1 lbf/in2 = 6894.757293168 Pa by NIST SP 811, B.8).
const UNITS: &[(&[&str], Unit)] = &[
    (&["bar"], Unit { symbol: "bar", quantity: Quantity::Pressure, factor: 1.0, offset: 0.0 }),
    (&["mbar", "hPa"], Unit { symbol: "mbar", quantity: Quantity::Pressure, factor: 1e-3, offset: 0.0 }),
    (&["Pa"], Unit { symbol: "Pa", quantity: Quantity::Pressure, factor: 1e-5, offset: 0.0 }),
    (&["kPa"], Unit { symbol: "kPa", quantity: Quantity::Pressure, factor: 1e-2, offset: 0.0 }),
    (&["MPa"], Unit { symbol: "MPa", quantity: Quantity::Pressure, factor: 10.0, offset: 0.0 }),
    (
        &["psi"],
        Unit { symbol: "psi", quantity: Quantity::Pressure, factor: 0.068_947_572_931_68, offset: 0.0 },
    ),
    (
        &["A", "amp", "amps", "ampere"],
        Unit { symbol: "A", quantity: Quantity::Current, factor: 1.0, offset: 0.0 },
    ),
    (&["mA"], Unit { symbol: "mA", quantity: Quantity::Current, factor: 1e-3, offset: 0.0 }),
    (&["V", "volt", "volts"], Unit { symbol: "V", quantity: Quantity::Voltage, factor: 1.0, offset: 0.0 }),
    (&["mV"], Unit { symbol: "mV", quantity: Quantity::Voltage, factor: 1e-3, offset: 0.0 }),
    (&["°C", "C", "degC", "celsius"], Unit::CELSIUS),
    (&["°F", "F", "degF", "fahrenheit"], Unit::FAHRENHEIT),
    (&["K", "kelvin"], Unit { symbol: "K", quantity: Quantity::Temperature, factor: 1.0, offset: -273.15 }),
    (&["mm"], Unit { symbol: "mm", quantity: Quantity::Length, factor: 1.0, offset: 0.0 }),
    (&["cm"], Unit { symbol: "cm", quantity: Quantity::Length, factor: 10.0, offset: 0.0 }),
    (&["m"], Unit { symbol: "m", quantity: Quantity::Length, factor: 1000.0, offset: 0.0 }),
    (&["in", "inch"], Unit { symbol: "in", quantity: Quantity::Length, factor: 25.4, offset: 0.0 }),
    (&["deg", "°", "degrees"], Unit { symbol: "deg", quantity: Quantity::Angle, factor: 1.0, offset: 0.0 }),
    (&["rad"], Unit { symbol: "rad", quantity: Quantity::Angle, factor: 57.295_779_513_082_32, offset: 0.0 }),
    (&["", "1", "on/off", "state"], Unit::STATE),
];

impl Unit {
    /// On or off, no unit.
    pub const STATE: Unit = Unit { symbol: "", quantity: Quantity::Switch, factor: 1.0, offset: 0.0 };
    /// Degrees Celsius.
    pub const CELSIUS: Unit =
        Unit { symbol: "°C", quantity: Quantity::Temperature, factor: 1.0, offset: 0.0 };
    /// Degrees Fahrenheit.
    pub const FAHRENHEIT: Unit =
        Unit { symbol: "°F", quantity: Quantity::Temperature, factor: 5.0 / 9.0, offset: -160.0 / 9.0 };

    /// A number in this unit, in the working unit of its quantity.
    pub fn to_working(self, raw: f64) -> f64 {
        raw * self.factor + self.offset
    }

    /// A number in the working unit, in this unit.
    pub fn from_working(self, value: f64) -> f64 {
        (value - self.offset) / self.factor
    }

    /// The unit foldwatch works in for a quantity.
    pub fn working(quantity: Quantity) -> Unit {
        UNITS
            .iter()
            .map(|(_, unit)| *unit)
            .find(|unit| unit.quantity == quantity && unit.factor == 1.0 && unit.offset == 0.0)
            .unwrap_or(Unit::STATE)
    }

    /// The unit that is written exactly so, letters' case included: where a unit is only one reading of a text.
    pub fn exactly(text: &str) -> Option<Unit> {
        UNITS.iter().find(|(names, _)| names.contains(&text)).map(|(_, unit)| *unit)
    }

    /// Every way of writing a unit that is understood for a quantity, for messages.
    pub fn spellings(quantity: Quantity) -> Vec<&'static str> {
        UNITS
            .iter()
            .filter(|(_, u)| u.quantity == quantity)
            .flat_map(|(names, _)| names.iter().copied())
            .collect()
    }
}

/// A unit that is not understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownUnit(pub String);

impl fmt::Display for UnknownUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "unit `{}` is not known", self.0)
    }
}

impl std::error::Error for UnknownUnit {}

impl std::str::FromStr for Unit {
    type Err = UnknownUnit;
    fn from_str(text: &str) -> Result<Self, UnknownUnit> {
        let wanted = text.trim();
        let alike = |(names, _): &&(&[&str], Unit)| names.iter().any(|name| same_but_for_case(name, wanted));
        Unit::exactly(wanted)
            .or_else(|| UNITS.iter().find(alike).map(|(_, unit)| *unit))
            .ok_or_else(|| UnknownUnit(wanted.to_owned()))
    }
}

/// Loggers write `PSI` and `Bar`. Only an M at the beginning must stand as it is: it tells milli from mega.
fn same_but_for_case(name: &str, wanted: &str) -> bool {
    let prefix = |text: &str| text.chars().next().filter(|c| matches!(c, 'm' | 'M'));
    prefix(name) == prefix(wanted) && name.to_lowercase() == wanted.to_lowercase()
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol)
    }
}

#[cfg(test)]
mod tests {
    use super::Unit;

    fn read(text: &str) -> Option<&'static str> {
        text.parse::<Unit>().ok().map(|unit| unit.symbol)
    }

    #[test]
    fn the_case_of_letters_is_free_but_for_milli_and_mega() {
        for (written, unit) in
            [("PSI", "psi"), ("Bar", "bar"), ("KPA", "kPa"), ("hpa", "mbar"), ("volts", "V"), ("a", "A")]
        {
            assert_eq!(read(written), Some(unit), "{written}");
        }
        assert_eq!((read("Fahrenheit"), read("DegC"), read("MPA")), (Some("°F"), Some("°C"), Some("MPa")));
        // Megavolts, megaamperes, megabars and millipascals are none of these.
        for written in ["MV", "MA", "MBAR", "Mbar", "mpa", "ATM", "kgf/cm2", "furlong"] {
            assert_eq!(read(written), None, "{written}");
        }
    }
}
