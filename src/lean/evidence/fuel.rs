//! The fuel side: pressure over the injectors, their duty, knock.

use super::pull::Others;
use super::state::{self, Opening};
use super::{Case, Feature, Group, Reading, reset};
use crate::figure::figure;
use crate::lean::beside;
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{Cause, REAL};
use crate::lean::trace::{Frame, Scene, Witness, median};
use crate::log::Role;

/// Pressure over the injectors around an event.
pub(in crate::lean) struct Drop<'a> {
    /// Rail pressure, gauge.
    pub rail: Witness<'a>,
    manifold: Option<Witness<'a>>,
    ambient_pa: f64,
    /// Before the event, Pa.
    pub before_pa: f64,
    /// Least during it, Pa.
    pub least_pa: f64,
    /// Samples in the window.
    pub count: usize,
}

impl Drop<'_> {
    /// Relative fall.
    pub(super) fn share(&self) -> f64 {
        1.0 - self.least_pa / self.before_pa
    }

    fn over_injectors(&self, time_s: f64, rail: f64) -> f64 {
        // Without manifold pressure the rail alone is judged: boost can only make it worse.
        let manifold = self.manifold.and_then(|w| w.at(time_s, 0.5)).unwrap_or(self.ambient_pa);
        rail + self.ambient_pa - manifold
    }

    /// Pressure over the injectors at a time, Pa.
    pub(super) fn at(&self, time_s: f64) -> Option<f64> {
        let rail = self.rail.at(time_s, 3.0 * self.rail.period_s().max(0.01))?;
        Some(self.over_injectors(time_s, rail).max(1.0))
    }
}

/// Looks at the fuel pressure of an event; the reason where it cannot be.
pub(in crate::lean) fn pressure<'a>(case: &Case<'a, '_>) -> Result<Drop<'a>, String> {
    let scene: &Scene<'a> = case.scene;
    let rail = scene.witness(Role::FuelPressure).ok_or("no fuel pressure channel")?;
    let (start, end) = (case.gas_start_s - 1.5, case.gas_end_s);
    if let Some(because) = rail.refused(start, end) {
        return Err(because);
    }
    // Asked for every event: one that never moves would be gone through each time.
    if !scene.rail_moves.get_or_init(|| rail.moves()).ok_or("fuel pressure has no value")? {
        return Err("fuel pressure never moves in this log: the channel itself may be dead".to_owned());
    }
    let mut drop = Drop {
        rail,
        manifold: scene.manifold(),
        ambient_pa: scene.ambient_pa,
        before_pa: 0.0,
        least_pa: 0.0,
        count: 0,
    };
    let over = |t0: f64, t1: f64| -> Vec<(f64, f64)> {
        rail.samples(t0, t1).map(|(t, p)| (t, drop.over_injectors(t, p))).collect()
    };
    // A slow collapse begins before the reading crosses its limit: the level is that of the best half of the
    // three seconds before.
    let mut earlier: Vec<f64> =
        over(case.gas_start_s - 3.0, case.gas_start_s - 0.05).into_iter().map(|p| p.1).collect();
    earlier.sort_by(f64::total_cmp);
    let upper = earlier.split_off(earlier.len() / 2);
    let before_pa = median(upper).ok_or("no fuel pressure before the event")?;
    let reach = rail.period_s().min(0.5);
    let during = over(case.gas_start_s - k::PRESSURE_WINDOW_S.value, case.gas_end_s + reach);
    // One odd sample is not a collapse: the least is that of a running median of three where there are enough.
    let smooth: Vec<(f64, f64)> = if during.len() >= 5 {
        during
            .windows(3)
            .filter_map(|w| match w {
                [a, b, c] => Some((b.0, median(vec![a.1, b.1, c.1])?)),
                _ => None,
            })
            .collect()
    } else {
        during.clone()
    };
    let least_pa =
        smooth.iter().map(|p| p.1).min_by(f64::total_cmp).ok_or("no fuel pressure during the event")?;
    if before_pa <= 0.0 {
        return Err("fuel pressure over the manifold is not above zero: unit or role may be wrong".to_owned());
    }
    drop.before_pa = before_pa;
    drop.least_pa = least_pa;
    drop.count = during.len();
    Ok(drop)
}

/// Whether rail pressure fell while the engine was still under load, up to three seconds before an event or within it: what was
/// burnt then lies under the air of a cut that follows. A regulator follows the manifold, which load fills: no load by itself
/// makes the rail fall.
pub(in crate::lean) fn fell_under_load(case: &Case<'_, '_>) -> bool {
    let Some(rail) = case.scene.witness(Role::FuelPressure) else { return false };
    let samples = rail.samples(case.gas_start_s - 3.0, case.gas_end_s);
    let mut under: Vec<f64> =
        samples.filter(|(time_s, _)| beside::loaded(case.scene, *time_s)).map(|sample| sample.1).collect();
    under.sort_by(f64::total_cmp);
    let usual = median(under.split_off(under.len() / 2));
    // One odd sample is not a collapse.
    usual.zip(under.get(1)).is_some_and(|(usual, low)| *low < (1.0 - k::PRESSURE_DROP.value) * usual)
}

