//! From where somebody calls, as far as guessing is concerned.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// From where somebody calls.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Place {
    /// This machine.
    Here,
    /// A browser in which a name signed in before: the digest of what it was given then.
    Device(String),
    /// Anywhere else: an address, or the network of 64 bits that an IPv6 address lies in, since one customer has at least
    /// so much (RFC 6177).
    Net(IpAddr),
}

impl Place {
    /// The place of an address.
    ///
    /// ```
    /// use foldwatch_access::Place;
    /// assert_eq!(Place::of("::1".parse()?), Place::Here);
    /// assert_eq!(Place::of("::ffff:127.0.0.1".parse()?), Place::Here);
    /// assert_eq!(Place::of("2001:db8::1".parse()?), Place::of("2001:db8::2".parse()?));
    /// # Ok::<(), std::net::AddrParseError>(())
    /// ```
    pub fn of(address: IpAddr) -> Place {
        match address.to_canonical() {
            address if address.is_loopback() => Place::Here,
            IpAddr::V4(v4) => Place::Net(IpAddr::V4(Ipv4Addr::from_bits(v4.to_bits()))),
            IpAddr::V6(v6) => Place::Net(IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !0 << 64))),
        }
    }
}
