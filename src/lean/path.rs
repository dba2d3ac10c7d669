//! How long the gas of a cylinder needs to the reading: an engine cycle, then plug flow through the exhaust.
//!
//! Plug flow means that a charge arrives when what the engine has breathed since fills the pipe. The breath of an
//! engine goes with speed times manifold pressure, so `integral of N p dt` from port to sensor is one number of the
//! machine: its exhaust volume over its displacement. The log shows that number wherever load comes or goes, because
//! the mixture then changes at a known moment and the reading follows when the gas arrives.

use super::constants as k;
use super::trace::{Frame, Frames, Witness, median};
use crate::signal::search;

/// Cycles from the intake stroke to the open exhaust valve, times the seconds of a cycle at 1/min.
const CYCLE_S_PER_RPM: f64 = 0.75 * 120.0;

/// The way of the gas.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Path<'a> {
    /// Times of the rows, s, ascending.
    time_s: &'a [f64],
    /// Engine speed of each row, 1/min; of none where the log has no engine speed.
    rpm: Vec<f64>,
    /// `integral of N p dt` up to each row, 1/min Pa s.
    breath: Vec<f64>,
    /// The same from port to sensor.
    volume: f64,
    /// The largest volume that a single change of load shows, were its delay plug flow alone: gas that left at idle is
    /// colder and denser, and fills the pipe for longer, than gas of full load.
    largest: f64,
    /// What comes on top whatever the flow: dead time, averaging, the link, the build-up of the load, s.
    late_s: f64,
    /// Spread of single changes of load about the two, s.
    doubt_s: f64,
    /// The least of it: frames come at any moment of their period, s.
    least_doubt_s: f64,
    /// Learnt from changes of load; else the assumption alone.
    learnt: bool,
}

/// What the path is learnt from.
pub(super) struct Learner<'a> {
    pub frames: Frames<'a>,
    /// Load over time: throttle or manifold pressure.
    pub load: Witness<'a>,
    /// Value of `load` that is full.
    pub full: f64,
    /// Value of `load` that is clearly none.
    pub none: f64,
    /// Noise of a frame, phi.
    pub noise_phi: f64,
    /// Time constants to leaner and to richer gas, s.
    pub tau_s: (f64, f64),
    /// Time between frames, s.
    pub period_s: f64,
    /// Limit of full load, lambda.
    pub rich: f64,
}

