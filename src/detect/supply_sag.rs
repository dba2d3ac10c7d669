//! Supply voltage too low, too high or too far below its reference, and what that means for the mixture reading.

use std::ops::Range;

use super::dense::Dense;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::figure::figure;
use crate::flag::Flag;
use crate::log::{Channel, Clock, Role};
use crate::signal::{robust, runs};
use crate::state::bit;

mod wiring;

/// See its text in `sondeproof explain supply_sag`.
pub(super) struct SupplySag;

static SUSPECT: Limit = Limit {
    name: "suspect_v",
    unit: "V",
    default: 10.5,
    range: (6.0, 13.0),
    why: "lower end of ISO 16750-2 supply code D (10.5 to 16 V); the sensor element's own sheet asks for 10.8 V. \
          The rig's `sensor.supply_min_v` goes before it",
};
static BAD: Limit = Limit {
    name: "bad_v",
    unit: "V",
    default: 9.0,
    range: (4.0, 12.0),
    why: "lower end of ISO 16750-2 supply code C (9 to 16 V); a 9 V heater has no reserve left. A lower \
          `sensor.supply_min_v` in the rig goes before it",
};
static INVALID: Limit = Limit {
    name: "invalid_v",
    unit: "V",
    default: 6.0,
    range: (3.0, 9.0),
    why: "below every 12 V supply code of ISO 16750-2 (code A: 6 to 16 V)",
};
static HIGH: Limit = Limit {
    name: "high_v",
    unit: "V",
    default: 16.0,
    range: (14.5, 20.0),
    why: "upper end of every 12 V supply code of ISO 16750-2",
};
static HOLD: Limit = Limit {
    name: "hold_s",
    unit: "s",
    default: 1.0,
    range: (0.05, 30.0),
    why: "a hot element keeps its temperature over shorter sags (assumed)",
};
static RECOVERY: Limit = Limit {
    name: "recovery_s",
    unit: "s",
    default: 10.0,
    range: (0.0, 60.0),
    why: "light-off of a cold element takes up to 10 s (data sheet of a planar sensor)",
};
static STARTER: Limit = Limit {
    name: "starter_s",
    unit: "s",
    default: 1.0,
    range: (0.0, 10.0),
    why: "inrush before the engine speed shows, and recovery of the battery after the starter lets go (assumed); a \
          starter pulls the supply below every code, for which ISO 16750-2 has a profile of its own",
};
static DROP: Limit = Limit {
    name: "drop_share",
    unit: "1",
    default: 0.03,
    range: (0.005, 0.2),
    why: "ABYC E-11: 3 % of the nominal 12 V for electronic equipment (10 % for what is not critical)",
};
static LOOP: Limit = Limit {
    name: "loop_ohm",
    unit: "Ohm",
    default: 0.1,
    range: (0.01, 2.0),
    why: "a healthy supply loop has 50 to 100 milliohm (from memory); 3 m there and back of 0.75 mm2 have 0.156",
};
static RIPPLE: Limit = Limit {
    name: "ripple_v",
    unit: "V",
    default: 0.5,
    range: (0.1, 5.0),
    why: "peak to peak; a charging fault and a source of interference (common practice, no source)",
};

static LOWEST: Field = Field { name: "extreme_v", unit: "V" };
static LIMIT: Field = Field { name: "limit_v", unit: "V" };
static LASTED: Field = Field { name: "lasted_s", unit: "s" };
static DROPPED: Field = Field { name: "drop_v", unit: "V" };
static SHARE: Field = Field { name: "drop_share", unit: "1" };
static OHM: Field = Field { name: "loop_ohm", unit: "Ohm" };
static OHM_LOW: Field = Field { name: "loop_low_ohm", unit: "Ohm" };
static OHM_HIGH: Field = Field { name: "loop_high_ohm", unit: "Ohm" };
static OFFSET: Field = Field { name: "offset_v", unit: "V" };
static STEP: Field = Field { name: "step_v", unit: "V" };
static STEPS: Field = Field { name: "steps", unit: "1" };

const NOMINAL_V: f64 = 12.0;
/// Nominal 24 V systems stand above this; the limits here are those of 12 V.
const TWELVE_V_SYSTEM_V: f64 = 18.0;
/// Channel skew times dV/dt is the main bias of the drop, so samples this near to a load step are left out.
const SKIP_S: f64 = 0.2;
/// Load step that counts, A; and the range of current that lets a resistance be told.
const LOAD_STEP_A: f64 = 0.5;
/// The age up to which a reading of the other voltage is compared, s.
const STALE_S: f64 = 1.0;

