//! Delay against flow: what part of it is engine cycles, what part the gas on its way, and what part neither.

use ndarray::{Array1, Array2};

use super::dead_time::{self, Change};
use super::{Meta, Subject, Verdict};
use crate::document::{HealthMetric, HealthStatus};
use crate::log::{Channel, Dimension, Estimate, Log, Role};
use crate::signal::regression::solve;
use crate::signal::robust::{centre_and_spread, median};
use crate::signal::uncertainty::coverage_factor;

pub(super) const GAS_DELAY: Meta = Meta {
    name: "gas_delay",
    unit: "s",
    summary: "part of the delay that grows as the gas flow falls, at the middle flow of the changes",
    how: "The delay of every fuel cut and return (as for `dead_time`) is fitted as c0 + c1 * 120/N + c2 / flow: c0 is \
        sensor, controller and link, c1 the cycles from injection to the exhaust stroke (0.5 to 1.25 of them, which is \
        believed beforehand as 0.75 with a standard deviation of 0.2), c2 the gas between port and sensor. Flow is the \
        logged air mass flow, else engine speed times manifold pressure. The value is c2 / flow at the middle flow.",
    limit: "None: it is the car's, not the sensor's. A longer pipe or a sensor further back shows here and not in c0.",
    traps: "At every closed throttle the flow is alike; only cuts and returns at different speeds and loads tell the \
        parts from each other.",
    sources: &["transport delay: computed for lean-event physics"],
    ageing: None,
};

/// Cycles from injection to exhaust stroke: 0.5 to 1.25 (lean-event physics), as mean and standard deviation.
const CYCLES: (f64, f64) = (0.75, 0.2);
/// Changes a fit of three numbers needs (assumed: twice as many and two over).
const FEWEST: usize = 8;
/// The flow must vary by this factor (assumed).
const FLOW_RANGE: f64 = 1.5;
/// An interval wider than this share of the value, either way, tells nothing (assumed).
const WIDEST: f64 = 0.75;
/// Scatter of one delay beforehand, s (assumed; replaced by the measured one).
const SCATTER_S: f64 = 0.02;

pub(super) fn measure(subject: &Subject<'_>) -> HealthMetric {
    let refuse = |because: String| subject.not_measurable(&GAS_DELAY, None, because);
    let log = subject.view.log;
    let Some(speed) = log.role(Role::EngineSpeed) else { return refuse("needs engine speed".to_owned()) };
    let Some(flow) = Flow::of(log) else {
        return refuse("needs air mass flow or manifold pressure".to_owned());
    };
    let delays: Vec<Delay> = dead_time::single(subject)
        .into_iter()
        .filter_map(|(change, delay_s)| Delay::of(&change, delay_s, speed, &flow))
        .collect();
    if delays.len() < FEWEST {
        return refuse(format!(
            "{} cuts and returns whose delay can be seen one by one; {FEWEST} are needed",
            delays.len()
        ));
    }
    let flows = || delays.iter().map(|delay| delay.flow);
    let (low, high) = (flows().fold(f64::INFINITY, f64::min), flows().fold(0.0, f64::max));
    if high < FLOW_RANGE * low {
        return refuse(format!(
            "the flow varies too little over {} cuts and returns (by a factor of {:.2}; {FLOW_RANGE} is needed): lift at \
             low and at high engine speed",
            delays.len(),
            high / low
        ));
    }
    let middle = median(&flows().collect::<Vec<f64>>()).unwrap_or(low);
    let Some(law) = Law::fit(&delays) else { return refuse("the fit found no law".to_owned()) };
    let gas = law.gas_s(middle);
    if 0.5 * (gas.high - gas.low) > WIDEST * gas.value {
        return refuse(format!(
            "{} cuts and returns leave it between {:.0} and {:.0} ms: the flow does not vary enough apart from the speed",
            delays.len(),
            1e3 * gas.low,
            1e3 * gas.high
        ));
    }
    let because = format!(
        "{} cuts and returns over flows from 1 to {:.1}: {}; {:.0} ms at the lowest flow ({})",
        delays.len(),
        high / low,
        law.text(),
        1e3 * law.gas_s(low).value,
        flow.name()
    );
    subject.measured(
        &GAS_DELAY,
        gas,
        delays.len(),
        Verdict { limit: None, status: HealthStatus::Ok, because },
    )
}