impl<'a> Path<'a> {
    /// The breath of an engine over a log, with the volume of an assumed machine.
    ///
    /// * `time_s`: of the rows
    /// * `speed`, `manifold`: where the log has them; else the speed and pressure that [`crate::chain::Chain`] assumes
    pub(super) fn new(time_s: &'a [f64], speed: Option<Witness<'_>>, manifold: Option<Witness<'_>>) -> Self {
        let held = |witness: Option<Witness<'_>>, otherwise: f64, least: f64| -> Vec<f64> {
            // A value in doubt is still nearer to what the engine did than an assumed one.
            let samples = witness.as_ref().map(Witness::possible);
            let mut samples = samples.into_iter().flatten().peekable();
            let mut last: Option<(f64, f64)> = None;
            time_s
                .iter()
                .map(|time| {
                    while let Some(sample) = samples.next_if(|sample| sample.0 <= *time) {
                        last = Some(sample);
                    }
                    match last {
                        Some((at, value)) if time - at <= k::HELD_S.value => value.max(least),
                        _ => otherwise,
                    }
                })
                .collect()
        };
        let assumed = k::ASSUMED_RPM.value;
        let rpm = speed.map_or_else(Vec::new, |speed| held(Some(speed), assumed, k::LEAST_RPM.value));
        // The pressure becomes the breath in its place: a third column would stand beside the frames.
        let mut breath = held(manifold, k::ASSUMED_MANIFOLD_PA.value, k::LEAST_MANIFOLD_PA.value);
        let mut sum = 0.0;
        let mut before: Option<f64> = None;
        let speeds = rpm.iter().chain(std::iter::repeat(&assumed));
        for ((time, rpm), breath) in time_s.iter().zip(speeds).zip(&mut breath) {
            let step_s = before.map_or(0.0, |before| (time - before).max(0.0));
            sum += rpm * *breath * step_s;
            *breath = sum;
            before = Some(*time);
        }
        Self {
            time_s,
            rpm,
            breath,
            volume: k::EXHAUST_VOLUME.value,
            largest: k::PIPE_FACTOR.value * k::EXHAUST_VOLUME.value,
            late_s: 0.0,
            doubt_s: 0.0,
            least_doubt_s: 0.0,
            learnt: false,
        }
    }

    /// Replaces the assumed numbers by what the changes of load of this log show, if any.
    pub(super) fn learn(&mut self, learner: &Learner<'_>) {
        let ways: Vec<Way> = learner
            .changes()
            .into_iter()
            .filter_map(|(change_s, opens)| {
                let arrival_s = learner.arrival_s(change_s, opens)?;
                // What moved before the load did is no answer to it, but a swing of the closed loop.
                if arrival_s < change_s - learner.load.skew_s() {
                    return None;
                }
                let port_s = change_s + self.cycle_s(change_s);
                let takes_s = arrival_s - port_s;
                let breath = self.breath_at(port_s + takes_s) - self.breath_at(port_s);
                Some(if takes_s > 0.0 && breath > 0.0 {
                    Way { opens, takes_s, per_volume_s: takes_s / breath }
                } else {
                    // Earlier than the gas can be: the skew of the channels. Its rate is that of the moment.
                    let row = search::up_to(self.time_s, change_s);
                    Way { opens, takes_s: 0.0, per_volume_s: self.rate(row).max(1.0).recip() }
                })
            })
            .collect();
        if ways.len() < k::PATH_CHANGES.value as usize {
            return;
        }
        self.learnt = true;
        self.largest = largest(&ways);
        self.volume = slope(&ways).unwrap_or(self.volume).max(0.0);
        let (mut opening, mut closing) = rests(&ways, self.volume);
        if opening.min(closing) < 0.0 {
            // No gas is read before it is there: the volume was too large, and nothing comes on top of it.
            self.volume = median(ways.iter().map(Way::volume).collect()).unwrap_or(0.0).min(self.volume);
            (opening, closing) = rests(&ways, self.volume);
        }
        let rest = |way: &Way| way.takes_s - self.volume * way.per_volume_s;
        // A film that lags at every opening is not to pass for a delay: the faster direction tells.
        self.late_s = opening.min(closing).max(0.0);
        let spread = |way: &Way| (rest(way) - if way.opens { opening } else { closing }).abs();
        let spread = 1.4826 * median(ways.iter().map(spread).collect()).unwrap_or(0.0);
        // The standard deviation of a moment within a period.
        self.least_doubt_s = learner.period_s.min(1.0) / 12.0_f64.sqrt();
        self.doubt_s = spread.max(self.least_doubt_s);
    }

    /// Delay from cylinder to reading of the gas that is read at a time, s.
    pub(super) fn delay_s(&self, time_s: f64) -> f64 {
        self.delay_through_s(self.volume, time_s)
    }

    /// The longest that a change of load of this log allows at this flow, s.
    pub(super) fn latest_delay_s(&self, time_s: f64) -> f64 {
        self.delay_through_s(self.largest.max(self.volume), time_s)
    }

    fn delay_through_s(&self, volume: f64, time_s: f64) -> f64 {
        let target = self.breath_at(time_s - self.late_s) - volume;
        let port_s = if target <= 0.0 {
            // The gas left before the log began: as if it had gone on as it does first.
            let rate = self.rate(0);
            self.time_s.first().copied().unwrap_or(time_s) + if rate > 0.0 { target / rate } else { 0.0 }
        } else {
            // The gas left a few rows before it was read.
            let near = search::below(self.time_s, time_s);
            self.between(search::below_near(&self.breath, near, target), target)
        };
        (time_s - port_s + self.cycle_s(port_s)).clamp(0.0, k::LONGEST_DELAY_S.value)
    }

    /// Whether changes of load of this log show it.
    pub(super) fn learnt(&self) -> bool {
        self.learnt
    }

    /// How much later than that a single change of the gas may show, s: as changes of load scatter, and no later than the
    /// latest of them allows at this flow. A closed throttle lets the gas creep, and its changes scatter by a third of a
    /// second; at full load the pipe is emptied in a tenth of that.
    pub(super) fn doubt_s(&self, time_s: f64) -> f64 {
        let latest_s = self.latest_delay_s(time_s) - self.delay_s(time_s);
        self.doubt_s.min(latest_s.max(self.least_doubt_s))
    }

    /// Time at which the breath reaches a value between a row and the one before, s.
    fn between(&self, row: usize, target: f64) -> f64 {
        let (Some(time), Some(breath)) = (self.time_s.get(row), self.breath.get(row)) else {
            return self.time_s.last().copied().unwrap_or(0.0);
        };
        let before = row.checked_sub(1).and_then(|i| Some((self.time_s.get(i)?, self.breath.get(i)?)));
        match before {
            Some((time0, breath0)) if breath > breath0 => {
                time0 + (time - time0) * (target - breath0) / (breath - breath0)
            }
            _ => *time,
        }
    }

    fn rate(&self, row: usize) -> f64 {
        match (self.time_s.get(row..row + 2), self.breath.get(row..row + 2)) {
            (Some([t0, t1]), Some([b0, b1])) if t1 > t0 => (b1 - b0) / (t1 - t0),
            _ => 0.0,
        }
    }

    fn breath_at(&self, time_s: f64) -> f64 {
        let row = search::up_to(self.time_s, time_s);
        let Some(last) = row.checked_sub(1) else { return 0.0 };
        let (Some(t0), Some(b0)) = (self.time_s.get(last), self.breath.get(last)) else { return 0.0 };
        b0 + (time_s - t0).min(1.0) * self.rate(last)
    }

    /// Seconds from intake to exhaust at a time.
    pub(super) fn cycle_s(&self, time_s: f64) -> f64 {
        let row = search::up_to(self.time_s, time_s).saturating_sub(1);
        CYCLE_S_PER_RPM / self.rpm.get(row).copied().unwrap_or(k::ASSUMED_RPM.value)
    }
}