pub(super) static ROOT_LAW: Feature = Feature {
    name: "pressure_root_law",
    id: "F7",
    group: Group::Fuel,
    summary: "lambda follows the square root of the pressure over the injectors",
    looks: "fuel pressure over the manifold falls first, lambda rises by what the square-root law says",
    decides: "two independent instruments agree in numbers",
    cannot: "an ECU that corrects for pressure hides part of the fall; the law says nothing on a steady pressure",
    tag: Tag::Assumed,
    run: root_law,
};

fn root_law(case: &Case<'_, '_>) -> Reading {
    let drop = match pressure(case) {
        Ok(drop) => drop,
        Err(because) => return Reading::not_evaluated(because),
    };
    if drop.manifold.is_none() && state::opening(case).0 == Opening::Closed {
        return Reading::not_evaluated(
            "the throttle is closed and manifold pressure not logged: a regulator may follow the manifold down",
        );
    }
    let share = drop.share();
    let percent = share * 100.0;
    if share < k::PRESSURE_DROP.value {
        return Reading::seen(
            -percent,
            "%",
            format!("fuel pressure over the manifold fell by {} % at most", figure(percent, 0)),
        );
    }
    let peak = case.peak_lambda();
    let predicted = predict(case, &drop);
    let clipped = case.scene.chain.clip_lean.is_some_and(|clip| peak >= clip - 1e-3);
    let agrees =
        predicted.is_some_and(|p| (p - peak).abs() <= k::ROOT_LAW_LAMBDA.value || (clipped && p >= peak));
    let leaner = predicted.is_some_and(|p| peak > p + k::ROOT_LAW_LAMBDA.value);
    let said = predicted.map_or_else(|| "-".to_owned(), |p| format!("{p:.2}"));
    let text = format!(
        "fuel pressure over the manifold fell {percent:.0} %; the square-root law predicts lambda {said}, read {peak:.2}"
    );
    let reading = Reading::seen(-percent, "%", text).forbid();
    if agrees {
        reading.weigh(&[Cause::FuelSupply], k::LR_ROOT_LAW.value)
    } else if leaner {
        reading.weigh(&[Cause::FuelSupply], k::LR_PRESSURE_FIRST.value)
    } else {
        reading
    }
}

/// The reading that the square-root law predicts at the peak, through the sensor's own lag, lambda.
fn predict(case: &Case<'_, '_>, drop: &Drop<'_>) -> Option<f64> {
    let scene = case.scene;
    let before_phi = level_before(case)?;
    let tau_s = scene.chain.rich_to_lean.tau_s;
    let start_s = case.gas_start_s - 3.0;
    let mut phi = before_phi;
    let mut leanest = before_phi;
    let step_s = (0.25 * tau_s).max(0.005);
    let a = (-step_s / tau_s).exp();
    let end_s = scene.frames().get(case.episode.peak(scene))?.time_s - case.delay_s;
    let steps = (((end_s - start_s) / step_s) as usize).min(20_000);
    for step in 0..steps {
        let time_s = start_s + step as f64 * step_s;
        let ratio = (drop.at(time_s)? / drop.before_pa).clamp(0.01, 1.5);
        phi = before_phi * ratio.sqrt() * (1.0 - a) + phi * a;
        leanest = leanest.min(phi);
    }
    Some(leanest.recip())
}

/// Reading while the pressure was still up, phi: the richest half of the last three seconds under the limit.
fn level_before(case: &Case<'_, '_>) -> Option<f64> {
    let scene = case.scene;
    let start = case.episode.start_s(scene);
    let mut phis: Vec<f64> = scene
        .frames()
        .part(..case.episode.frames.start)?
        .iter()
        .rev()
        .take_while(|f| start - f.time_s <= 3.0)
        .filter(|f| f.lambda <= case.episode.limit)
        .map(Frame::phi)
        .collect();
    phis.sort_by(f64::total_cmp);
    let upper = phis.split_off(phis.len() / 2);
    median(upper)
}

pub(super) static STEADY_PRESSURE: Feature = Feature {
    name: "steady_pressure",
    id: "F7'",
    group: Group::Fuel,
    summary: "fuel pressure stays where it was",
    looks: "pressure over the manifold within 2 % for 0.3 s and longer",
    decides: "speaks against a supply failure",
    cannot: "says nothing on tip-in, injector limit or a lean map; never proves an artefact",
    tag: Tag::Assumed,
    run: steady_pressure,
};

fn steady_pressure(case: &Case<'_, '_>) -> Reading {
    let drop = match pressure(case) {
        Ok(drop) => drop,
        Err(because) => return Reading::not_evaluated(because),
    };
    if drop.count < 3 || drop.rail.period_s() > 0.11 {
        return Reading::not_evaluated("fuel pressure is sampled too slowly to exclude a dip of this length");
    }
    let percent = drop.share() * 100.0;
    if drop.share() <= k::PRESSURE_STEADY.value {
        Reading::seen(
            percent,
            "%",
            format!("fuel pressure over the manifold stayed within {:.0} %", percent.max(1.0)),
        )
        .weigh(&[Cause::FuelSupply], k::LR_PRESSURE_STEADY.value)
    } else {
        Reading::seen(percent, "%", format!("fuel pressure over the manifold moved by {percent:.0} %"))
    }
}