static META: Meta = Meta {
    name: "supply_sag",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "supply voltage outside what the mixture sensor's controller needs, or far below its reference",
    applies_to: &[Role::SupplyVoltage, Role::BatteryVoltage, Role::Lambda, Role::Afr],
    needs: &[],
    method: "The voltage against the supply codes of ISO 16750-2: under 10.5 V for longer than `hold_s` suspect, over \
             16 V likewise, and ripple of 0.5 V that turns at least four times in a second. The mixture reading in \
             those rows: suspect at 9 to 10.5 V, bad below 9 V (or below the rig's `sensor.supply_min_v` where that \
             is lower), bad below 6 V until the sensor can be warm again. While the starter turns, and \
             `starter_s` around it, only a voltage below 6 V counts: it is meant to sag then.\n\n\
             With both voltages: drop = reference - supply, against 3 % and 10 % of 12 V. Where a current is logged, \
             `drop = I R + offset` by the median of slopes, leaving out 0.2 s around load steps; else only the \
             heights of the drop's steps can be told: R cannot, and an offset between two instruments looks the \
             same as a steady load.",
    assumes: "A nominal 12 V system. The supply channel is measured at the controller or logger, the battery channel \
              closer to the battery. Both instruments agree to well below 0.36 V.",
    misses: "A dip shorter than the row period; with one voltage only, any loss between battery and controller. A \
             finding on a voltage channel tells the state of the supply, and the reading stays good: a statement about \
             the lowest supply counts those rows. Only a supply above its own reference is held against the reading. A sag also slows fuel pump and injectors, so it proves nothing about the \
             mixture.",
    gaps: Gaps::Break,
    limits: &[&SUSPECT, &BAD, &INVALID, &HIGH, &HOLD, &RECOVERY, &STARTER, &DROP, &LOOP, &RIPPLE],
    evidence: &[
        &LOWEST, &LIMIT, &LASTED, &DROPPED, &SHARE, &OHM, &OHM_LOW, &OHM_HIGH, &OFFSET, &STEP, &STEPS,
    ],
    sources: &[
        "ISO 16750-2:2010 Table 1, supply codes A to D of 12 V systems",
        "ABYC E-11, 3 % and 10 % voltage drop",
        "IEC 60228 class 5 for the wire named in messages",
        "data sheet of a planar two-cell wideband sensor: supply 10.8 to 16.5 V, light-off within 10 s",
    ],
};

impl Detector for SupplySag {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let bounds = Bounds::of(view, limits);
        let found = if channel.role.is_mixture() {
            mixture(channel, view, &bounds)
        } else {
            voltage(channel, view, &bounds, limits)
        };
        match found {
            Ok(mut findings) => {
                findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
                Outcome::ran(Evaluated::All, findings)
            }
            Err(because) => Outcome::NotRun { because },
        }
    }
}

/// The limits in force for this rig.
struct Bounds {
    suspect_v: f64,
    bad_v: f64,
    invalid_v: f64,
    high_v: f64,
    hold_s: f64,
    recovery_s: f64,
    /// When the starter turned, s.
    starter_s: Vec<Range<f64>>,
    /// What sets `suspect_v`.
    basis: &'static str,
}

impl Bounds {
    fn of(view: &View<'_>, limits: &Limits<'_>) -> Self {
        let (suspect_v, bad_v) = (limits.get(&SUSPECT), limits.get(&BAD));
        let stated = view.rig.sensor.supply_min_v.filter(|v| v.is_finite() && *v > 0.0);
        Self {
            suspect_v: stated.map_or(suspect_v, |stated| stated.max(bad_v)),
            bad_v: stated.map_or(bad_v, |stated| stated.min(bad_v)),
            invalid_v: limits.get(&INVALID),
            high_v: limits.get(&HIGH),
            hold_s: limits.get(&HOLD),
            recovery_s: limits.get(&RECOVERY),
            starter_s: starter_times(view, limits.get(&STARTER)),
            basis: if stated.is_some() { "the controller's stated minimum" } else { "ISO 16750-2 code D" },
        }
    }
}

/// When the starter turned, with time to either side, s.
fn starter_times(view: &View<'_>, beside_s: f64) -> Vec<Range<f64>> {
    let at = |row: usize| view.log.clock.time_s.get(row).copied();
    let around =
        |rows: Range<usize>| Some(at(rows.start)? - beside_s..at(rows.end.checked_sub(1)?)? + beside_s);
    view.state.windows_of(bit::CRANKING).filter_map(around).collect()
}

/// Readings of a voltage, empty rows left out.
struct Series<'a> {
    of: Dense<'a>,
    period_s: f64,
}

impl<'a> Series<'a> {
    fn of(channel: &'a Channel, clock: &'a Clock, rows: Range<usize>) -> Self {
        Self {
            of: Dense::of(channel, &clock.time_s, rows, f64::is_finite),
            period_s: channel.measured.sample_period_s.or(clock.period_s).unwrap_or(0.0),
        }
    }

