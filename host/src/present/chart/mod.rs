//! Charts: typed data and scales make one scene of lines, areas and words, drawn as SVG or text.
//!
//! The way of a chart: data of a kind ([`time`], [`factor`], [`duration`], …) → [`plot`] (axes
//! by [`scale`]) → [`scene`] → [`svg`] for pages and print, [`terminal`] for a terminal. Series
//! are told apart by line style and a name at the line, never by colour alone. What a picture
//! cannot resolve is thinned by [`reduce`], which keeps extremes.

pub mod bars;
pub mod duration;
pub mod factor;
pub mod fit;
pub mod heat;
pub mod ink;
pub mod phasor;
pub mod plot;
pub mod reduce;
pub mod scale;
pub mod scene;
pub mod svg;
pub mod terminal;
pub mod time;

pub use ink::Ink;
pub use scene::{Canvas, Scene};

use super::locale::Locale;

/// Anything that can be drawn on a canvas.
pub trait Chart {
    /// The scene on a canvas, with numbers as a plant writes them.
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene;

    /// What the picture shows, in words, for those who cannot see it.
    fn alt(&self, locale: &Locale) -> String;
}
