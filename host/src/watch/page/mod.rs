//! The page: who may see it, what it answers, and how much it lets itself be troubled with.
//!
//! Served over HTTP/1.1, reading only. Words and pictures are pushed as server-sent events.
//! Everything is bounded: connections, the size and time of a request's head, waiting readers.

pub mod charts;
pub mod course;
pub mod guard;
pub mod html;
pub mod metrics;
pub mod proof;
pub mod server;
mod stall;
pub mod view;
pub mod words;

pub use server::{Page, PageError};
