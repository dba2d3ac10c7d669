//! A second opinion on each channel, learned from the others.

use std::collections::BTreeMap;
use std::ops::Range;

use ndarray::{Array1, Array2};

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::figure::figure;
use crate::flag::Flag;
use crate::log::{Channel, Log, Role};
use crate::signal::principal::Principal;
use crate::signal::{regression, robust, runs};

/// See its text in `sondeproof explain redundancy`.
pub(super) struct Redundancy;

static SIGMAS: Limit = Limit {
    name: "sigmas",
    unit: "1",
    default: 6.0,
    range: (3.0, 20.0),
    why: "robust standard deviations of the model's error: residuals have long tails, so the normal 3 is doubled \
          (assumed)",
};
static SHARE: Limit = Limit {
    name: "range_share",
    unit: "1",
    default: 0.10,
    range: (0.01, 0.5),
    why: "of the range the channel covers: a linear model of an engine is no better than that (assumed)",
};
static HOLD: Limit = Limit {
    name: "hold_s",
    unit: "s",
    default: 2.0,
    range: (0.5, 60.0),
    why: "longer than any lag between steady channels, so a late channel is no contradiction (assumed)",
};
static STEADY: Limit = Limit {
    name: "steady_share",
    unit: "1",
    default: 0.05,
    range: (0.005, 0.5),
    why: "of each witness's range, over 2 s: less movement than this counts as steady (assumed)",
};
static WORTH: Limit = Limit {
    name: "worth",
    unit: "1",
    default: 0.35,
    range: (0.05, 0.9),
    why: "error of the model on rows it did not see over the channel's own spread: above it the others say too little \
          (assumed)",
};

static RESIDUAL: Field = Field { name: "residual", unit: "inside unit" };
static SCALE: Field = Field { name: "model_error", unit: "inside unit" };
static EXPECTED: Field = Field { name: "expected", unit: "inside unit" };
static LASTED: Field = Field { name: "lasted_s", unit: "s" };
static T2: Field = Field { name: "t2_share", unit: "1" };
static Q: Field = Field { name: "q", unit: "1" };

/// Witnesses, in order of preference: quantities of the operating point before what follows from it.
const WITNESSES: &[Role] = &[
    Role::EngineSpeed,
    Role::ManifoldPressure,
    Role::Throttle,
    Role::InjectorPulseWidth,
    Role::InjectorDuty,
    Role::FuelPressure,
];
const MOST_WITNESSES: usize = 4;
/// Grid on which the channels are compared, s, and the time over which they must have stood still, in grid steps.
const GRID_S: f64 = 0.5;
const STILL_STEPS: usize = 4;
/// Rows that are fitted at most, and rows needed per column of the model.
const MOST_ROWS: usize = 2_000;
const ROWS_PER_COLUMN: usize = 8;
/// Side of a cell of the operating range, as a share of each witness's range, and visits that make it known.
const CELL: f64 = 0.1;
const VISITS: usize = 3;
/// Visits further apart than this are separate, s; learning takes every other such stretch.
const BLOCK_S: f64 = 10.0;

static META: Meta = Meta {
    name: "redundancy",
    stage: Stage::Trial,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "a channel departs for seconds from what the other channels let expect",
    applies_to: &[
        Role::ManifoldPressure,
        Role::Throttle,
        Role::FuelPressure,
        Role::InjectorPulseWidth,
        Role::InjectorDuty,
        Role::Lambda,
        Role::Afr,
    ],
    needs: &[],
    method: "On a grid of 0.5 s, rows in which every witness has stood still for 2 s are taken. The channel is fitted by \
             the witnesses, their squares and products (Huber's estimate over QR), on every other 10 s; the model is \
             kept only when its error on the rows it did not see is below `worth` of the channel's own spread. A \
             stretch of `hold_s` with residuals beyond `sigmas` errors and `range_share` of the range is suspect. \
             Rows outside what was learned are not judged: T2 of the principal components of the witnesses beyond \
             the largest learned, or a cell of the operating range (a tenth of each witness's range) that was not \
             visited in three separate stretches of 10 s, or one in which the model is off on most visits. Q says how \
             unusual the witnesses themselves are there.",
    assumes: "Most steady rows of the log are sound, and one log holds each operating point more than once. Mixture is \
              fitted in phi = 1/lambda.",
    misses: "Anything that is not steady, and a fault that lasts for most of the log: it is learned as normal. A change \
             that is real and follows none of the witnesses (altitude, another fuel map, a failing pump) shows as a \
             departure: that is why it is on trial and moves no flag.",
    gaps: Gaps::Break,
    limits: &[&SIGMAS, &SHARE, &HOLD, &STEADY, &WORTH],
    evidence: &[&RESIDUAL, &SCALE, &EXPECTED, &LASTED, &T2, &Q],
    sources: &[
        "Huber, Ann. Math. Statist. 35 (1964) 73 (from memory)",
        "principal component monitoring with T2 and Q: Jackson and Mudholkar, Technometrics 21 (1979) 341 (from memory)",
    ],
};

