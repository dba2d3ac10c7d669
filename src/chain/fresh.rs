//! Fresh samples of the mixture reading: one per renewal by the link, not one per row of the logger.

use std::borrow::Cow;

use crate::log::Log;
use crate::signal::robust::{centre_and_spread_in_place, median};
use crate::signal::uncertainty::quantisation;

/// Renewed readings in phi = 1/lambda, ascending by time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fresh<'a> {
    /// Row of the log in which the reading first shows.
    pub row: Vec<u32>,
    /// Time of that row, s: the log's own where every row is fresh.
    pub time_s: Cow<'a, [f64]>,
    /// Reading, phi.
    pub phi: Vec<f64>,
    /// Number of the clock segment of each, for [`Fresh::segment`]; none where the clock has one alone.
    segments: Vec<u32>,
}

impl<'a> Fresh<'a> {
    /// The fresh samples of a channel that carries lambda.
    ///
    /// A reading is fresh when it differs from the one before it, or when a frame has passed (a renewed value may be
    /// equal). A change shows the true phase of the link, so a sample that was only supposed shortly before it is
    /// dropped again. Without a known frame period every row counts.
    pub fn of(log: &'a Log, channel: usize, frame_period_s: Option<f64>) -> Self {
        let mut fresh = Self::default();
        let Some(channel) = log.channels.get(channel) else { return fresh };
        let time_s = &log.clock.time_s;
        let frame_s = frame_period_s.unwrap_or(0.0);
        let many = log.clock.segments.len() > 1;
        let hold_s = (frame_s - 0.5 * log.clock.period_s.unwrap_or(0.0)).max(0.75 * frame_s);
        if frame_period_s.is_none() {
            fresh.reserve(channel.count(), many);
        }
        for (number, rows) in (0..).zip(&log.clock.segments) {
            let mut last: Option<Last> = None;
            for (row, lambda) in channel.readings(rows.clone()) {
                let (Some(time), Ok(place)) = (time_s.get(row), u32::try_from(row)) else { break };
                if lambda <= 0.0 {
                    continue;
                }
                let changed = last.as_ref().is_none_or(|last| last.lambda != lambda);
                let since_s = last.as_ref().map_or(f64::INFINITY, |last| time - last.time_s);
                if !changed && since_s < hold_s {
                    continue;
                }
                if changed && since_s < 0.75 * frame_s && last.as_ref().is_some_and(|last| last.supposed) {
                    fresh.pop();
                }
                fresh.row.push(place);
                fresh.phi.push(lambda.recip());
                if many {
                    fresh.segments.push(number);
                }
                last = Some(Last { time_s: *time, lambda, supposed: !changed });
            }
        }
        fresh.time_s = if fresh.len() == time_s.len() {
            Cow::Borrowed(time_s)
        } else {
            fresh.row.iter().filter_map(|row| time_s.get(*row as usize).copied()).collect()
        };
        fresh
    }

    fn reserve(&mut self, count: usize, many: bool) {
        self.row.reserve_exact(count);
        self.phi.reserve_exact(count);
        self.segments.reserve_exact(if many { count } else { 0 });
    }

    fn pop(&mut self) {
        self.row.pop();
        self.phi.pop();
        self.segments.pop();
    }

    /// Number of the clock segment of a sample; a step never runs across two. Null beyond the last.
    pub fn segment(&self, at: usize) -> Option<u32> {
        if self.segments.is_empty() { (at < self.len()).then_some(0) } else { self.segments.get(at).copied() }
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
    /// that it is quieter than that. Samples at an end stop or at the rest value carry no noise and are left out.
    ///
    /// * `resolution`: step of the reading, lambda
    /// * `still`: whether a reading (phi) is held by an end stop or a rest value
    /// * returns null for fewer than 30 triples
    pub fn noise_phi(&self, resolution: Option<f64>, still: impl Fn(f64) -> bool) -> Option<f64> {
        let counts = |k: &usize| {
            let (a, b, c) = (self.phi[k - 2], self.phi[k - 1], self.phi[*k]);
            self.segment(k - 2) == self.segment(*k) && !still(a) && !still(b) && !still(c)
        };
        let middle = median(&self.phi);
        // Nearly all or few: they are counted first, so that no more memory is taken than they need.
        let mut differences = Vec::with_capacity((2..self.len()).filter(counts).count());
        differences.extend(
            (2..self.len())
                .filter(counts)
                .map(|k| (self.phi[k] - 2.0 * self.phi[k - 1] + self.phi[k - 2]) / 6.0_f64.sqrt()),
        );
        if differences.len() < 30 {
            return None;
        }
        let middle = middle?;
        let floor = quantisation(resolution.unwrap_or(0.0) * middle * middle);
        differences.retain(|difference| !difference.is_nan());
        Some(centre_and_spread_in_place(&mut differences, floor)?.1)
    }
}

/// The fresh sample before.
struct Last {
    time_s: f64,
    lambda: f64,
    /// Taken because a frame had passed, not because the value changed.
    supposed: bool,
}
