//! Whole-log faults of scale: the wrong unit, the wrong stoichiometric ratio, gauge taken for absolute.

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::robust;
use crate::state::bit;

mod looped;
mod loops;
mod moved;

/// See its text in `sondeproof explain scale`.
pub(super) struct Scale;

static ZERO: Limit = Limit {
    name: "lambda_one",
    unit: "1",
    default: 0.03,
    range: (0.01, 0.2),
    why: "a healthy sensor reads 1.016 within 0.007 at the lambda 1 point (part data sheet); the loop runs on another \
          sensor, so three times that is left (assumed)",
};
static COMMANDED: Limit = Limit {
    name: "lambda_commanded",
    unit: "1",
    default: 0.02,
    range: (0.005, 0.2),
    why: "where the command itself is logged only the zero of the element is left, 0.007 (part data sheet): beyond 0.02 \
          the reading is out of the tolerance of trust",
};
static MOVED: Limit = Limit {
    name: "lambda_moved",
    unit: "1",
    default: 0.05,
    range: (0.02, 0.3),
    why: "the `lambda_one` of a whole log, and 0.02 that the middle over one swing of the loop and what is left of a film \
          leave (assumed)",
};
static CLOSED: Limit = Limit {
    name: "closed_loop_s",
    unit: "s",
    default: 8.0,
    range: (3.0, 600.0),
    why: "warm idle and cruise at least: a swing of 0.03 with a period of 2.5 s leaves 0.002 in a mean over 8 s \
          (computed)",
};
static AIR_LOW: Limit = Limit {
    name: "air_low_kpa",
    unit: "kPa",
    default: 54.0,
    range: (40.0, 100.0),
    why: "standard atmosphere at 5000 m: 54.02 kPa (US Standard Atmosphere 1976)",
};
static AIR_HIGH: Limit = Limit {
    name: "air_high_kpa",
    unit: "kPa",
    default: 108.0,
    range: (101.0, 120.0),
    why: "standard atmosphere at -500 m: 107.48 kPa; the highest sea level pressure on record is 108.5 kPa (from memory)",
};
static GAUGE: Limit = Limit {
    name: "gauge_kpa",
    unit: "kPa",
    default: 5.0,
    range: (1.0, 20.0),
    why: "a gauge at rest shows 0 within 5 % of 100 kPa (40 CFR 1065.915 Table 1, general pressure)",
};

static SHRINKS: Limit = Limit {
    name: "shrinks_share",
    unit: "1",
    default: 0.35,
    range: (0.05, 0.95),
    why: "a scale holds at every flow; air that leaks in ahead of the sensor shrinks with it, and cruise breathes two to \
          five times what idle does (computed): it keeps 0.2 to 0.5 of its shift there, and a scale all of it",
};
static SEEN: Field = Field { name: "seen", unit: "channel" };
static EXPECTED: Field = Field { name: "expected", unit: "channel" };
static FACTOR: Field = Field { name: "factor", unit: "1" };

/// Ratios by which pressures are off when one unit is taken for another, with the words for it.
///
/// # Source
/// Exact definitions of the units: 1 psi = 6.894757 kPa, 1 inHg = 3.386389 kPa, 1 bar = 100 kPa.
const MIX_UPS: &[(f64, &str)] = &[
    (6.894_757, "psi taken for kPa"),
    (1.0 / 6.894_757, "kPa taken for psi"),
    (3.386_389, "inHg taken for kPa"),
    (1.0 / 3.386_389, "kPa taken for inHg"),
    (100.0, "bar taken for kPa"),
    (0.01, "kPa taken for bar"),
    (10.0, "kPa taken for mbar"),
    (0.1, "mbar taken for kPa"),
    (14.503_774, "bar taken for psi"),
    (1.0 / 14.503_774, "psi taken for bar"),
    (1e3, "kPa taken for Pa"),
    (1e-3, "Pa taken for kPa"),
];
/// Engine speed below which the engine stands, revolutions per minute.
const STANDS_RPM: f64 = 50.0;

