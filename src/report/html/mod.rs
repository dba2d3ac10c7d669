//! The report as one HTML file: it opens offline, can be mailed and prints. Text, tables and static charts carry
//! everything; a script of our own only lets a reader look closer.

mod chart;
mod event;
pub(crate) mod history;
mod map;
mod page;
mod samples;
mod section;
mod trace;

#[cfg(test)]
mod tests;

use std::borrow::Cow;
use std::fmt;
use std::io;

use askama::Template;
use base64::Engine;
use rayon::prelude::*;
use sha2::{Digest, Sha256};

pub(crate) use self::chart::Markup;
use self::event::Scene;
use self::page::Page;
use self::samples::Packed;
use self::trace::Panel;
use super::answer::{origin, ranked};
use super::words::{count, lambda};
use crate::audit::Audited;
use crate::document::TreatAs;
use crate::flag::Flags;
use crate::log::Log;

pub(crate) const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Events with a card of their own; the rest stand in a table, as do harmless ones.
const CARDS: usize = 16;
/// Channels whose samples are packed side by side.
const PACKED_AT_ONCE: usize = 16;
/// Events in the table.
const LINES: usize = 200;

/// Bytes that a page may have.
///
/// From two requirements: 2 MB for ten minutes of 32 channels at 50 Hz, 6 MB for one hour of them; in between
/// by the number of samples, beyond it no more.
fn budget(samples: usize) -> usize {
    let (small, large) = (960_000.0, 5_760_000.0);
    let share = ((samples as f64 - small) / (large - small)).clamp(0.0, 1.0);
    (1_900_000.0 + share * 3_900_000.0) as usize
}

/// The symbol that stands beside the words of a treatment.
const fn symbol(treat_as: TreatAs) -> &'static str {
    match treat_as {
        TreatAs::Hazard => "\u{25b2}",
        TreatAs::Invalid => "\u{25c7}",
        TreatAs::Benign => "\u{25cb}",
    }
}

/// Writes the report of one log as it is made: one of many channels and events is larger than its log.
///
/// * `log`: the log that `audited` came from; its samples are drawn, no number of the document is recomputed; the same log
///   gives the same bytes
///
/// # Errors
/// That of the writer.
pub fn write(writer: &mut dyn io::Write, log: &Log, audited: &Audited) -> io::Result<()> {
    let audit = &audited.document;
    let scene = Scene::new(log, audited);
    let (mut cards, mut lines) = (Vec::new(), Vec::new());
    for event in ranked(audit) {
        if event.treat_as != TreatAs::Benign && cards.len() < CARDS {
            cards.push(scene.card(event));
        } else if lines.len() < LINES {
            lines.push(event::line(event));
        }
    }
    let unshown = audit.lean_events.len() - cards.len() - lines.len();
    drop(scene);
    let panels = trace::panels(log, &audited.detection, audit);
    let (found, found_more) = section::found(audit);
    let limits = section::limits(audit);
    let mut page = Page {
        title: file_name(&audit.source.path).to_owned(),
        policy: policy(),
        style: Markup(STYLE.to_owned()),
        script: Markup(SCRIPT.to_owned()),
        samples: Markup("null".to_owned()),
        origin: origin(audit),
        answer: section::answers(audit),
        claims: section::claims(audit),
        withheld: section::withheld(audit),
        lean_not_evaluated: audit.lean_not_evaluated.as_deref(),
        limit: lambda(audit.rig.full_load_lambda_max),
        lines_caption: match unshown {
            0 => "Other lean readings, each with its reason".to_owned(),
            n => format!("Other lean readings; {n} more are in the audit document"),
        },
        cards,
        lines,
        trust: section::trust(audit),
        bases: section::bases(audit),
        strips: trace::strips(log, &audited.detection, audit),
        axis: trace::axis(log),
        labels: trace::event_labels(&audit.lean_events, log.clock.duration_s()),
        duration: format!("{:.6}", log.clock.duration_s()),
        panels: panels.first,
        others: panels.others,
        undrawn: panels.undrawn,
        withheld_channels: panels.withheld,
        map: map::of(log, &audited.detection, audit),
        health: section::health(audit),
        past: audit.sensor_history.as_ref().map(history::known),
        found,
        found_more,
        silent: section::silent(audit),
        cautions: &audit.cautions,
        notes: section::notes(audit),
        provenance: section::provenance(audit),
        changed: match limits.iter().filter(|limit| limit.from != "default").count() {
            0 => "all by default".to_owned(),
            n => format!("{n} of {} from the rig file", limits.len()),
        },
        limits,
        embedded: String::new(),
    };
    let mut bare = Length(0);
    page.render_into(&mut bare).map_err(io::Error::other)?;
    let room = budget(log.rows().saturating_mul(log.channels.len())).saturating_sub(bare.0);
    embed(&mut page, log, audited, room);
    let mut text = Inert { writer, refused: None };
    let done = page.render_into(&mut text);
    text.refused.map_or_else(|| done.map_err(io::Error::other), Err)
}

