//! A lean event as a card: the reading close up, what the gas could have been, the channels that decide, and the
//! evidence on a balance.

use std::borrow::Cow;
use std::ops::Range;
use std::sync::{Arc, OnceLock};

use super::super::answer::{peak, sides, verdict};
use super::super::words::{duration, list, number, odds, percent, plain, time};
use super::chart::{
    Frame, Markup, Series, boxes, escape, grid, path, thin, ticks, time_scale, time_ticks, value_scale,
};
use super::trace::{breaks, logged, spans};
use crate::audit::Audited;
use crate::chain::{Chain, Fresh};
use crate::document::{Evidence, LeanEvent, TreatAs, Verdict};
use crate::lean::evidence::{self, Group};
use crate::log::{Log, Role};
use crate::signal::slew::{noise_gain, required_input};

/// Columns of a chart on a card.
const COLUMNS: usize = 320;
/// Height of the reading on a card, px.
const TALL: u32 = 190;
/// Height of a companion, px.
const LOW: u32 = 46;
/// Companions on a card.
const COMPANIONS: usize = 5;
/// More readings than this are too many to draw a band about each.
const BANDS: usize = 400;
/// Readings this near the event decide the height of its chart, s; what is farther away may run out of it.
const NEAR_S: f64 = 0.1;
/// No engine burns richer than this, phi (lambda 0.6): the richest gas that a fan allows. Assumed.
const RICHEST_PHI: f64 = 1.0 / 0.6;

/// One event.
pub(super) struct Card {
    /// As in the document.
    pub id: String,
    /// Class of the style, symbol and words of how to treat it.
    pub class: &'static str,
    /// Symbol beside the words.
    pub symbol: &'static str,
    /// How to treat it.
    pub treat: &'static str,
    /// Verdict and cause.
    pub heading: String,
    /// Channel, time and operating context.
    pub place: String,
    /// The reading and the gas behind it.
    pub reading: String,
    /// Why this verdict.
    pub because: String,
    /// What to do next.
    pub next_check: String,
    /// The reading close up.
    pub chart: Chart,
    /// Whether the bands are drawn.
    pub banded: bool,
    /// The channels that decide.
    pub companions: Vec<Chart>,
    /// Time axis.
    pub times: Markup,
    /// Evidence that was weighed, the strongest first.
    pub evidence: Vec<Piece>,
    /// Evidence that could not be evaluated: name and reason.
    pub silent: Vec<(String, String)>,
    /// Causes with their probabilities, the likeliest first.
    pub causes: Vec<(String, String)>,
    /// Start and end of the close-up, s, for the script.
    pub window: [String; 2],
}

/// A chart on a card.
pub(super) struct Chart {
    /// What it shows.
    pub name: String,
    /// Axis labels.
    pub scale: Markup,
    /// The chart.
    pub area: Markup,
}

/// One piece of evidence.
pub(super) struct Piece {
    /// Name, as in `explain`.
    pub name: String,
    /// What was seen.
    pub text: String,
    /// Measured value with its unit.
    pub value: String,
    /// The causes it bears on.
    pub causes: String,
    /// `for` or `against` the verdict.
    pub side: &'static str,
    /// Odds and decimal logarithm.
    pub weight: String,
    /// Signed bar.
    pub bar: Markup,
}

/// What the cards of one log share.
pub(super) struct Scene<'a> {
    log: &'a Log,
    audited: &'a Audited,
    /// Readings as the link renewed them, for the first card.
    fresh: OnceLock<Fresh<'a>>,
    breaks: Vec<usize>,
}

impl<'a> Scene<'a> {
    pub(super) fn new(log: &'a Log, audited: &'a Audited) -> Self {
        Self { log, audited, fresh: OnceLock::new(), breaks: breaks(log) }
    }