/// How far a mixture under steady load moves by itself, phi.
///
/// * `noise_phi`: of a frame
pub(super) fn steady_phi(noise_phi: f64) -> f64 {
    k::ARRIVAL_PHI.value.max(4.0 * noise_phi)
}

/// What one change of load shows.
struct Way {
    /// Load came; else it went.
    opens: bool,
    /// From port to sensor, s.
    takes_s: f64,
    /// Seconds per unit of volume at the flow of that moment.
    per_volume_s: f64,
}

impl Way {
    /// What the engine breathed meanwhile: the volume, were nothing on top of it.
    fn volume(&self) -> f64 {
        self.takes_s / self.per_volume_s
    }
}

/// The largest volume that a change shows, by closings where there are enough: a film that holds back the mixture at every
/// opening may not pass for the volume of the pipe.
fn largest(ways: &[Way]) -> f64 {
    let all = ways.iter().map(Way::volume).fold(0.0, f64::max);
    let closings = || ways.iter().filter(|way| !way.opens).map(Way::volume);
    if closings().count() < k::PATH_CHANGES.value as usize {
        return all;
    }
    all.min(k::COLD_GAS_VOLUME.value * closings().fold(0.0, f64::max))
}

/// What is left of the times of openings and of closings when a volume has had its share, s.
fn rests(ways: &[Way], volume: f64) -> (f64, f64) {
    let rest = |way: &Way| way.takes_s - volume * way.per_volume_s;
    let middle = |opens: bool| {
        let rests: Vec<f64> = ways.iter().filter(|way| way.opens == opens).map(rest).collect();
        (rests.len() >= 2).then(|| median(rests)).flatten()
    };
    let all = median(ways.iter().map(rest).collect()).unwrap_or(0.0);
    (middle(true).unwrap_or(all), middle(false).unwrap_or(all))
}

