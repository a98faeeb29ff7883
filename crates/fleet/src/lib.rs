//! Many cars: what is followed of each, which comes first, whom to tell.
//!
//! In: judged cycles and service entries in the store's shapes. Out: trends of one car, cars in order, what to tell.
//! Not here: files, network, clocks, and the statistics themselves (those are the trend's).

mod book;
mod cars;
mod load;
mod numbers;

pub use book::{Assessed, Book, points};
pub use cars::{About, Asked, Car, CarRow, Current, Fleet, Kin, List, call_word};
pub use foldwatch_trend::fleet::{Call, Order};
pub use load::{MOST_CYCLES, load, load_all, load_split, services};
pub use numbers::{Followed, MEASURES, Number, What, numbers};