static META: Meta = Meta {
    name: "scale",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "the whole channel is in another unit or scale than it says",
    applies_to: &[
        Role::Lambda,
        Role::Afr,
        Role::ManifoldPressure,
        Role::BoostPressure,
        Role::BarometricPressure,
    ],
    needs: &[],
    method: "**Mixture:** the middle of all readings must be a mixture that burns (lambda 0.6 to 1.6); 10 to 20 in a \
             lambda channel are air/fuel ratios, and the other way round. In warm idle and cruise the control loop \
             holds lambda 1 (or the commanded lambda, where logged): a middle in phi further off than `lambda_one` \
             (`lambda_commanded`) is a \
             shifted scale, the stoichiometric ratio of another fuel (the closest is named) or a mixture that the loop \
             does not hold. Where the log as a whole stands at 1, stretches of idle or \
             cruise that are off by more than `lambda_moved` for one swing (2.5 s), while others of the same kind are not, make the \
             reading suspect from the last good stretch before them to the next one. A shift that loses more than `shrinks_share` from idle to cruise is the mixture: air \
             ahead of the sensor shrinks with the flow, a scale does not. Without throttle and manifold pressure the loop is looked for \
             in the reading itself, spans of 3 s around one level; only one leaner than 1 counts there, because \
             engines run richer by design.\n\n\
             **Pressure:** with the engine standing a manifold shows the barometer (54 to 108 kPa), a boost gauge \
             shows 0. Anything else is compared with the unit mix-ups and with gauge for absolute.",
    assumes: "Closed-loop control in warm idle and cruise for the mixture's zero; the reading must cross its own mean \
              often, as a loop does. A stretch with the engine standing for manifold and boost pressure.",
    misses: "An engine without closed loop: its idle mixture says nothing and is not judged. A gain error that is right \
             at lambda 1. One weak injector shifts the mean of all cylinders by one factor at every flow and looks like \
             a scale. Pressure in a log that never shows the engine standing.",
    gaps: Gaps::Span,
    limits: &[&ZERO, &COMMANDED, &MOVED, &CLOSED, &SHRINKS, &AIR_LOW, &AIR_HIGH, &GAUGE],
    evidence: &[&SEEN, &EXPECTED, &FACTOR],
    sources: &[
        "US Standard Atmosphere 1976 / ISO 2533",
        "stoichiometric ratios computed from composition, as SAE J1829 does",
        "exact definitions of psi, inHg, bar",
    ],
};

impl Detector for Scale {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let found = match channel.role {
            Role::Lambda | Role::Afr => mixture(channel, view, limits),
            Role::BoostPressure => at_rest(channel, view).map(|rest| boost(channel, rest, limits)),
            Role::BarometricPressure => middle(channel).map(|rest| absolute(channel, rest, limits)),
            _ => at_rest(channel, view).map(|rest| absolute(channel, rest, limits)),
        };
        if channel.role.is_mixture() && !matches!(found, Ok(Some(_))) {
            let findings = moved(channel, view, limits);
            if !findings.is_empty() {
                return Outcome::ran(Evaluated::All, findings);
            }
        }
        match found {
            Err(because) => Outcome::NotRun { because },
            Ok(None) => Outcome::ran(Evaluated::All, Vec::new()),
            Ok(Some(Wrong { flag, message, evidence })) => {
                let rows = 0..channel.rows();
                Outcome::ran(Evaluated::All, vec![Finding::new(rows, flag, message, evidence)])
            }
        }
    }
}

