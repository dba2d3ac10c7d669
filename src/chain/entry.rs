//! Entries into fuel cuts: in ln lambda a straight line with the slope 1/tau.

use super::Fresh;
use super::step::{AT_STOP, BURNS_PHI, CUT_PHI, EVENT_SPREAD_LN, Gathered, LONGEST_STEP_S, Reading, Witness};
use crate::signal::response::{Axis, Step, joint_likelihood};
use crate::signal::uncertainty::rectangular;

/// An entry is usable when it can be followed over this many time constants (in ln phi); assumed: below one,
/// slope and curvature cannot be told apart.
const SPAN_LN: f64 = 1.0;
/// An end stop at or below this (lambda 6.7 and leaner) still shows most of an entry; assumed.
const NEAR_AIR_PHI: f64 = 0.15;
/// Air is phi 0; gain and humidity move the reading by less than this (assumed).
const AIR_PHI: f64 = 0.015;
/// Fuel from the walls of the ports goes on mixing with the little air of a closed throttle: its first phi, as a
/// standard deviation (a twentieth of the fuel of a pull into a sixth of its air would be 0.3; 0.25 has fewer wrong fits
/// than 0.12 and 0.06 on tune seeds 0 to 599), and the half of it that a fit may not depend on.
const FILM_PHI: f64 = 0.25;
const LESS_FILM_PHI: f64 = 0.12;
/// A reading this long after the last cylinder changed may still show the bend with which mixing of the gas begins a
/// step, s (mixing 5 to 50 ms: lean-event physics), and then lies beside the exponential by this share of phi before
/// (tune seeds 0 to 599: the error at 10 Hz falls from 17 to 8 %).
const BEND_S: f64 = 0.04;
const BEND_SHARE: f64 = 0.1;

/// One entry as found, before it is judged.
struct Found {
    /// Index of the last sample before the reading moved.
    base: usize,
    /// Indices that follow, up to rest, end stop or turn.
    end: usize,
    /// Level before, phi.
    from_phi: f64,
    /// Whether the end stop cut it off.
    clipped: bool,
    /// First index at the end stop.
    stop: usize,
}

/// The entries into cuts of a log.
pub(super) fn gather(reading: &Reading<'_>) -> Gathered {
    let Reading { fresh, stop_phi, witness, .. } = reading;
    let mut gathered = Gathered::default();
    for step in falls(fresh, reading.sigma, *stop_phi) {
        let last_phi = fresh.phi[step.end];
        let air = witness.cut_before(fresh.row[step.end] as usize) || (last_phi <= 0.2 && !step.clipped);
        if !air {
            continue;
        }
        gathered.found += 1;
        gathered.onset_s.push(fresh.time_s[step.base]);
        let samples = exponential_part(fresh, &step, witness);
        let span = match (samples.first(), samples.last()) {
            (Some(first), Some(last)) => (fresh.phi[*first] / fresh.phi[*last].max(1e-3)).ln(),
            _ => 0.0,
        };
        let mut time_s: Vec<f64> = samples.iter().map(|k| fresh.time_s[*k]).collect();
        let mut value: Vec<f64> = samples.iter().map(|k| fresh.phi[*k]).collect();
        let mut doubt = bend(reading, &step, &samples);
        let near_air = step.clipped && *stop_phi <= NEAR_AIR_PHI;
        if near_air {
            // An end stop close to air says where the reading is, within half of what is left.
            time_s.push(fresh.time_s[step.stop]);
            value.push(0.5 * stop_phi);
            doubt.push(rectangular(0.5 * stop_phi));
        }
        gathered.bounds.extend(fastest(fresh, &step, *stop_phi));
        if samples.len() >= 3 && (span >= SPAN_LN || near_air) {
            gathered.steps.push(Step {
                time_s,
                value,
                rest: (0.0, AIR_PHI),
                doubt,
                tail: FILM_PHI,
                slow_chance: 0.0,
            });
        } else if step.clipped {
            gathered.clipped += 1;
        }
    }
    gathered
}

/// What each sample may lie beside the exponential: in the bend at the beginning of a step, in phi.
///
/// The step began somewhere between the last sample before it and the next; the later a sample, the less likely it is
/// still in the bend.
fn bend(reading: &Reading<'_>, step: &Found, samples: &[usize]) -> Vec<f64> {
    let Reading { fresh, period_s, witness, .. } = reading;
    let over_s = period_s + witness.cycle_s(fresh.row[step.base] as usize) + BEND_S;
    samples
        .iter()
        .map(|k| {
            let left_s = over_s - (fresh.time_s[*k] - fresh.time_s[step.base]);
            let chance = (left_s / period_s.max(1e-6)).clamp(0.0, 1.0);
            BEND_SHARE * step.from_phi * chance.sqrt()
        })
        .collect()
}