    fn fresh(&self) -> &Fresh<'a> {
        self.fresh.get_or_init(|| {
            let chain = self.audited.chain.as_ref();
            chain
                .map_or_else(Fresh::default, |chain| Fresh::of(self.log, chain.channel, chain.frame_period_s))
        })
    }

    /// The card of an event.
    pub(super) fn card(&self, event: &LeanEvent) -> Card {
        let margin_s = (0.6 * (event.end_s - event.start_s)).clamp(1.0, 5.0);
        let start_s = (event.start_s - margin_s).max(0.0);
        let end_s = (event.end_s + margin_s).min(self.log.clock.duration_s()).max(start_s + 0.1);
        let (supporting, opposing) = sides(event);
        let most = event.evidence.iter().map(|e| e.log10_lr.abs()).fold(3.0, f64::max);
        let mut evidence: Vec<Piece> = supporting.iter().map(|e| piece(e, true, most)).collect();
        evidence.extend(opposing.iter().map(|e| piece(e, false, most)));
        let (chart, banded) = self.reading(event, start_s, end_s);
        let (class, symbol, treat) = treatment(event.treat_as);
        let mut causes: Vec<(&str, f64)> = event.posterior.iter().collect();
        causes.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(b.0)));
        Card {
            id: event.id.clone(),
            class,
            symbol,
            treat,
            heading: match event.verdict {
                Verdict::Undetermined => "undetermined".to_owned(),
                _ => format!("{}: {}", verdict(event.verdict), plain(&event.cause)),
            },
            place: format!(
                "{}, {} to {} ({}), {}",
                event.channel,
                time(event.start_s),
                time(event.end_s),
                lasting(event),
                plain(&event.context)
            ),
            reading: peak(event),
            because: event.because.clone(),
            next_check: event.next_check.to_string(),
            chart,
            banded,
            companions: self.companions(event, start_s, end_s),
            times: time_scale(start_s, end_s, 6),
            evidence,
            silent: event
                .evidence
                .iter()
                .filter(|e| !e.evaluated)
                .map(|e| (plain(&e.name), e.text.clone()))
                .collect(),
            causes: causes
                .into_iter()
                .filter(|(_, p)| *p >= 0.005)
                .take(6)
                .map(|(cause, p)| (plain(cause), percent(p)))
                .collect(),
            window: [format!("{start_s:.3}"), format!("{end_s:.3}")],
        }
    }

    /// The reading with its bands, and whether the bands are there.
    fn reading(&self, event: &LeanEvent, start_s: f64, end_s: f64) -> (Chart, bool) {
        let index = self.log.channels.iter().position(|channel| channel.name == event.channel);
        let index = index.filter(|_| !event.channel.is_empty());
        let rows = self.log.clock.rows_between(start_s, end_s);
        let limit = self.audited.document.rig.full_load_lambda_max;
        let channel = index.map(|i| &self.log.channels[i]);
        let part = |rows| channel.map_or(Cow::default(), |channel| channel.part(rows));
        let value = part(rows.clone());
        let near = part(self.log.clock.rows_between(event.start_s - NEAR_S, event.end_s + NEAR_S));
        let frame = lambda_frame(event, &value, &near, limit, start_s, end_s);
        let marks = ticks(frame.low, frame.high, 5);
        let mut body = Markup(grid(&frame, &marks, &time_ticks(start_s, end_s, 6)));
        let mut banded = false;
        let mut gases = String::new();
        if let (Some(chain), Some(index)) = (&self.audited.chain, index)
            && chain.channel == index
            && let Some((fans, gas)) = self.bands(chain, event, &frame)
        {
            body.add(format_args!("<path class=\"fan\" d=\"{fans}\"/>"));
            gases = format!("<path class=\"gas\" d=\"{gas}\"/>");
            banded = true;
        }
        body.add(format_args!("{}{gases}", spans(std::slice::from_ref(event), &frame)));
        let y = frame.y(limit);
        body.add(format_args!("<path class=\"limit\" d=\"M0 {y:.1}H1000\"/>"));
        let (time_s, breaks, first) = (&self.log.clock.time_s, &self.breaks, rows.start);
        let series = Series { time_s, value: &value, first, breaks };
        let runs = thin(series, rows, &frame, COLUMNS, |row| channel.is_some_and(|c| c.missing(row)));
        body.add(format_args!("<path class=\"trace\" d=\"{}\"/>", path(&runs)));
        if let Some(clip) = self.audited.document.rig.clip_lean.filter(|clip| *clip < frame.high) {
            body.add(format_args!("<path class=\"stop\" d=\"M0 {:.1}H1000\"/>", frame.y(clip)));
        }
        let mut area = Markup::default();
        area.add(format_args!(
            "<svg class=\"plot\" width=\"100%\" height=\"{TALL}\" role=\"img\" aria-label=\"Lambda of {} from {} to {}: {}\">\
             <svg class=\"area\" viewBox=\"0 0 1000 100\" preserveAspectRatio=\"none\" width=\"100%\" height=\"100%\">{body}</svg>\
             </svg>",
            escape(&event.id),
            time(start_s),
            time(end_s),
            escape(&peak(event))
        ));
        (
            Chart {
                name: format!("{}, lambda", event.channel),
                scale: value_scale(&frame, &marks, TALL),
                area,
            },
            banded,
        )
    }

    /// What a healthy sensor could show next (fans), and what the gas could have been (boxes): one of each per
    /// renewed reading. Null where there are too many to draw.
    fn bands(&self, chain: &Chain, event: &LeanEvent, frame: &Frame) -> Option<(String, String)> {
        let fresh = self.fresh();
        // About the event only: elsewhere the bands would hide more than they show.
        let first = fresh.time_s.partition_point(|t| *t < event.start_s).saturating_sub(3).max(1);
        let last = (fresh.time_s.partition_point(|t| *t <= event.end_s) + 3).min(fresh.len());
        let steps: Range<usize> = first..last.max(first);
        if steps.is_empty() || steps.len() > BANDS {
            return None;
        }
        let noise = chain.noise_phi.unwrap_or(0.0);
        let (leaner, richer) = (chain.rich_to_lean.estimate(), chain.lean_to_rich.estimate());
        let longest_s = 10.0 * chain.fresh_period_s.unwrap_or(f64::INFINITY);
        let mut fans = String::new();
        let mut gas = Vec::new();
        for k in steps {
            let (Some(from_s), Some(to_s)) = (fresh.time_s.get(k - 1), fresh.time_s.get(k)) else { break };
            let (Some(from), Some(to)) = (fresh.phi.get(k - 1), fresh.phi.get(k)) else { break };
            let dt_s = to_s - from_s;
            if dt_s <= 0.0 || dt_s > longest_s || fresh.segment(k - 1) != fresh.segment(k) {
                continue;
            }
            // The fastest credible sensor, with gas that jumps to air or to the richest mixture.
            let air = from * (-dt_s / leaner.low).exp() - 3.0 * noise;
            let keep = (-dt_s / richer.low).exp();
            let rich = from * keep + (1.0 - keep) * RICHEST_PHI + 3.0 * noise;
            let (x0, x1) = (frame.x(*from_s), frame.x(*to_s));
            let triangle =
                [(x0, frame.y(from.recip())), (x1, frame.y(lambda_of(air))), (x1, frame.y(lambda_of(rich)))];
            fans.push_str(&path(&[triangle.to_vec()]));
            fans.push('Z');
            let tau = if to < from { leaner } else { richer };
            let spread = 2.0 * noise * noise_gain(dt_s, tau.low);
            let gases = [tau.low, tau.high].map(|tau_s| required_input(*from, *to, dt_s, tau_s));
            let high = lambda_of(gases[0].min(gases[1]) - spread);
            let low = lambda_of(gases[0].max(gases[1]) + spread);
            gas.push([x0.max(0.0), frame.y(high), x1, frame.y(low)]);
        }
        Some((fans, boxes(gas)))
    }

    /// The channels that the evidence of an event rests on, then those that a reader looks at first.
    fn companions(&self, event: &LeanEvent, start_s: f64, end_s: f64) -> Vec<Chart> {
        let rows = self.log.clock.rows_between(start_s, end_s);
        let mut found: Vec<(f64, usize, usize)> = COMPANY
            .iter()
            .enumerate()
            .filter_map(|(place, (role, groups))| {
                let index = self.log.index_of(*role)?;
                let mut readings = self.log.channels[index].readings(rows.clone());
                readings.next().is_some().then(|| (-weight(event, groups), place, index))
            })
            .collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        found
            .into_iter()
            .take(COMPANIONS)
            .map(|(_, _, index)| self.companion(event, index, start_s, end_s))
            .collect()
    }

    fn companion(&self, event: &LeanEvent, index: usize, start_s: f64, end_s: f64) -> Chart {
        let channel = &self.log.channels[index];
        let rows = self.log.clock.rows_between(start_s, end_s);
        let value = logged(self.log, index, rows.clone());
        let inside = value.iter().filter(|v| v.is_finite());
        let (low, high) = inside.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        // A channel that only flickers by a few of its steps must not look like one that moves.
        let least = 4.0 * channel.logged_difference(channel.resolution()).abs();
        let (low, high) =
            if high - low < least { (low - 0.5 * least, high + 0.5 * least) } else { (low, high) };
        let frame = Frame::around(start_s, end_s, low, high);
        let marks = ticks(frame.low, frame.high, 2);
        let (time_s, breaks, first) = (&self.log.clock.time_s, &self.breaks, rows.start);
        let series = Series { time_s, value: &value, first, breaks };
        let runs = thin(series, rows, &frame, COLUMNS, |row| channel.missing(row));
        let unit = channel.unit.symbol;
        let mut area = Markup::default();
        area.add(format_args!(
            "<svg class=\"plot\" width=\"100%\" height=\"{LOW}\" role=\"img\" aria-label=\"{}, {} to {} {}\">\
             <svg class=\"area\" viewBox=\"0 0 1000 100\" preserveAspectRatio=\"none\" width=\"100%\" height=\"100%\">{}{}\
             <path class=\"trace\" d=\"{}\"/></svg></svg>",
            escape(&channel.name),
            super::trace::short(low),
            super::trace::short(high),
            escape(unit),
            grid(&frame, &marks, &time_ticks(start_s, end_s, 6)),
            spans(std::slice::from_ref(event), &frame),
            path(&runs)
        ));
        let unit = if matches!(unit, "" | "1") { String::new() } else { format!(", {unit}") };
        Chart { name: format!("{}{unit}", channel.name), scale: value_scale(&frame, &marks, LOW), area }
    }
}