    /// Runs of samples below a limit that no starter explains.
    fn below(&self, limit_v: f64, bounds: &Bounds) -> Vec<Range<usize>> {
        let starting = |k: usize| bounds.starter_s.iter().any(|time| time.contains(&self.of.time_s[k]));
        runs::of(self.of.value.len(), |k| {
            self.of.value[k] < limit_v && (self.of.value[k] < bounds.invalid_v || !starting(k))
        })
    }

    /// How long samples stand for, s.
    fn length_s(&self, samples: &Range<usize>) -> f64 {
        self.of.time_s[samples.end - 1] - self.of.time_s[samples.start] + self.period_s
    }

    /// Rows of the log up to the next reading.
    fn rows(&self, samples: &Range<usize>) -> Range<usize> {
        let rows = self.of.rows(samples);
        rows.start..self.of.row(samples.end).unwrap_or(rows.end).max(rows.end)
    }
}

fn credible(channel: &Channel, bounds: &Bounds) -> Result<(), String> {
    let Some(centre) = robust::median(&channel.among(0..channel.rows())).filter(|centre| centre.is_finite())
    else {
        return Err(format!("{} holds no voltage", channel.name));
    };
    if centre > TWELVE_V_SYSTEM_V {
        return Err(format!(
            "{} stands at {} V: not a 12 V system, for which alone limits are known here",
            channel.name,
            figure(centre, 1)
        ));
    }
    if centre < bounds.invalid_v {
        return Err(format!(
            "{} stands at {} V for most of the log: no controller works on that, so it is not the reading of a supply",
            channel.name,
            figure(centre, 1)
        ));
    }
    Ok(())
}

fn voltage(
    channel: &Channel,
    view: &View<'_>,
    bounds: &Bounds,
    limits: &Limits<'_>,
) -> Result<Vec<Finding>, String> {
    credible(channel, bounds)?;
    let clock = &view.log.clock;
    let mut findings = Vec::new();
    for segment in &clock.segments {
        let series = Series::of(channel, clock, segment.clone());
        levels(channel, view, &series, bounds, &mut findings);
        ripple(channel, &series, limits.get(&RIPPLE), &mut findings);
    }
    if channel.role == Role::SupplyVoltage
        && let Some(reference) = view.log.role(Role::BatteryVoltage)
        && credible(reference, bounds).is_ok()
    {
        wiring::drops(channel, reference, view, bounds.hold_s, limits, &mut findings);
    }
    Ok(findings)
}

fn levels(
    channel: &Channel,
    view: &View<'_>,
    series: &Series<'_>,
    bounds: &Bounds,
    findings: &mut Vec<Finding>,
) {
    let other = match channel.role {
        Role::SupplyVoltage => Role::BatteryVoltage,
        _ => Role::SupplyVoltage,
    };
    let compared = if view.log.role(other).is_some() {
        String::new()
    } else {
        format!(" (no {} in the log to compare with)", other.label())
    };
    for samples in series.below(bounds.suspect_v, bounds) {
        let lasted_s = series.length_s(&samples);
        let lowest = series.of.value[samples.clone()].iter().copied().fold(f64::INFINITY, f64::min);
        if lasted_s < bounds.hold_s && lowest >= bounds.bad_v {
            continue;
        }
        findings.push(
            Finding::new(
                series.rows(&samples),
                Flag::Suspect,
                format!(
                    "{} was below {:.1} V ({}) for {lasted_s:.2} s, lowest {lowest:.2} V{compared}",
                    channel.name, bounds.suspect_v, bounds.basis
                ),
                vec![(&LOWEST, lowest), (&LIMIT, bounds.suspect_v), (&LASTED, lasted_s)],
            )
            .condition(),
        );
    }
    for samples in runs::of(series.of.value.len(), |k| series.of.value[k] > bounds.high_v) {
        let lasted_s = series.length_s(&samples);
        if lasted_s < bounds.hold_s {
            continue;
        }
        let highest = series.of.value[samples.clone()].iter().copied().fold(0.0, f64::max);
        findings.push(Finding::new(
            series.rows(&samples),
            Flag::Suspect,
            format!(
                "{} was above {:.1} V (upper end of every 12 V code of ISO 16750-2) for {lasted_s:.2} s, highest \
                 {highest:.2} V: a charging fault, and interference must be expected",
                channel.name, bounds.high_v
            ),
            vec![(&LOWEST, highest), (&LIMIT, bounds.high_v), (&LASTED, lasted_s)],
        ).condition());
    }
}