impl Detector for Redundancy {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        match Grid::of(channel, view.log, limits)
            .and_then(|grid| Model::learn(&grid, limits).map(|m| (grid, m)))
        {
            Err(because) => Outcome::NotRun { because },
            Ok((grid, model)) => model.judge(channel, &grid, view, limits),
        }
    }
}

/// The channels on a common grid.
struct Grid {
    row: Vec<usize>,
    time_s: Vec<f64>,
    segment: Vec<usize>,
    target: Vec<f64>,
    /// One row per grid point, one column per witness, standardised.
    witness: Array2<f64>,
    /// Grid points that hold all values and in which every witness stood still.
    steady: Vec<bool>,
    floor: f64,
    names: Vec<String>,
}

impl Grid {
    fn of(channel: &Channel, log: &Log, limits: &Limits<'_>) -> Result<Self, String> {
        let witnesses: Vec<&Channel> = WITNESSES
            .iter()
            .filter(|role| **role != channel.role)
            .filter_map(|role| log.role(*role))
            .take(MOST_WITNESSES)
            .collect();
        if witnesses.len() < 2 {
            return Err("fewer than two channels that could speak for it".to_owned());
        }
        let (mut row, mut time_s, mut segment) = (Vec::new(), Vec::new(), Vec::new());
        for (number, rows) in log.clock.segments.iter().enumerate() {
            let mut next_s = f64::NEG_INFINITY;
            for at in rows.clone() {
                if log.clock.time_s[at] >= next_s {
                    row.push(at);
                    time_s.push(log.clock.time_s[at]);
                    segment.push(number);
                    next_s = log.clock.time_s[at] + GRID_S - 1e-9;
                }
            }
        }
        let phi = channel.role.is_mixture();
        let target: Vec<f64> = on_grid(channel, &row, &log.clock.time_s)
            .into_iter()
            .map(|v| if phi { v.recip() } else { v })
            .collect();
        let mut witness = Array2::<f64>::zeros((row.len(), witnesses.len()));
        let mut steady: Vec<bool> = target.iter().map(|v| v.is_finite()).collect();
        let share = limits.get(&STEADY);
        for (column, source) in witnesses.iter().enumerate() {
            let values = on_grid(source, &row, &log.clock.time_s);
            let finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
            let low = robust::quantile_in_place(&mut finite.clone(), 0.02);
            let high = robust::quantile_in_place(&mut finite.clone(), 0.98);
            let (Some(low), Some(high)) = (low, high) else {
                return Err(format!("{} is empty", source.name));
            };
            let range = high - low;
            if !(range.is_finite() && range > 4.0 * source.resolution() && range > 0.0) {
                return Err(format!("{} does not move, so nothing can be learned from it", source.name));
            }
            for k in 0..values.len() {
                witness[[k, column]] = (values[k] - low) / range;
                let from = k.saturating_sub(STILL_STEPS);
                let still = k >= STILL_STEPS
                    && segment[from] == segment[k]
                    && (from..k).all(|j| (values[j] - values[k]).abs() <= share * range);
                steady[k] &= still;
            }
        }
        let resolution = channel.resolution();
        let middle = robust::median(&target).unwrap_or(0.0);
        let floor = if phi { resolution * middle * middle } else { resolution };
        let names = witnesses.iter().map(|channel| channel.name.clone()).collect();
        Ok(Self { row, time_s, segment, target, witness, steady, floor, names })
    }

