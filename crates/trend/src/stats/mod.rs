//! Published statistical methods, one a file, each with its source.
//!
//! Bare numbers in, bare numbers out; nothing here knows of cars or cycles.

pub mod bh;
pub mod change_points;
pub mod correlated;
pub mod cusum;
pub mod dist;
pub mod ewma;
pub mod hodges_lehmann;
pub mod mann_kendall;
mod markov;
pub mod order;
pub mod rank_tests;
pub mod theil_sen;
pub mod welch;