/// Roles that may decide, with the groups of evidence that look at them.
const COMPANY: &[(Role, &[Group])] = &[
    (Role::FuelPressure, &[Group::Fuel]),
    (Role::SupplyVoltage, &[Group::Electrical]),
    (Role::EngineSpeed, &[Group::State, Group::Torque]),
    (Role::ManifoldPressure, &[Group::Flow, Group::State]),
    (Role::BoostPressure, &[Group::Flow, Group::State]),
    (Role::Throttle, &[Group::State]),
    (Role::InjectorDuty, &[Group::Fuel]),
    (Role::InjectorPulseWidth, &[Group::State]),
    (Role::BatteryVoltage, &[Group::Electrical]),
    (Role::Pedal, &[Group::State]),
    (Role::ExhaustGasTemperature, &[Group::Torque]),
    (Role::VehicleSpeed, &[Group::Torque]),
];

/// How much the evidence of some groups weighed: in full what names the cause, a quarter of what only excludes.
fn weight(event: &LeanEvent, groups: &[Group]) -> f64 {
    let of_groups = |e: &&Arc<Evidence>| {
        let feature = evidence::ALL.iter().find(|feature| feature.name == e.name);
        e.evaluated && feature.is_some_and(|feature| groups.contains(&feature.group))
    };
    let share = |e: &Evidence| if e.favours.contains(&event.cause) { 1.0 } else { 0.25 };
    event.evidence.iter().filter(of_groups).map(|e| share(e) * e.log10_lr.abs()).sum()
}