/// Rows over which the zero of a mixture channel stands elsewhere than before or after.
fn moved(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Vec<Finding> {
    let most = limits.get(&MOVED);
    let time_s = &view.log.clock.time_s;
    let told = |one: moved::Moved| {
        let seen = one.ratio.recip();
        let message = format!(
            "{} stands at lambda {seen:.3} in idle or cruise from {:.1} s on, where it stands at 1 in other parts of the log \
             (limit {most:.2}, {:.0} s of it): its zero moved, or the mixture did",
            channel.name, time_s[one.rows.start], one.seconds
        );
        let evidence =
            vec![(&SEEN, channel.logged(seen)), (&EXPECTED, channel.logged(1.0)), (&FACTOR, one.ratio)];
        Finding::new(one.rows, Flag::Suspect, message, evidence)
    };
    moved::find(channel, view, most).into_iter().map(told).collect()
}

struct Wrong {
    flag: Flag,
    message: String,
    evidence: Vec<(&'static Field, f64)>,
}

type Found = Result<Option<Wrong>, String>;

fn middle(channel: &Channel) -> Result<f64, String> {
    robust::median(&channel.among(0..channel.rows()))
        .filter(|middle| middle.is_finite())
        .ok_or_else(|| format!("{} holds no value", channel.name))
}

fn mixture(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let middle = middle(channel)?;
    let logged = channel.logged(middle);
    let burns = 0.6..=1.6;
    if !burns.contains(&middle) {
        let (what, expected) = match channel.role {
            Role::Lambda if (8.0..=22.0).contains(&middle) => {
                ("air/fuel ratios in a channel of lambda", middle / view.rig.stoich_afr)
            }
            Role::Lambda if (60.0..=160.0).contains(&middle) => {
                ("percent in a channel of lambda", middle / 100.0)
            }
            Role::Afr if burns.contains(&logged) => {
                ("lambda in a channel of air/fuel ratios", logged * view.rig.stoich_afr)
            }
            _ => ("no mixture that burns", 1.0),
        };
        return Ok(Some(Wrong {
            flag: Flag::Bad,
            message: format!("{} has its middle at {logged:.2}: {what}", channel.name),
            evidence: vec![(&SEEN, logged), (&EXPECTED, expected), (&FACTOR, expected / logged)]
                .into_iter()
                .filter(|(_, value)| value.is_finite())
                .collect(),
        }));
    }
    closed_loop(channel, view, limits)
}

fn closed_loop(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let least_s = limits.get(&CLOSED);
    let knows_load =
        [Role::Throttle, Role::ManifoldPressure].iter().any(|role| view.log.index_of(*role).is_some());
    let held = match held(channel, view, least_s) {
        Ok(held) => held,
        Err(Silent { few: true, because }) if !knows_load => {
            looped::find(channel, view, least_s).ok_or(because)?
        }
        Err(Silent { because, .. }) => return Err(because),
    };
    let seen = held.ratio.recip();
    let most = limits.get(if held.commanded { &COMMANDED } else { &ZERO });
    if (seen - 1.0).abs() <= most {
        return Ok(None);
    }
    let shrinks = held.by_flow.is_some_and(|[idle, cruise]| {
        let (idle, cruise) = (1.0 - idle, 1.0 - cruise);
        idle > most && idle - cruise > limits.get(&SHRINKS) * idle
    });
    if shrinks {
        return Err("the reading is leaner at idle than in cruise: its shift shrinks with the flow, as air does that \
                    enters ahead of the sensor, so it says nothing about the scale"
            .to_owned());
    }
    let stoich = view.rig.stoich_afr;
    // A ratio of another fuel, computed from composition: E0, E5, E10, E20, E85, ethanol, methanol; 14.7 is common.
    let known = [14.7, 14.575, 14.28, 13.99, 13.41, 9.80, 9.00, 6.47];
    let pairs = known.iter().flat_map(|a| [(*a, stoich), (stoich, *a)]);
    let nearest = pairs
        .filter(|(a, b)| (a / b - seen).abs() < 0.01)
        .min_by(|(a, b), (c, d)| (a / b - seen).abs().total_cmp(&(c / d - seen).abs()));
    let why = nearest.map_or_else(
        || "a shifted scale".to_owned(),
        |(a, b)| format!("as if made with a stoichiometric ratio of {b:.2} where {a:.2} was meant"),
    );
    Ok(Some(Wrong {
        flag: Flag::Suspect,
        message: format!(
            "{} stands at lambda {seen:.3} over {:.0} s of {}, where a control loop holds 1 (limit {most:.2}): {why}, \
             or the mixture itself is off: one weak injector, or no such loop",
            channel.name, held.seconds, held.place
        ),
        evidence: vec![
            (&SEEN, channel.logged(seen)),
            (&EXPECTED, channel.logged(1.0)),
            (&FACTOR, held.ratio),
        ],
    }))
}

/// Where a control loop holds the mixture.
struct Held {
    /// Commanded over read, the middle of it.
    ratio: f64,
    /// The same at idle and in cruise, where both last.
    by_flow: Option<[f64; 2]>,
    seconds: f64,
    /// Whether the command itself is logged.
    commanded: bool,
    /// In words.
    place: &'static str,
}

/// Why nothing shows where a loop would hold the mixture.
struct Silent {
    /// The log holds too little of idle and cruise.
    few: bool,
    because: String,
}

/// In warm idle and cruise.
///
/// # Errors
/// Why nothing shows there.
fn held(channel: &Channel, view: &View<'_>, least_s: f64) -> Result<Held, Silent> {
    let silent = |few: bool, because: &str| Silent { few, because: because.to_owned() };
    let time_s = &view.log.clock.time_s;
    let (mut ratio, mut duration_s, mut last) = (Vec::new(), 0.0, None::<(usize, f64)>);
    let mut by_flow = [(Vec::new(), 0.0), (Vec::new(), 0.0)];
    for (row, one) in loops::commanded_over_read(channel, view) {
        ratio.push(one);
        let flow = &mut by_flow[usize::from(view.state.has(row, bit::CRUISE))];
        flow.0.push(one);
        if let Some((before, then_s)) = last
            && row - before <= 50
        {
            let passed_s = (time_s[row] - then_s).min(1.0);
            duration_s += passed_s;
            flow.1 += passed_s;
        }
        last = Some((row, time_s[row]));
    }
    if duration_s < least_s {
        let because = format!(
            "only {duration_s:.0} s of warm idle and cruise: too few to see where the control loop holds the mixture"
        );
        return Err(silent(true, &because));
    }
    // The middle, not the mean: the tail of an over-run before is no part of the loop.
    let Some(middle) = robust::median(&ratio).filter(|middle| middle.is_finite()) else {
        return Err(silent(false, "idle and cruise hold no usable reading"));
    };
    let middles = [0, 1].map(|flow: usize| robust::median(&by_flow[flow].0).unwrap_or(middle));
    let around: Vec<f64> = by_flow
        .iter()
        .zip(middles)
        .flat_map(|((ratio, _), middle)| ratio.iter().map(move |ratio| ratio - middle))
        .collect();
    if !loops::swings(&around, 0.0, duration_s) {
        let because = "idle and cruise show no control loop around one mixture, so their mean says nothing";
        return Err(silent(false, because));
    }
    let both = by_flow.iter().all(|(_, seconds)| *seconds >= 0.4 * least_s);
    Ok(Held {
        ratio: middle,
        by_flow: both.then_some(middles),
        seconds: duration_s,
        commanded: view.log.role(Role::LambdaTarget).is_some(),
        place: "warm idle and cruise",
    })
}

/// Middle of the readings while the engine stands, Pa.
fn at_rest(channel: &Channel, view: &View<'_>) -> Result<f64, String> {
    let Some(speed) = view.log.role(Role::EngineSpeed) else {
        return Err("without engine speed it is not known when the engine stands".to_owned());
    };
    // A missing speed is not a standing engine.
    let still: Vec<f64> = channel
        .readings(0..channel.rows())
        .filter(|(row, _)| speed.at(*row).is_some_and(|rpm| (0.0..STANDS_RPM).contains(&rpm)))
        .map(|(_, value)| value)
        .collect();
    if still.len() < 10 {
        return Err("the log never shows the engine standing (10 readings at least)".to_owned());
    }
    robust::median(&still)
        .filter(|p| p.is_finite())
        .ok_or_else(|| "no pressure with the engine standing".to_owned())
}

fn absolute(channel: &Channel, rest_pa: f64, limits: &Limits<'_>) -> Option<Wrong> {
    let (low, high) = (limits.get(&AIR_LOW) * 1e3, limits.get(&AIR_HIGH) * 1e3);
    if (low..=high).contains(&rest_pa) {
        return None;
    }
    let seen = channel.logged(rest_pa);
    let air = |pascal: f64| channel.logged(pascal);
    if rest_pa.abs() <= limits.get(&GAUGE) * 1e3 {
        return Some(Wrong {
            flag: Flag::Bad,
            message: format!(
                "{} shows {seen:.2} {} at rest, where the barometer was due: gauge pressure in an absolute channel",
                channel.name, channel.unit.symbol
            ),
            evidence: vec![(&SEEN, seen), (&EXPECTED, air(101_325.0))],
        });
    }
    // Near sea level first: the mix-up that explains the reading with the least odd weather.
    let mix_up = MIX_UPS.iter().filter(|(factor, _)| (low..=high).contains(&(rest_pa * factor))).min_by(
        |(a, _), (b, _)| {
            let odd = |factor: f64| (rest_pa * factor - 101_325.0).abs();
            odd(*a).total_cmp(&odd(*b))
        },
    );
    let (flag, why, factor) = match mix_up {
        Some((factor, why)) => (Flag::Bad, format!("{why} explains it"), *factor),
        None => (Flag::Suspect, "no mix-up of units explains it".to_owned(), 101_325.0 / rest_pa),
    };
    Some(Wrong {
        flag,
        message: format!(
            "{} shows {seen:.2} {} at rest; a barometer shows {:.0} to {:.0} kPa from 5000 m down to sea level: {why}",
            channel.name,
            channel.unit.symbol,
            low / 1e3,
            high / 1e3
        ),
        evidence: vec![(&SEEN, seen), (&EXPECTED, air(101_325.0)), (&FACTOR, factor)],
    })
}

fn boost(channel: &Channel, rest_pa: f64, limits: &Limits<'_>) -> Option<Wrong> {
    if rest_pa.abs() <= limits.get(&GAUGE) * 1e3 {
        return None;
    }
    let seen = channel.logged(rest_pa);
    let air = (limits.get(&AIR_LOW) * 1e3..=limits.get(&AIR_HIGH) * 1e3).contains(&rest_pa);
    let why = if air { "absolute pressure in a gauge channel" } else { "an offset" };
    Some(Wrong {
        flag: if air { Flag::Bad } else { Flag::Suspect },
        message: format!(
            "{} shows {seen:.2} {} at rest, where a gauge shows 0: {why}",
            channel.name, channel.unit.symbol
        ),
        evidence: vec![(&SEEN, seen), (&EXPECTED, channel.logged(0.0))],
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence};
    use crate::log::Unit;

    fn idle(level: f64) -> Bench {
        let mut noise = Noise::new(9);
        Bench::new(20.0, 1200)
            .channel(Role::Lambda, move |t| level * (1.0 + 0.01 * (t * 5.0).sin() + 0.003 * noise.next()))
            .state(bit::IDLE, 0.0, 60.0)
    }

    #[test]
    fn air_fuel_ratio_in_a_lambda_channel_and_the_reverse() {
        let found = idle(14.1).findings(&Scale, Role::Lambda);
        assert!(found[0].message.contains("air/fuel ratios in a channel of lambda"), "{found:?}");
        assert_eq!((found[0].flag, found[0].rows.len()), (Flag::Bad, 1200));
        let afr = Unit::inside(Role::Afr.dimension());
        let mut channel = Channel::new("AFR".to_owned(), Role::Afr, afr, vec![0.95 / 13.99; 100], None);
        channel.scale = 1.0 / 13.99;
        let found = Bench::new(10.0, 100).add(channel).findings(&Scale, Role::Afr);
        assert!(found[0].message.contains("lambda in a channel of air/fuel ratios"), "{found:?}");
        assert!((evidence(&found[0], "seen") - 0.95).abs() < 1e-9);
    }

    #[test]
    fn closed_loop_that_does_not_stand_at_one_names_the_ratio() {
        assert!(idle(1.005).findings(&Scale, Role::Lambda).is_empty());
        // Air/fuel ratio made with 14.7 and read back with 13.99 (E10).
        let found = idle(14.7 / 13.99).findings(&Scale, Role::Lambda);
        assert!(found[0].message.contains("13.99 where 14.70"), "{}", found[0].message);
        assert_eq!(found[0].flag, Flag::Suspect);
    }

    #[test]
    fn a_shift_that_shrinks_with_the_flow_is_air_and_no_scale() {
        let log = |cruise: f64| {
            let mut noise = Noise::new(9);
            Bench::new(20.0, 1200)
                .channel(Role::Lambda, move |t| {
                    let level = if t < 30.0 { 1.08 } else { cruise };
                    level * (1.0 + 0.01 * (t * 5.0).sin() + 0.003 * noise.next())
                })
                .channel(Role::EngineSpeed, |t| if t < 30.0 { 900.0 } else { 3_000.0 })
                .state(bit::IDLE, 0.0, 30.0)
                .state(bit::CRUISE, 30.0, 60.0)
        };
        assert!(because(log(1.03).run(&Scale, Role::Lambda)).contains("shrinks with the flow"));
        assert_eq!(log(1.075).findings(&Scale, Role::Lambda).len(), 1);
    }

    #[test]
    fn without_engine_speed_only_a_loop_on_the_lean_side_speaks() {
        // 4 s rich of a pull, 8 s of loop, over and over.
        let log = |scale: f64| {
            let mut noise = Noise::new(9);
            Bench::new(20.0, 1200).channel(Role::Lambda, move |t| {
                let gas = if t % 12.0 < 4.0 { 0.82 } else { 1.0 + 0.01 * (t * 5.0).sin() };
                scale * gas * (1.0 + 0.003 * noise.next())
            })
        };
        let found = log(1.06).findings(&Scale, Role::Lambda);
        assert!(found[0].message.contains("steady readings"), "{found:?}");
        assert!(log(1.015).findings(&Scale, Role::Lambda).is_empty());
        assert!(because(log(0.94).run(&Scale, Role::Lambda)).contains("too few"));
    }

    #[test]
    fn open_loop_idle_says_nothing() {
        let mut noise = Noise::new(9);
        let drifting = Bench::new(20.0, 1200)
            .channel(Role::Lambda, move |t| 0.85 + 0.004 * t + 0.0001 * noise.next())
            .state(bit::IDLE, 0.0, 60.0);
        assert!(because(drifting.run(&Scale, Role::Lambda)).contains("no control loop"));
        let short = Bench::new(20.0, 100).channel(Role::Lambda, |_| 0.85);
        assert!(because(short.run(&Scale, Role::Lambda)).contains("too few"));
    }

    fn standing(role: Role, pascal: f64) -> Bench {
        Bench::new(10.0, 200)
            .channel(Role::EngineSpeed, |t| if t < 5.0 { 0.0 } else { 900.0 })
            .channel(role, move |t| if t < 5.0 { pascal } else { 35e3 })
    }

    #[test]
    fn pressure_at_rest_follows_the_standard_atmosphere() {
        // US Standard Atmosphere 1976: p = 101325 (1 - 0.0065 h / 288.15)^5.255876.
        let air = |h: f64| 101_325.0 * (1.0 - 0.0065 * h / 288.15).powf(5.255_876);
        for (h, p) in [(-500.0, 107_477.5), (1000.0, 89_874.6), (3000.0, 70_108.5), (5000.0, 54_019.9)] {
            assert!((air(h) - p).abs() < 1.0, "{h} m");
            assert!(
                standing(Role::ManifoldPressure, air(h)).findings(&Scale, Role::ManifoldPressure).is_empty()
            );
        }
    }

    #[test]
    fn unit_mix_ups_and_gauge_for_absolute_are_named() {
        let text = |role, pascal| standing(role, pascal).findings(&Scale, role)[0].message.clone();
        assert!(text(Role::ManifoldPressure, 14.7e3).contains("psi taken for kPa"));
        assert!(text(Role::ManifoldPressure, 698.6e3).contains("kPa taken for psi"));
        assert!(text(Role::ManifoldPressure, 1.013e6).contains("mbar taken for kPa"));
        assert!(text(Role::ManifoldPressure, 29.92e3).contains("inHg taken for kPa"));
        assert!(text(Role::ManifoldPressure, 300.0).contains("gauge pressure in an absolute channel"));
        assert!(text(Role::BoostPressure, 99e3).contains("absolute pressure in a gauge channel"));
        assert!(standing(Role::BoostPressure, -600.0).findings(&Scale, Role::BoostPressure).is_empty());
    }

    #[test]
    fn running_engine_says_nothing_about_the_barometer() {
        let running = Bench::new(10.0, 200)
            .channel(Role::EngineSpeed, |_| 900.0)
            .channel(Role::ManifoldPressure, |_| 35e3);
        assert!(
            because(running.run(&Scale, Role::ManifoldPressure)).contains("never shows the engine standing")
        );
    }
}