/// Swings of at least `least_v` that turn four times or more within a second.
fn ripple(channel: &Channel, series: &Series<'_>, least_v: f64, findings: &mut Vec<Finding>) {
    let turns = turning_points(&series.of.value, least_v);
    let mut spans: Vec<Range<usize>> = Vec::new();
    for group in turns.windows(5) {
        if series.of.time_s[group[4]] - series.of.time_s[group[0]] <= 1.0 {
            match spans.last_mut() {
                Some(last) if last.end > group[0] => last.end = group[4] + 1,
                _ => spans.push(group[0]..group[4] + 1),
            }
        }
    }
    for span in spans {
        let (low, high) = series.of.value[span.clone()]
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)));
        let lasted_s = series.length_s(&span);
        findings.push(Finding::new(
            series.rows(&span),
            Flag::Suspect,
            format!(
                "{} swings by {:.2} V peak to peak for {lasted_s:.1} s; limit {least_v} V: a charging fault or a loose \
                 contact, and interference must be expected",
                channel.name,
                high - low
            ),
            vec![(&STEP, high - low), (&LIMIT, least_v), (&LASTED, lasted_s)],
        ).condition());
    }
}

/// Samples at which a swing of at least `least` ends.
fn turning_points(values: &[f64], least: f64) -> Vec<usize> {
    let mut turns = Vec::new();
    let (mut low, mut high, mut rising) = (0, 0, None);
    for (k, v) in values.iter().enumerate() {
        if *v > values[high] {
            high = k;
        }
        if *v < values[low] {
            low = k;
        }
        if rising != Some(true) && v - values[low] >= least {
            turns.push(low);
            (rising, high) = (Some(true), k);
        } else if rising != Some(false) && values[high] - v >= least {
            turns.push(high);
            (rising, low) = (Some(false), k);
        }
    }
    turns
}

/// What the supply means for the mixture reading of the same rows.
fn mixture(channel: &Channel, view: &View<'_>, bounds: &Bounds) -> Result<Vec<Finding>, String> {
    let log = view.log;
    let Some(supply) = log.role(Role::SupplyVoltage).or_else(|| log.role(Role::BatteryVoltage)) else {
        return Err("the log has neither a supply voltage nor a battery voltage".to_owned());
    };
    credible(supply, bounds)?;
    // Until the sensor is ready its reading stands for nothing anyway, whatever the supply.
    let ready_row = channel.power_up().end;
    let mut findings = Vec::new();
    for segment in &log.clock.segments {
        let series = Series::of(supply, &log.clock, segment.clone());
        let below = |limit_v: f64| series.below(limit_v, bounds);
        let long = below(bounds.suspect_v).into_iter().filter(|run| series.length_s(run) >= bounds.hold_s);
        let suspect = long.map(|run| Sag { run, flag: Flag::Suspect, limit_v: bounds.suspect_v });
        let bad = below(bounds.bad_v).into_iter();
        let bad = bad.map(|run| Sag { run, flag: Flag::Bad, limit_v: bounds.bad_v });
        let found = suspect.chain(bad).map(|sag| consequence(channel, supply, view, &series, &sag, bounds));
        findings.extend(found.filter(|finding| finding.rows.end > ready_row));
    }
    Ok(findings)
}

/// A stretch of low supply and what it makes of the mixture reading.
struct Sag {
    run: Range<usize>,
    flag: Flag,
    limit_v: f64,
}

fn consequence(
    channel: &Channel,
    supply: &Channel,
    view: &View<'_>,
    series: &Series<'_>,
    Sag { run, flag, limit_v }: &Sag,
    bounds: &Bounds,
) -> Finding {
    let lasted_s = series.length_s(run);
    let lowest = series.of.value[run.clone()].iter().copied().fold(f64::INFINITY, f64::min);
    let mut rows = series.rows(run);
    let mut after = String::new();
    if lowest < bounds.invalid_v {
        let until_s = series.of.time_s[run.end - 1] + bounds.recovery_s;
        rows.end = rows.end.max(view.log.clock.rows_between(0.0, until_s).end);
        after = format!(", and for {:.0} s after it, until the sensor can be warm again", bounds.recovery_s);
    }
    let at_best = if supply.role == Role::BatteryVoltage { ", at best that of the battery" } else { "" };
    Finding::new(
        rows,
        *flag,
        format!(
            "{} was read with {} at {lowest:.2} V{at_best}, below {limit_v:.1} V for {lasted_s:.2} s{after}: it may \
             stand for the controller and not for the gas; the same sag may have leaned the engine",
            channel.name, supply.name
        ),
        vec![(&LOWEST, lowest), (&LIMIT, *limit_v), (&LASTED, lasted_s)],
    )
}

#[cfg(test)]
mod tests;