/// The edges of a close-up: from the richest reading in view to the leanest of the event, the limit, and the gas as
/// far as it does not dwarf the readings.
fn lambda_frame(
    event: &LeanEvent,
    around: &[f64],
    near: &[f64],
    limit: f64,
    start_s: f64,
    end_s: f64,
) -> Frame {
    let low = around.iter().filter(|v| v.is_finite()).fold(limit, |low, v| low.min(*v));
    let high =
        near.iter().filter(|v| v.is_finite()).fold(limit.max(event.peak_lambda), |high, v| high.max(*v));
    let room = high + 0.6 * (high - low);
    let gas = event.gas_peak_lambda.map_or(high, |gas| gas.high.unwrap_or(gas.value).max(gas.value));
    Frame::around(start_s, end_s, low, gas.clamp(high, room.max(high)))
}

/// How long an event lasts, from its first to its last sample.
fn lasting(event: &LeanEvent) -> String {
    if event.end_s > event.start_s { duration(event.end_s - event.start_s) } else { "one sample".to_owned() }
}

/// Lambda of a phi; what is at or beyond air is drawn at the upper edge.
fn lambda_of(phi: f64) -> f64 {
    if phi > 1e-3 { phi.recip() } else { 1e3 }
}

/// Style, symbol and words of a treatment.
pub(super) const fn treatment(treat_as: TreatAs) -> (&'static str, &'static str, &'static str) {
    match treat_as {
        TreatAs::Hazard => ("hazard", super::symbol(treat_as), "Treat as a danger"),
        TreatAs::Invalid => ("invalid", super::symbol(treat_as), "Not measured"),
        TreatAs::Benign => ("benign", super::symbol(treat_as), "Harmless"),
    }
}

