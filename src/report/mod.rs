//! Renderers of the audit document. They choose words and places; they recompute no number.

pub(crate) mod answer;
pub mod flags;
pub mod html;
pub mod known;
pub mod life;
mod page;
pub mod pages;
pub mod summary;
pub mod terminal;
pub(crate) mod words;

/// Text from a file made safe to print: no control character of its own reaches the terminal.
pub fn safe(text: &str) -> String {
    text.split('\n').map(page::clean).collect::<Vec<_>>().join("\n")
}