    fn columns(&self) -> usize {
        let w = self.witness.ncols();
        1 + w + w * (w + 1) / 2
    }

    fn block(&self, k: usize) -> u64 {
        (self.time_s[k] / BLOCK_S) as u64
    }

    fn cell(&self, k: usize) -> Vec<i64> {
        self.witness.row(k).iter().map(|w| (w / CELL).round() as i64).collect()
    }

    fn design_row(&self, k: usize) -> Array1<f64> {
        let w = self.witness.row(k);
        let squares = (0..w.len()).flat_map(|a| (a..w.len()).map(move |b| (a, b))).map(|(a, b)| w[a] * w[b]);
        std::iter::once(1.0).chain(w.iter().copied()).chain(squares).collect()
    }
}

/// The last value at most one grid step old, per grid point.
fn on_grid(channel: &Channel, row: &[usize], time_s: &[f64]) -> Vec<f64> {
    let mut readings = channel.readings(0..channel.rows()).peekable();
    let mut held: Option<(f64, f64)> = None;
    row.iter()
        .map(|at| {
            while let Some((row, value)) = readings.next_if(|(row, _)| row <= at) {
                if value.is_finite() {
                    held = Some((time_s[row], value));
                }
            }
            held.filter(|(then_s, _)| time_s[*at] - then_s <= GRID_S).map_or(f64::NAN, |(_, value)| value)
        })
        .collect()
}

struct Model {
    coefficients: Array1<f64>,
    scale: f64,
    range: f64,
    domain: Principal,
    farthest: f64,
}

impl Model {
    fn learn(grid: &Grid, limits: &Limits<'_>) -> Result<Self, String> {
        let steady: Vec<usize> = (0..grid.row.len()).filter(|k| grid.steady[*k]).collect();
        let seen = |k: &usize| grid.block(*k).is_multiple_of(2);
        let (mut learn, mut check): (Vec<usize>, Vec<usize>) = steady.into_iter().partition(seen);
        for part in [&mut learn, &mut check] {
            let stride = part.len().div_ceil(MOST_ROWS).max(1);
            *part = part.iter().copied().step_by(stride).collect();
        }
        let columns = grid.columns();
        if learn.len() < ROWS_PER_COLUMN * columns || check.len() < ROWS_PER_COLUMN * columns / 2 {
            return Err(format!(
                "{} steady grid rows are too few to learn {columns} terms and check them",
                learn.len() + check.len()
            ));
        }
        let mut design = Array2::<f64>::zeros((learn.len(), columns));
        for (at, k) in learn.iter().enumerate() {
            design.row_mut(at).assign(&grid.design_row(*k));
        }
        let target: Array1<f64> = learn.iter().map(|k| grid.target[*k]).collect();
        let floor = grid.floor.max(1e-12);
        let fit = regression::huber(design.view(), target.view(), floor, 20)
            .ok_or("the witnesses do not move independently, so no model can be fitted")?;
        let unseen: Vec<f64> =
            check.iter().map(|k| grid.target[*k] - grid.design_row(*k).dot(&fit.coefficients)).collect();
        let (_, error) = robust::centre_and_spread(&unseen, floor).ok_or("no rows to check the model on")?;
        let (_, own) = robust::centre_and_spread(target.as_slice().unwrap_or(&[]), 0.0).ok_or("no rows")?;
        let mut sorted = target.to_vec();
        let low = robust::quantile_in_place(&mut sorted, 0.02).unwrap_or(0.0);
        let range = robust::quantile_in_place(&mut sorted, 0.98).unwrap_or(0.0) - low;
        let spread = own.max(0.25 * range);
        if spread <= 0.0 {
            return Err("it does not move where the others are known".to_owned());
        }
        if !(error.is_finite() && error <= limits.get(&WORTH) * spread) {
            return Err(format!(
                "{} say too little about it: the model is off by {} % of its own spread on rows it did not see",
                grid.names.join(", "),
                figure(100.0 * error / spread, 0)
            ));
        }
        let domain = Principal::fit(grid.witness.select(ndarray::Axis(0), &learn).view(), 0.99)
            .ok_or("the witnesses do not vary enough to know what was learned")?;
        let mut far: Vec<f64> = learn.iter().map(|k| domain.within_plane(grid.witness.row(*k))).collect();
        let farthest = robust::quantile_in_place(&mut far, 0.995).unwrap_or(0.0);
        Ok(Self { coefficients: fit.coefficients, scale: error.max(fit.scale), range, domain, farthest })
    }

