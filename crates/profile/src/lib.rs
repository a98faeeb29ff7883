//! The description of one kind of roof: read, checked as a whole, explained.

mod expr;
mod model;

pub use expr::Expr;
pub use model::*;