/// How far ln tau moves when half as much film is believed: a fit that hangs on it is not of the sensor.
pub(super) fn moved_by_less_film(steps: &[Step], sigma: f64) -> f64 {
    let tau_s = |steps: &[Step]| {
        let curve = joint_likelihood(steps, sigma, EVENT_SPREAD_LN, Axis::SENSOR);
        curve.posterior(|_| 0.0).filter(|_| curve.steps > 0).map(|fit| fit.tau_s)
    };
    let less: Vec<Step> = steps.iter().map(|step| Step { tail: LESS_FILM_PHI, ..step.clone() }).collect();
    tau_s(steps).zip(tau_s(&less)).map_or(0.0, |(all, less)| (all / less).ln().abs())
}

/// The gas cannot be leaner than air, so falling to a level took at least tau * ln(ratio): the tightest such bound, s.
fn fastest(fresh: &Fresh<'_>, step: &Found, stop_phi: f64) -> Option<f64> {
    let at_stop = step.clipped.then_some((step.stop, stop_phi.max(1e-3)));
    (step.base + 1..=step.end)
        .map(|k| (k, fresh.phi[k]))
        .chain(at_stop)
        .filter(|(_, phi)| *phi < 0.9 * step.from_phi && *phi > 0.1 * step.from_phi)
        .map(|(k, phi)| (fresh.time_s[k] - fresh.time_s[step.base]) / (step.from_phi / phi).ln())
        .filter(|bound| *bound > 0.0)
        .min_by(f64::total_cmp)
}

/// Falls of phi from burning gas towards air.
fn falls(fresh: &Fresh<'_>, sigma: f64, stop_phi: f64) -> Vec<Found> {
    let phi = &fresh.phi;
    let mut found = Vec::new();
    let mut base = 0;
    while base + 1 < phi.len() {
        let drop = (4.0 * sigma).max(0.03);
        let starts = phi[base] >= BURNS_PHI
            && fresh.segment(base) == fresh.segment(base + 1)
            && phi[base + 1] < phi[base] - drop;
        if !starts {
            base += 1;
            continue;
        }
        let mut end = base;
        let mut clipped = false;
        let mut stop = base + 1;
        for next in base + 1..phi.len() {
            let late = fresh.time_s[next] - fresh.time_s[base] > LONGEST_STEP_S;
            if late || fresh.segment(next) != fresh.segment(base) || phi[next] > phi[next - 1] + 3.0 * sigma {
                break;
            }
            if phi[next] <= stop_phi * (1.0 + AT_STOP) {
                clipped = true;
                stop = next;
                break;
            }
            end = next;
        }
        if phi[end] <= CUT_PHI || clipped {
            found.push(Found { base, end, from_phi: phi[base], clipped, stop });
        }
        base = end.max(base + 1);
    }
    found
}

/// Samples of a fall after all cylinders have delivered air, down to where noise takes over.
fn exponential_part(fresh: &Fresh<'_>, step: &Found, witness: &Witness<'_>) -> Vec<usize> {
    let settled_s = fresh.time_s[step.base] + witness.cycle_s(fresh.row[step.base] as usize);
    // An exponential is steepest where it begins: whatever falls before that is the gas, not the sensor.
    let last = if step.clipped { step.stop } else { step.end };
    let slope =
        |k: usize| (fresh.phi[k] - fresh.phi[k + 1]) / (fresh.time_s[k + 1] - fresh.time_s[k]).max(1e-6);
    let begin =
        (step.base..last).max_by(|a, b| slope(*a).total_cmp(&slope(*b)).then(b.cmp(a))).unwrap_or(step.base);
    let lowest = fresh.phi[step.end];
    let mut rest = 0;
    (step.base + 1..=step.end)
        .filter(|k| *k >= begin && fresh.time_s[*k] >= settled_s)
        .take_while(|k| {
            // A few samples at rest fix the asymptote; more would only dilute the fit.
            if fresh.phi[*k] <= lowest + 0.02 {
                rest += 1;
            }
            rest <= 5
        })
        .collect()
}
