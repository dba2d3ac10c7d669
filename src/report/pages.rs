//! `explain` on the terminal: Markdown pages laid out for its width.

use anstyle::Style;

use super::page::{Page, STRONG};
use crate::explain::Topic;

/// The table of every name, by kind.
///
/// * `width`: characters per line, brought into 60..=120
pub fn index(topics: &[Topic], width: usize) -> String {
    let mut page = Page::new(width);
    let mut kind = "";
    for topic in topics {
        if topic.kind != kind {
            kind = topic.kind;
            page.heading(&kind.to_uppercase());
        }
        page.labelled(2, &topic.name, 26, &topic.summary, Style::new());
    }
    page.gap();
    page.paragraph(0, "`sondeproof explain NAME` shows a page.");
    page.finish()
}

/// One or more pages.
///
/// * `width`: characters per line, brought into 60..=120
pub fn pages(topics: &[Topic], width: usize) -> String {
    let mut page = Page::new(width);
    for topic in topics {
        page.heading(&format!("{} ({})", topic.name, topic.kind));
        body(&mut page, &topic.page);
    }
    page.finish()
}

/// Headings, lists, paragraphs and files between fences; everything else of Markdown is left as it stands.
fn body(page: &mut Page, markdown: &str) {
    let mut paragraph = String::new();
    let mut fenced = false;
    for line in markdown.lines().chain([""]) {
        if line.starts_with("```") {
            fenced = !fenced;
            continue;
        }
        if fenced {
            page.verbatim(4, line);
            continue;
        }
        let starts_new =
            line.is_empty() || line.starts_with('#') || line.starts_with("- ") || line.starts_with('|');
        if starts_new && !paragraph.is_empty() {
            match paragraph.strip_prefix("- ") {
                Some(item) => page.labelled(2, "-", 2, item, Style::new()),
                None => page.paragraph(2, &paragraph),
            }
            paragraph.clear();
        }
        if let Some(title) = line.strip_prefix("## ") {
            page.gap();
            page.labelled(0, title, 0, "", STRONG);
        } else if !line.is_empty() {
            if !paragraph.is_empty() {
                paragraph.push(' ');
            }
            paragraph.push_str(line.trim());
        }
    }
}