/// What stands for the mass flow of the gas.
enum Flow<'a> {
    Air(&'a Channel),
    SpeedDensity(&'a Channel, &'a Channel),
}

impl<'a> Flow<'a> {
    fn of(log: &'a Log) -> Option<Self> {
        let names_air = |channel: &&Channel| {
            let name = channel.name.to_lowercase();
            channel.unit.dimension == Dimension::MassFlow && (name.contains("air") || name.contains("maf"))
        };
        if let Some(air) = log.channels.iter().find(names_air) {
            return Some(Self::Air(air));
        }
        Some(Self::SpeedDensity(log.role(Role::EngineSpeed)?, log.role(Role::ManifoldPressure)?))
    }

    /// The flow in a row; for speed and pressure in revolutions per minute times pascal.
    fn at(&self, row: usize) -> Option<f64> {
        let of = |channel: &Channel| channel.at(row);
        let flow = match self {
            Self::Air(air) => of(air)?,
            Self::SpeedDensity(speed, manifold) => of(speed)? * of(manifold)?,
        };
        (flow.is_finite() && flow > 0.0).then_some(flow)
    }

    const fn name(&self) -> &'static str {
        match self {
            Self::Air(_) => "flow: logged air mass flow",
            Self::SpeedDensity(..) => "flow: engine speed times manifold pressure",
        }
    }
}

/// The delay of one change.
#[derive(Clone, Copy)]
struct Delay {
    late_s: f64,
    cycle_s: f64,
    flow: f64,
}

impl Delay {
    fn of(change: &Change, delay_s: f64, speed: &Channel, flow: &Flow<'_>) -> Option<Self> {
        let rpm = speed.at(change.row).filter(|rpm| *rpm >= 300.0)?;
        Some(Self { late_s: delay_s, cycle_s: 120.0 / rpm, flow: flow.at(change.row)? })
    }
}

/// `c0 + c1 * cycle + c2 / flow` with the covariance of the three.
struct Law {
    value: [f64; 3],
    covariance: [[f64; 3]; 3],
    /// Coverage factor of 95 %.
    factor: f64,
}

impl Law {
    /// Least squares with the belief about the cycles as one more observation; delays that no other shares are left out
    /// of a second pass.
    fn fit(delays: &[Delay]) -> Option<Self> {
        let first = Self::once(delays, SCATTER_S)?;
        let residuals: Vec<f64> = delays.iter().map(|delay| first.residual(delay)).collect();
        let (centre, spread) = centre_and_spread(&residuals, 1e-3)?;
        let kept: Vec<Delay> = delays
            .iter()
            .zip(&residuals)
            .filter(|(_, residual)| (*residual - centre).abs() <= 3.0 * spread)
            .map(|(delay, _)| *delay)
            .collect();
        let again = Self::once(&kept, spread)?;
        let squares: f64 = kept.iter().map(|delay| again.residual(delay).powi(2)).sum();
        let freedom = (kept.len() as f64 - 2.0).max(1.0);
        let scatter_s = (squares / freedom).sqrt().max(1e-3);
        let law = Self::once(&kept, scatter_s)?;
        Some(Self { factor: coverage_factor(0.95, freedom), ..law })
    }