/// Injector duty as a ratio, from its channel or from pulse width and engine speed.
pub(in crate::lean) fn duty(scene: &Scene<'_>, start_s: f64, end_s: f64) -> Result<(f64, f64), String> {
    if let Some(duty) = scene.witness(Role::InjectorDuty) {
        if let Some(because) = duty.refused(start_s, end_s) {
            return Err(because);
        }
        return duty.range(start_s, end_s).ok_or_else(|| "injector duty has no value there".to_owned());
    }
    let (Some(width), Some(speed)) =
        (scene.witness(Role::InjectorPulseWidth), scene.witness(Role::EngineSpeed))
    else {
        return Err("no injector duty or pulse width channel".to_owned());
    };
    if let Some(because) = width.refused(start_s, end_s) {
        return Err(because);
    }
    let mut range: Option<(f64, f64)> = None;
    for (time, pulse) in width.samples(start_s, end_s) {
        if let Some(rpm) = speed.at(time, 0.5) {
            let duty = pulse * rpm / 120.0;
            range = Some(range.map_or((duty, duty), |(low, high)| (low.min(duty), high.max(duty))));
        }
    }
    range.ok_or_else(|| "pulse width has no value there".to_owned())
}

pub(super) static DUTY_LIMIT: Feature = Feature {
    name: "injector_duty",
    id: "F8",
    group: Group::Fuel,
    summary: "injectors are open all the time",
    looks: "duty at 95 % or more from a fixed engine speed and load on, lambda grows with demand",
    decides: "no more fuel can come, so lambda grows in proportion to demand over capacity",
    cannot: "a duty channel that saturates by calculation looks the same",
    tag: Tag::Assumed,
    run: duty_limit,
};

fn duty_limit(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let reach = scene.period_s.min(0.2);
    let (low, high) = match duty(scene, case.gas_start_s - reach, case.gas_end_s + reach) {
        Ok(range) => range,
        Err(because) => return Reading::not_evaluated(because),
    };
    let percent = high * 100.0;
    if high >= k::DUTY_LIMIT.value {
        let text = format!("injector duty reached {percent:.0} %: the injectors could give no more");
        let reading = Reading::seen(percent, "%", text).forbid();
        // A duty that fell to nothing within the event is a cut.
        if low > 0.5 {
            reading
                .weigh(&[Cause::InjectorLimit], k::LR_DUTY.value)
                .weigh(&[Cause::Mixture, Cause::TipIn], k::LR_DUTY_ELSE.value)
        } else {
            reading
        }
    } else if high < k::DUTY_ROOM.value {
        Reading::seen(percent, "%", format!("injector duty stayed at {percent:.0} % or less: room for more"))
            .weigh(&[Cause::InjectorLimit], -k::LR_DUTY.value)
    } else {
        Reading::seen(percent, "%", format!("injector duty reached {percent:.0} %"))
    }
}

pub(super) static KNOCK: Feature = Feature {
    name: "knock",
    id: "F17",
    group: Group::Knock,
    summary: "knock grows with it",
    looks: "knock count or level rises, or ignition is retarded",
    decides: "a lean charge knocks sooner",
    cannot: "no knock proves nothing",
    tag: Tag::Assumed,
    run: knock,
};

fn knock(case: &Case<'_, '_>) -> Reading {
    let Some(witness) = case.scene.witness(Role::Knock) else {
        return Reading::not_evaluated("no knock channel");
    };
    let (start, end) = (case.gas_start_s, case.episode.end_s(case.scene) + 0.2);
    if let Some(because) = witness.refused(start - 2.0, end) {
        return Reading::not_evaluated(because);
    }
    let before: Vec<f64> = witness.samples(start - 2.0, start - 0.1).map(|s| s.1).collect();
    let (Some(level), Some((_, high))) = (median(before.clone()), witness.range(start, end)) else {
        return Reading::not_evaluated("no knock value before and during the event");
    };
    let spread = 1.4826 * median(before.iter().map(|v| (v - level).abs()).collect()).unwrap_or(0.0);
    let before_high = before.iter().copied().max_by(f64::total_cmp).unwrap_or(level);
    let grown = high > level + 5.0 * spread.max(witness.channel.resolution()) && high > before_high;
    // A reading that stands at the rest value does so through changes of load, and knock rises with load by itself.
    let usual = if grown && reset::rests(case) {
        Others::outside(case.scene, start, end).ok().and_then(|others| others.highest(witness))
    } else {
        None
    };
    if let Some(usual) = usual.filter(|usual| high <= k::KNOCK_ALIKE.value * usual) {
        let text = format!("knock rose to {high:.1}, and to {usual:.1} in pulls with a rich reading");
        Reading::seen(high, "", text)
    } else if grown {
        Reading::seen(high, "", format!("knock rose from {level:.1} to {high:.1}"))
            .weigh(REAL, k::LR_KNOCK.value)
    } else {
        Reading::seen(high, "", "knock did not rise; that proves nothing")
    }
}