    fn expected(&self, grid: &Grid, k: usize) -> f64 {
        grid.design_row(k).dot(&self.coefficients)
    }

    /// Grid points that may be judged: steady, within what was learned, in a cell that was visited often enough
    /// and in which the model holds on most visits. What happens on every visit is how the engine is.
    fn known(&self, grid: &Grid, limit: f64) -> Vec<bool> {
        let mut visits: BTreeMap<Vec<i64>, BTreeMap<u64, Vec<f64>>> = BTreeMap::new();
        for k in (0..grid.row.len()).filter(|k| grid.steady[*k]) {
            let residual = grid.target[k] - self.expected(grid, k);
            visits.entry(grid.cell(k)).or_default().entry(grid.block(k)).or_default().push(residual);
        }
        let holds = |blocks: &BTreeMap<u64, Vec<f64>>| {
            let middles: Vec<f64> =
                blocks.values().filter_map(|residuals| robust::median(residuals)).collect();
            middles.len() >= VISITS
                && robust::median(&middles).is_some_and(|middle| middle.abs() <= 0.5 * limit)
        };
        let cells: BTreeMap<Vec<i64>, bool> =
            visits.iter().map(|(cell, blocks)| (cell.clone(), holds(blocks))).collect();
        (0..grid.row.len())
            .map(|k| {
                grid.steady[k]
                    && self.domain.within_plane(grid.witness.row(k)) <= self.farthest
                    && cells.get(&grid.cell(k)).copied().unwrap_or(false)
            })
            .collect()
    }

    fn judge(&self, channel: &Channel, grid: &Grid, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let limit =
            (limits.get(&SIGMAS) * self.scale).max(limits.get(&SHARE) * self.range).max(4.0 * grid.floor);
        let judged = self.known(grid, limit);
        let off = |k: usize| judged[k] && (grid.target[k] - self.expected(grid, k)).abs() > limit;
        let spans = runs::of(grid.row.len(), off);
        let findings = spans
            .into_iter()
            .filter(|span| {
                grid.segment[span.start] == grid.segment[span.end - 1]
                    && grid.time_s[span.end - 1] - grid.time_s[span.start] >= limits.get(&HOLD) - 1e-9
            })
            .map(|span| self.finding(channel, grid, view, &span))
            .collect();
        let evaluated = runs::of(judged.len(), |k| judged[k])
            .into_iter()
            .map(|span| grid.row[span.start]..grid.row[span.end - 1] + 1)
            .collect();
        Outcome::ran(Evaluated::Rows(evaluated), findings)
    }