    fn once(delays: &[Delay], scatter_s: f64) -> Option<Self> {
        // Columns of like size, so that the solver can tell dependence from scale.
        let scale = median(&delays.iter().map(|delay| delay.flow.recip()).collect::<Vec<f64>>())?;
        let mut normal = Array2::<f64>::zeros((3, 3));
        let mut right = Array1::<f64>::zeros(3);
        let mut add = |row: [f64; 3], value: f64, sd: f64| {
            for (i, a) in row.iter().enumerate() {
                right[i] += a * value / (sd * sd);
                for (j, b) in row.iter().enumerate() {
                    normal[[i, j]] += a * b / (sd * sd);
                }
            }
        };
        for delay in delays {
            add([1.0, delay.cycle_s, (delay.flow * scale).recip()], delay.late_s, scatter_s);
        }
        add([0.0, 1.0, 0.0], CYCLES.0, CYCLES.1);
        let found = solve(normal.view(), right.view())?;
        let unscale = [1.0, 1.0, scale.recip()];
        let mut covariance = [[0.0; 3]; 3];
        for column in 0..3 {
            let mut unit = Array1::<f64>::zeros(3);
            unit[column] = 1.0;
            let inverse = solve(normal.view(), unit.view())?;
            for row in 0..3 {
                covariance[row][column] = inverse[row] * unscale[row] * unscale[column];
            }
        }
        let value = [found[0], found[1], found[2] * unscale[2]];
        Some(Self { value, covariance, factor: coverage_factor(0.95, f64::INFINITY) })
    }

    fn residual(&self, delay: &Delay) -> f64 {
        let [offset_s, cycles, gas] = self.value;
        delay.late_s - offset_s - cycles * delay.cycle_s - gas / delay.flow
    }

    fn estimate(&self, index: usize, per: f64) -> Estimate {
        let value = self.value[index] / per;
        let half = self.factor * self.covariance[index][index].max(0.0).sqrt() / per;
        Estimate { value, low: value - half, high: value + half }
    }

    /// Delay of the gas at a flow, s.
    fn gas_s(&self, flow: f64) -> Estimate {
        self.estimate(2, flow)
    }

    fn text(&self) -> String {
        let [offset, cycles] = [self.estimate(0, 1e-3), self.estimate(1, 1.0)];
        format!(
            "{:.0} ms ({:.0} to {:.0}) of sensor and link, {:.2} ({:.2} to {:.2}) engine cycles, the rest gas",
            offset.value, offset.low, offset.high, cycles.value, cycles.low, cycles.high
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Speed and air flow in g/s of a 2 L four with 2 L from port to sensor, with the delay of the gas in ms (computed
    /// for lean-event physics).
    const PLACES: [(f64, f64, f64); 5] = [
        (850.0, 4.5, 217.0),
        (3_000.0, 10.0, 115.0),
        (2_500.0, 20.0, 40.0),
        (3_000.0, 91.0, 7.0),
        (6_500.0, 231.0, 2.0),
    ];

    fn delays(latency_s: f64, scatter_s: f64) -> Vec<Delay> {
        (0..20)
            .map(|index| {
                let (rpm, flow, gas_ms) = PLACES[index % PLACES.len()];
                let cycle_s = 120.0 / rpm;
                let noise = scatter_s * ((index * 7 % 5) as f64 / 2.0 - 1.0);
                Delay { late_s: latency_s + 0.75 * cycle_s + 1e-3 * gas_ms + noise, cycle_s, flow }
            })
            .collect()
    }

    #[test]
    fn the_computed_delays_of_a_two_litre_engine_are_taken_apart() {
        for latency_s in [0.0, 0.08] {
            let law = Law::fit(&delays(latency_s, 0.004)).expect("a law");
            let gas = law.gas_s(10.0);
            // About 1 g of gas stands in the pipe: 100 ms at 10 g/s; hotter gas is thinner, hence the spread.
            assert!((gas.value - 0.105).abs() < 0.02, "{gas:?}");
            assert!((law.value[0] - latency_s).abs() < 0.02, "{:?}", law.value);
            assert!(gas.low < gas.value && gas.value < gas.high && gas.high - gas.low < 0.06, "{gas:?}");
        }
    }

    #[test]
    fn flow_that_goes_with_the_speed_leaves_the_interval_wide() {
        let alike: Vec<Delay> = delays(0.0, 0.004)
            .into_iter()
            .map(|delay| Delay { flow: 0.5 / delay.cycle_s, ..delay })
            .collect();
        let apart = Law::fit(&delays(0.0, 0.004)).expect("a law").gas_s(10.0);
        let together = Law::fit(&alike).expect("a law").gas_s(10.0);
        assert!(together.high - together.low > 1.2 * (apart.high - apart.low), "{together:?} {apart:?}");
    }
}
