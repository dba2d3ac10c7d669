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

use std::io::{self, Write};

use crate::clip::clip;

/// Characters of a line of a message: longer ones hold names or cells that nobody reads to the end.
const LINE_MOST: usize = 2_000;

/// Takes a JSON document on its way out and writes every character that could steer a terminal as its escape; the same to a
/// parser.
///
/// JSON escapes the controls below U+0020 itself; those from U+007F and the marks that turn the direction of text it
/// leaves as they are.
#[derive(Debug)]
pub struct QuietJson<W>(pub W);

impl<W: Write> Write for QuietJson<W> {
    /// Takes the bytes at once or none: a text of JSON comes in whole, as a serialiser writes it.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match std::str::from_utf8(bytes) {
            Ok(text) if text.chars().any(page::steers_past_json) => {
                for c in text.chars() {
                    if page::steers_past_json(c) {
                        write!(self.0, "\\u{:04x}", u32::from(c))?;
                    } else {
                        write!(self.0, "{c}")?;
                    }
                }
            }
            _ => self.0.write_all(bytes)?,
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Text from a file made safe to print: no control character of its own reaches the terminal, and no line without end.
pub fn safe(text: &str) -> String {
    text.split('\n').map(|line| page::clean(&clip(line, LINE_MOST))).collect::<Vec<_>>().join("\n")
}