/// Puts the samples into the page, channel by channel in the order of the page, while there is room.
fn embed(page: &mut Page<'_>, log: &Log, audited: &Audited, room: usize) {
    let pack = |panel: &&mut Panel| {
        let channel = &log.channels[panel.channel];
        let step = channel.measured.resolution.map(|step| channel.logged_difference(step).abs());
        let flags = audited.detection.flags.get(panel.channel).map_or(Cow::default(), Flags::all);
        samples::pack(&trace::logged(log, panel.channel, 0..log.rows()), step, &flags)
    };
    let time = samples::pack_time(&log.clock.time_s, log.clock.resolution_s);
    let mut left = room.saturating_sub(time.data.len() + 200);
    let mut text = Markup(format!(
        "{{\"rows\":{},\"breaks\":{:?},\"step\":{},\"time\":\"{}\",\"channels\":{{",
        log.rows(),
        trace::breaks(log),
        time.step,
        time.data
    ));
    let mut carried = 0;
    let all = page.panels.len() + page.others.len() + page.undrawn;
    let mut panels: Vec<&mut Panel> = page.panels.iter_mut().chain(&mut page.others).collect();
    for (panel, packed) in panels.chunks_mut(PACKED_AT_ONCE).flat_map(|panels| {
        let packed: Vec<Packed> = panels.par_iter().map(pack).collect();
        panels.iter_mut().zip(packed)
    }) {
        if packed.size() > left {
            continue;
        }
        left -= packed.size();
        panel.sampled = true;
        let comma = if carried > 0 { "," } else { "" };
        text.add(format_args!(
            "{comma}\"{}\":{{\"base\":{},\"step\":{},\"low\":{},\"high\":{},\"data\":\"{}\",\"flags\":\"{}\"}}",
            panel.channel, packed.base, packed.step, panel.frame.low, panel.frame.high, packed.data, packed.flags
        ));
        carried += 1;
    }
    text.0.push_str("}}");
    page.embedded = if carried == all {
        format!("This page carries every sample of {}.", count(all, "channel"))
    } else {
        format!(
            "This page carries every sample of {carried} of {all} channels; the others are drawn once, because the \
             page would grow too large to mail."
        )
    };
    page.samples = text;
}

/// Nothing may be loaded, and only the style and the script of this page may act.
fn policy() -> String {
    let hash = |text: &str| {
        let digest = Sha256::digest(text.as_bytes());
        format!("'sha256-{}'", base64::engine::general_purpose::STANDARD.encode(digest))
    };
    format!(
        "default-src 'none'; style-src {}; script-src {}; base-uri 'none'; form-action 'none'",
        hash(STYLE),
        hash(SCRIPT)
    )
}

/// The last part of a path.
fn file_name(path: &str) -> &str {
    let name = path.rsplit(['/', '\\']).next().unwrap_or(path);
    if name.is_empty() { path } else { name }
}

/// Bytes of a page that is not kept: one of thousands of channels is large.
struct Length(usize);

impl fmt::Write for Length {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.0 += text.len();
        Ok(())
    }
}

/// A page in the making. Control characters and marks that turn the direction of text come only from the log: they are
/// shown, not obeyed.
struct Inert<'a> {
    writer: &'a mut dyn io::Write,
    /// Why the writer took no more.
    refused: Option<io::Error>,
}

impl fmt::Write for Inert<'_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        let acts = |c: char| {
            c != '\n' && (c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}'))
        };
        let written = if text.contains(acts) {
            self.writer.write_all(text.replace(acts, "\u{fffd}").as_bytes())
        } else {
            self.writer.write_all(text.as_bytes())
        };
        written.map_err(|error| {
            self.refused = Some(error);
            fmt::Error
        })
    }
}
