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

use crate::clip::clip;

/// Characters of a line of a message: longer ones hold names or cells that nobody reads to the end.
const LINE_MOST: usize = 2_000;

/// A JSON document with every character that could steer a terminal written as its escape; the same to a parser.
///
/// JSON escapes the controls below U+0020 itself; those from U+007F and the marks that turn the direction of text it
/// leaves as they are.
pub fn quiet_json(document: Vec<u8>) -> Vec<u8> {
    match String::from_utf8(document) {
        Ok(text) if text.chars().any(page::steers_past_json) => {
            text.chars()
                .map(|c| {
                    if page::steers_past_json(c) { format!("\\u{:04x}", u32::from(c)) } else { c.to_string() }
                })
                .collect::<String>()
                .into_bytes()
        }
        Ok(text) => text.into_bytes(),
        Err(error) => error.into_bytes(),
    }
}

/// Text from a file made safe to print: no control character of its own reaches the terminal, and no line without end.
pub fn safe(text: &str) -> String {
    text.split('\n').map(|line| page::clean(&clip(line, LINE_MOST))).collect::<Vec<_>>().join("\n")
}