/// Volume that the changes agree on: median slope of their times over all pairs at clearly different flow (Theil and
/// Sen); null when the flow was alike in all.
fn slope(ways: &[Way]) -> Option<f64> {
    // Some tens of changes suffice.
    let ways = ways.get(..60).unwrap_or(ways);
    let mut slopes = Vec::new();
    for (index, a) in ways.iter().enumerate() {
        for b in ways.get(index + 1..)? {
            let (low, high) = (a.per_volume_s.min(b.per_volume_s), a.per_volume_s.max(b.per_volume_s));
            if high > k::FLOW_RATIO.value * low {
                slopes.push((b.takes_s - a.takes_s) / (b.per_volume_s - a.per_volume_s));
            }
        }
    }
    (slopes.len() >= 3).then(|| median(slopes)).flatten()
}

impl Learner<'_> {
    /// Moments at which load came (true) or went within half a second, after half a second of the other, s.
    fn changes(&self) -> Vec<(f64, bool)> {
        let period_s = self.load.period_s();
        let mut found = Vec::new();
        // The state and since when; when the witness left the other state.
        let mut state: Option<(bool, f64)> = None;
        let mut left_s = f64::NEG_INFINITY;
        for (time_s, value) in self.load.samples(f64::NEG_INFINITY, f64::INFINITY) {
            let now = if value >= self.full {
                true
            } else if value <= self.none {
                false
            } else {
                continue;
            };
            match state {
                Some((before, since_s)) if before != now => {
                    if time_s - left_s <= k::CHANGE_S.value && left_s - since_s >= k::SETTLED_S.value {
                        // The mixture begins to change as soon as the old state is left.
                        found.push((left_s + 0.5 * (time_s - left_s).min(period_s), now));
                    }
                    state = Some((now, time_s));
                }
                None => state = Some((now, time_s)),
                Some(_) => {}
            }
            left_s = time_s;
        }
        found
    }

    /// When the gas of a change reaches the sensor, s; null when the reading was not steady before or did not move. At an
    /// opening a film may hold the reading where it was: what comes late and does not go straight on to the limit does
    /// not show when its gas came.
    fn arrival_s(&self, change_s: f64, straight: bool) -> Option<f64> {
        let start = self.frames.partition_point(|f| f.time_s < change_s - k::SETTLED_S.value);
        let at = self.frames.partition_point(|f| f.time_s <= change_s);
        let before: Vec<f64> = self.frames.part(start..at)?.iter().map(Frame::phi).collect();
        if before.len() < 3 {
            return None;
        }
        let level = median(before.clone())?;
        let band = steady_phi(self.noise_phi);
        if before.iter().any(|phi| (phi - level).abs() > band) {
            return None;
        }
        let mut later =
            self.frames.part(at..)?.iter().take_while(|f| f.time_s <= change_s + k::LONGEST_DELAY_S.value);
        let first = later.find(|f| (f.phi() - level).abs() > band)?;
        let goes_on = || {
            let until_s = first.time_s + k::CHANGE_S.value;
            let after = self.frames.iter().skip(at).skip_while(|f| f.time_s < first.time_s);
            after.take_while(|f| f.time_s <= until_s).any(|f| f.lambda <= self.rich)
        };
        if straight && first.time_s - change_s > k::SETTLED_S.value && !goes_on() {
            return None;
        }
        // The sensor needs a part of its time constant to show that much of the step.
        let away = first.phi() < level;
        let largest = self
            .frames
            .iter()
            .skip(at)
            .skip_while(|f| f.time_s < first.time_s)
            .take_while(|f| f.time_s <= first.time_s + k::CHANGE_S.value)
            .map(|f| if away { level - f.phi() } else { f.phi() - level })
            .fold(band, f64::max);
        let tau_s = if away { self.tau_s.0 } else { self.tau_s.1 };
        let share = ((first.phi() - level).abs() / largest).min(0.8);
        Some(first.time_s + tau_s * (1.0 - share).ln())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain::Chain;

    fn way(opens: bool, takes_s: f64, flow: f64) -> Way {
        Way { opens, takes_s, per_volume_s: flow.recip() }
    }

    #[test]
    fn without_speed_and_pressure_the_delay_is_that_of_the_assumed_machine() {
        let time_s: Vec<f64> = (0..2_000).map(|i| f64::from(i) * 0.01).collect();
        let path = Path::new(&time_s, None, None);
        // The chain computes the same delay from the speed and pressure of one moment.
        assert!((path.delay_s(10.0) - Chain::delay_s(3_000.0, None)).abs() < 1e-6);
        // Before the log has breathed the volume, the first flow is taken to have gone on before it.
        assert!((path.delay_s(0.005) - path.delay_s(10.0)).abs() < 1e-6);
    }

    #[test]
    fn plug_flow_takes_as_long_as_the_engine_needs_to_breathe_the_volume() {
        let time_s: Vec<f64> = (0..2_000).map(|i| f64::from(i) * 0.01).collect();
        let mut path = Path::new(&time_s, None, None);
        // 1.8e8 per second: a volume of 3.6e7 is breathed in 0.2 s; 40 ms come on top, and 30 ms of the cycle.
        path.volume = 3.6e7;
        path.late_s = 0.04;
        assert!((path.delay_s(10.0) - 0.27).abs() < 1e-6, "{}", path.delay_s(10.0));
    }

    #[test]
    fn gas_of_full_flow_is_no_later_than_the_latest_change_of_load_allows() {
        let time_s: Vec<f64> = (0..2_000).map(|i| f64::from(i) * 0.01).collect();
        let mut path = Path::new(&time_s, None, None);
        (path.volume, path.largest) = (3.6e7, 5.4e7);
        (path.doubt_s, path.least_doubt_s) = (0.33, 0.003);
        // 1.8e8 per second: the largest volume takes 0.1 s longer than the usual one.
        assert!((path.doubt_s(10.0) - 0.1).abs() < 1e-6, "{}", path.doubt_s(10.0));
        // At a quarter of the flow changes scatter as they do.
        for breath in &mut path.breath {
            *breath *= 0.25;
        }
        assert!((path.doubt_s(15.0) - 0.33).abs() < 1e-6, "{}", path.doubt_s(15.0));
        // Frames come at any moment of their period all the same.
        path.largest = path.volume;
        assert!((path.doubt_s(15.0) - 0.003).abs() < 1e-6);
    }

    #[test]
    fn volume_and_lateness_are_told_apart_by_the_flow() {
        // 0.05 s on top of 4e7 breathed at 1e8, 2e8 and 4e8 per second.
        let ways: Vec<Way> =
            [1e8, 2e8, 4e8, 1e8, 4e8].iter().map(|flow| way(true, 0.05 + 4e7 / flow, *flow)).collect();
        let volume = slope(&ways).expect("flows differ");
        assert!((volume - 4e7).abs() < 1.0, "{volume}");
        let (opening, closing) = rests(&ways, volume);
        assert!((opening - 0.05).abs() < 1e-9 && (closing - 0.05).abs() < 1e-9);
        // At one flow nothing tells them apart.
        assert_eq!(slope(&[way(true, 0.1, 1e8), way(true, 0.2, 1e8), way(false, 0.3, 1e8)]), None);
    }

    #[test]
    fn a_film_that_lags_at_every_opening_is_not_a_delay() {
        let ways = [way(true, 0.40, 1e8), way(true, 0.42, 1e8), way(false, 0.05, 1e8), way(false, 0.07, 1e8)];
        let (opening, closing) = rests(&ways, 0.0);
        assert!((opening - 0.41).abs() < 1e-9 && (closing - 0.06).abs() < 1e-9);
    }
}