    fn finding(&self, channel: &Channel, grid: &Grid, view: &View<'_>, span: &Range<usize>) -> Finding {
        let middle = |value: &dyn Fn(usize) -> f64| {
            robust::median(&span.clone().map(value).collect::<Vec<_>>()).unwrap_or(0.0)
        };
        let residual = middle(&|k| grid.target[k] - self.expected(grid, k));
        let expected = middle(&|k| self.expected(grid, k));
        let seen = middle(&|k| grid.target[k]);
        let shown =
            |value: f64| channel.logged(if channel.role.is_mixture() { value.recip() } else { value });
        let lasted_s = grid.time_s[span.end - 1] - grid.time_s[span.start];
        let t2 =
            middle(&|k| self.domain.within_plane(grid.witness.row(k))) / self.farthest.max(f64::MIN_POSITIVE);
        let q = middle(&|k| self.domain.off_plane(grid.witness.row(k)));
        let end = grid.row.get(span.end).copied().unwrap_or(view.log.rows());
        let numbers = [
            (&RESIDUAL, residual),
            (&SCALE, self.scale),
            (&EXPECTED, expected),
            (&LASTED, lasted_s),
            (&T2, t2),
            (&Q, q),
        ];
        Finding::new(
            grid.row[span.start]..end.max(grid.row[span.end - 1] + 1),
            Flag::Suspect,
            format!(
                "{} stood at {:.3} {unit} for {lasted_s:.1} s where {} let expect {:.3} {unit}, {:.1} times the model's error",
                channel.name,
                shown(seen),
                grid.names.join(", "),
                shown(expected),
                residual.abs() / self.scale,
                unit = channel.unit.symbol
            ),
            numbers.into_iter().filter(|(_, value)| value.is_finite()).collect(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence};

    /// Steady cells of 6 s each, 20 min; fuel pressure follows the manifold, with an optional fault.
    fn cells(fault: impl Fn(f64) -> f64) -> Bench {
        let cell = |t: f64| {
            let k = (t / 6.0) as u64;
            (1500.0 + 400.0 * (k % 5) as f64, 30e3 + 12e3 * (k * 5 % 6) as f64)
        };
        let mut noise = Noise::new(4);
        Bench::new(10.0, 12_000)
            .channel(Role::EngineSpeed, move |t| cell(t).0)
            .channel(Role::ManifoldPressure, move |t| cell(t).1)
            .channel(Role::FuelPressure, move |t| {
                let (rpm, map) = cell(t);
                300e3 + map - 2.0 * rpm + 1e3 * noise.next() + fault(t)
            })
            .measured(|m| m.resolution = Some(500.0))
    }

    #[test]
    fn departure_of_seconds_is_found_where_the_others_stand_still() {
        let bench = cells(|t| if (600.0..606.0).contains(&t) { -60e3 } else { 0.0 });
        let found = bench.findings(&Redundancy, Role::FuelPressure);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].rows.start >= 6000 && found[0].rows.end <= 6060, "{:?}", found[0].rows);
        assert!((evidence(&found[0], "residual") + 60e3).abs() < 3e3);
    }

    #[test]
    fn healthy_channel_and_a_late_one_are_quiet() {
        assert!(cells(|_| 0.0).findings(&Redundancy, Role::FuelPressure).is_empty());
        // A pressure that follows its cell with a lag of 0.5 s.
        let mut late = 0.0;
        let bench = cells(|_| 0.0);
        let truth = bench.log.role(Role::FuelPressure).expect("on the bench").values().to_vec();
        let lagged = truth
            .iter()
            .map(|now| {
                late += (now - late) * 0.2;
                late
            })
            .collect();
        let mut bench = bench;
        bench.log.channels.pop();
        let bench = bench.values(Role::FuelPressure, lagged).measured(|m| m.resolution = Some(500.0));
        assert!(bench.findings(&Redundancy, Role::FuelPressure).is_empty());
    }

    #[test]
    fn unknown_operating_point_is_refused() {
        // The one visit to a cell far outside is also where the pressure differs: no judgement.
        let mut bench = cells(|_| 0.0);
        let rows = 6000..6060;
        let far = |values: &[f64], to: f64| {
            let mut values = values.to_vec();
            values[rows.clone()].fill(to);
            values
        };
        let changed: Vec<(Role, Vec<f64>)> = [(0, 14_000.0), (1, 500e3), (2, 100e3)]
            .map(|(k, to)| (bench.log.channels[k].role, far(bench.log.channels[k].values(), to)))
            .into();
        bench.log.channels.clear();
        let bench = changed.into_iter().fold(bench, |bench, (role, values)| bench.values(role, values));
        let found = bench.findings(&Redundancy, Role::FuelPressure);
        assert!(found.is_empty(), "{found:?}");
    }

    #[test]
    fn nothing_to_learn_is_said() {
        let alone = Bench::new(10.0, 6000).channel(Role::FuelPressure, |_| 3e5);
        assert!(because(alone.run(&Redundancy, Role::FuelPressure)).contains("fewer than two"));
        let mut noise = Noise::new(8);
        let unrelated = cells(|_| 0.0);
        let rows = unrelated.log.rows();
        let mut unrelated = unrelated;
        unrelated.log.channels.pop();
        let unrelated =
            unrelated.values(Role::FuelPressure, (0..rows).map(|_| 3e5 + 1e4 * noise.next()).collect());
        assert!(because(unrelated.run(&Redundancy, Role::FuelPressure)).contains("say too little"));
    }
}