fn piece(evidence: &Evidence, supports: bool, most: f64) -> Piece {
    let causes: Vec<String> = evidence.favours.iter().map(|cause| plain(cause)).collect();
    let direction = if evidence.log10_lr > 0.0 { "for" } else { "against" };
    let length = (evidence.log10_lr.abs() / most * 100.0).min(100.0);
    let (class, left) = if supports { ("pro", 100.0) } else { ("con", 100.0 - length) };
    let mut bar = Markup::default();
    bar.add(format_args!(
        "<svg class=\"bar\" width=\"100%\" height=\"16\" viewBox=\"0 0 200 16\" preserveAspectRatio=\"none\" aria-hidden=\"true\">\
         <rect class=\"{class}\" x=\"{left:.1}\" y=\"3\" width=\"{length:.1}\" height=\"10\"/>\
         <path class=\"zero\" d=\"M100 0V16\"/></svg>"
    ));
    let sign = if supports { '+' } else { '\u{2212}' };
    Piece {
        name: plain(&evidence.name),
        text: evidence.text.clone(),
        value: evidence.value.map_or_else(String::new, |value| {
            format!("{} {}", number(value, None, None), evidence.unit).trim_end().to_owned()
        }),
        causes: format!("{direction} {}", list(&causes, 4)),
        side: if supports { "for" } else { "against" },
        weight: format!("{sign}{:.1} ({})", evidence.log10_lr.abs(), odds(evidence.log10_lr)),
        bar,
    }
}

/// An event in a line, for those that need no card.
pub(super) struct Line {
    /// Id, treatment, verdict, time, reading, reason.
    pub cells: [String; 6],
}

/// The line of an event.
pub(super) fn line(event: &LeanEvent) -> Line {
    let (_, symbol, treat) = treatment(event.treat_as);
    let what = match event.verdict {
        Verdict::Undetermined => "undetermined".to_owned(),
        _ => format!("{}: {}", verdict(event.verdict), plain(&event.cause)),
    };
    Line {
        cells: [
            event.id.clone(),
            format!("{symbol} {treat}"),
            what,
            format!("{} ({})", time(event.start_s), lasting(event)),
            peak(event),
            event.because.clone(),
        ],
    }
}
