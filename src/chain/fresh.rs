//! Fresh samples of the mixture reading: one per renewal by the link, not one per row of the logger.

use crate::log::Log;
use crate::signal::robust::{centre_and_spread, median};
use crate::signal::uncertainty::quantisation;

/// Renewed readings in phi = 1/lambda, ascending by time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fresh {
    /// Row of the log in which the reading first shows.
    pub row: Vec<usize>,
    /// Time of that row, s.
    pub time_s: Vec<f64>,
    /// Reading, phi.
    pub phi: Vec<f64>,
    /// Number of the clock segment; a step never runs across two.
    pub segment: Vec<usize>,
}

impl Fresh {
    /// The fresh samples of a channel that carries lambda.
    ///
    /// A reading is fresh when it differs from the one before it, or when three quarters of a frame have passed
    /// (a renewed value may be equal). Without a known frame period every row counts.
    pub fn of(log: &Log, channel: usize, frame_period_s: Option<f64>) -> Self {
        let mut fresh = Self::default();
        let Some(channel) = log.channels.get(channel) else { return fresh };
        let values = channel.values();
        let time_s = &log.clock.time_s;
        let hold_s = frame_period_s.unwrap_or(0.0) * 0.75;
        for (number, rows) in log.clock.segments.iter().enumerate() {
            let mut last: Option<(f64, f64)> = None;
            for row in rows.clone() {
                let (Some(lambda), Some(time)) = (values.get(row), time_s.get(row)) else { break };
                if !lambda.is_finite() || *lambda <= 0.0 {
                    continue;
                }
                let renewed = last.is_none_or(|(t, v)| v != *lambda || time - t >= hold_s);
                if renewed {
                    fresh.row.push(row);
                    fresh.time_s.push(*time);
                    fresh.phi.push(lambda.recip());
                    fresh.segment.push(number);
                    last = Some((*time, *lambda));
                }
            }
        }
        fresh
    }

    /// Number of fresh samples.
    pub fn len(&self) -> usize {
        self.phi.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.phi.is_empty()
    }

    /// Robust standard deviation of the noise in phi, from second differences.
    ///
    /// Not less than what the channel's steps alone make of it (step/sqrt 12): a quantised channel never shows
    /// that it is quieter than that.
    ///
    /// * `resolution`: step of the reading, lambda
    /// * returns null for fewer than 30 triples
    pub fn noise_phi(&self, resolution: Option<f64>) -> Option<f64> {
        let differences: Vec<f64> = (2..self.len())
            .filter(|k| self.segment[k - 2] == self.segment[*k])
            .map(|k| (self.phi[k] - 2.0 * self.phi[k - 1] + self.phi[k - 2]) / 6.0_f64.sqrt())
            .collect();
        if differences.len() < 30 {
            return None;
        }
        let middle = median(&self.phi)?;
        let floor = quantisation(resolution.unwrap_or(0.0) * middle * middle);
        Some(centre_and_spread(&differences, floor)?.1)
    }
}
