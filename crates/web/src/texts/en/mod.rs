//! English, by page.

mod api;
mod bench;
mod car;
mod cycle;
mod evidence;
mod fleet;
mod frame;
mod guide;
mod ports;
mod record;
mod sign_in;
mod trend;

pub use api::*;
pub use bench::*;
pub use car::*;
pub use cycle::*;
pub use evidence::*;
pub use fleet::*;
pub use frame::*;
pub use guide::*;
pub use ports::*;
pub use record::*;
pub use sign_in::*;
pub use trend::*;
