//! Torque beside that of other pulls: engine speed climbs as fast as at the same speed, gear and charge, or it does not.

use crate::lean::constants as k;
use crate::lean::limit;
use crate::lean::trace::{Pull, Scene, Witness, median};
use crate::log::Role;
use crate::state::bit;

/// Pulls that one question looks at; more of a long log tell no more.
const MOST_PULLS: usize = 20_000;

/// The pulls with a rich reading outside a stretch of time.
pub(super) struct Others(Vec<Pull>);

impl Others {
    /// Those before and after.
    pub(super) fn outside(scene: &Scene<'_>, start_s: f64, end_s: f64) -> Result<Self, String> {
        let all = scene.rich_pulls.get_or_init(|| {
            let first_s = scene.time_s.first().copied().unwrap_or(0.0);
            let mut found = pulls(scene, first_s, scene.time_s.last().copied().unwrap_or(0.0))?;
            found.retain(|pull| rich(scene, pull));
            let stride = found.len().div_ceil(MOST_PULLS).max(1);
            Ok(found.into_iter().step_by(stride).collect())
        });
        let outside = |pull: &&Pull| pull.span_s.1 <= start_s || pull.span_s.0 >= end_s;
        Ok(Self(all.as_ref().map_err(Clone::clone)?.iter().filter(outside).copied().collect()))
    }

    /// Highest value of a channel in them; null where they hold none.
    pub(super) fn highest(&self, witness: Witness<'_>) -> Option<f64> {
        let highest = self.0.iter().filter_map(|pull| witness.range(pull.span_s.0, pull.span_s.1));
        highest.map(|(_, high)| high).max_by(f64::total_cmp)
    }

    /// Climb to expect in a pull, and the best one of its gear: torque over inertia is at least that. Null where no
    /// other pass pulls so.
    pub(super) fn usual(&self, pull: &Pull) -> Option<(f64, f64)> {
        let near = |a: f64, b: f64| (a / b - 1.0).abs() <= k::PULL_MATCH.value;
        let gear: Vec<&Pull> = self.0.iter().filter(|p| near(p.ratio, pull.ratio)).collect();
        let same = gear.iter().filter(|p| {
            near(p.rpm, pull.rpm)
                && match (p.pressure_pa, pull.pressure_pa) {
                    (Some(a), Some(b)) => near(a, b),
                    _ => true,
                }
        });
        let climb = median(same.map(|p| p.climb.0).collect())?;
        let best = gear.iter().map(|p| p.climb.0).fold(climb, f64::max);
        Some((climb, best)).filter(|(_, best)| *best > k::PULL_CLIMB.value)
    }
}

/// Whether the reading of a pull was rich: all cylinders burnt.
fn rich(scene: &Scene<'_>, pull: &Pull) -> bool {
    let limit = scene.view.rig.full_load_lambda_max + 0.03;
    let start = scene.frames().partition_point(|f| f.time_s < pull.span_s.0);
    let frames = scene.frames().part(start..).unwrap_or_default();
    frames.iter().take_while(|f| f.time_s <= pull.span_s.0 + 0.7).all(|f| f.lambda <= limit)
}

/// Steady full load between two times, in pieces of half a second that begin a quarter of a second apart.
pub(super) fn pulls(scene: &Scene<'_>, start_s: f64, end_s: f64) -> Result<Vec<Pull>, String> {
    let speed = scene.witness(Role::EngineSpeed).ok_or("engine speed is not logged")?;
    let (throttle, manifold) = (limit::throttle(scene), scene.manifold());
    if throttle.is_none() && manifold.is_none() {
        return Err("neither throttle nor manifold pressure tells the load".to_owned());
    }
    let gears = scene.view.state.windows_of(bit::GEAR_CHANGE).next().is_some();
    let road = scene.witness(Role::VehicleSpeed);
    let gear = scene.witness(Role::Gear);
    if gears && road.is_none() && gear.is_none() {
        return Err("the gear is not known".to_owned());
    }
    let full = limit::throttle_full(scene).unwrap_or(1.0);
    let ceiling = scene.view.state.ceiling_rpm.map_or(f64::INFINITY, |rpm| 0.97 * rpm);
    let length_s = k::PULL_WINDOW_S.value.max(4.2 * speed.period_s());
    let mut found = Vec::new();
    let mut at = start_s;
    while at + length_s <= end_s {
        let until = at + length_s;
        let rows = scene.view.log.clock.rows_between(at - 0.1, until + 0.1);
        let odd = bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER;
        let steady = !rows.into_iter().any(|row| scene.view.state.has(row, odd));
        let open = throttle.is_none_or(|w| {
            w.range(at, until).is_some_and(|(low, _)| low >= k::LOAD_THROTTLE_SHARE.value * full)
        });
        let pressure = manifold.and_then(|w| w.range(at, until));
        let charged = manifold.is_none()
            || pressure.is_some_and(|(low, high)| {
                low >= 0.85 * scene.ambient_pa.min(high) && high - low <= 0.12 * high
            });
        if steady
            && open
            && charged
            && let Some(slope) = speed.slope(at, until)
            && let Some((_, high)) = speed.range(at, until)
            && high < ceiling
            && let Some(rpm) = speed.median(at, until)
            && rpm > k::RUNNING_RPM.value
            && let Some(ratio) = ratio(gears, road, gear, (at, until), rpm)
        {
            found.push(Pull {
                span_s: (at, until),
                rpm,
                ratio,
                pressure_pa: manifold.and_then(|w| w.median(at, until)),
                climb: (slope.per_s, slope.error),
            });
        }
        let Some(next) = scene.next_window(at, 0.5 * k::PULL_WINDOW_S.value) else { break };
        at = next;
    }
    Ok(found)
}

/// What stands for the gear in a window: 1 where the log shows no gear change.
pub(in crate::lean) fn ratio(
    gears: bool,
    road: Option<Witness<'_>>,
    gear: Option<Witness<'_>>,
    window: (f64, f64),
    rpm: f64,
) -> Option<f64> {
    if !gears {
        return Some(1.0);
    }
    if let Some(gear) = gear {
        let (low, high) = gear.range(window.0, window.1)?;
        return (high - low < 0.5 && low > 0.5).then_some(low);
    }
    let speed = road?.median(window.0, window.1)?;
    (speed > 1.0).then(|| 1e3 * speed / rpm)
}
