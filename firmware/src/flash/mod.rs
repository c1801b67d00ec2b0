//! The log's flash chip on SPI, as an `embedded-storage` NOR flash.
//!
//! Written for the Winbond W25Q128JV and its smaller sisters; other makers' chips with the same
//! commands, 4 KB sectors and 256-byte pages work as well. Commands and times were taken from
//! notes and drivers, some from memory, not from the maker's printed sheet: a node with another
//! chip should be tried before it is trusted.
//!
//! | file | concern |
//! |---|---|
//! | [`chip`] | commands, waiting with a bound, erase that runs on by itself |
//! | [`shared`] | one chip for the log and for the board that watches its erase |

pub mod chip;
pub mod shared;

pub use chip::{ChipError, FlashChip};
pub use shared::{Shared, SharedError};
