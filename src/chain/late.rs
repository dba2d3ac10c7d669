//! Cuts that the reading is late to show. While the injectors are shut the gas is air but for what the walls of the ports
//! still give, so that a reading that climbs slowly is a slow reading, whatever it does towards richer gas.

use super::step::{AT_STOP, LONGEST_STEP_S, Reading};
use crate::signal::robust::median;

/// A cut must last this long to be asked, s: gas through a long exhaust at idle takes as long (assumed).
pub(super) const LEAST_CUT_S: f64 = 1.0;
/// Burning gas before it, phi.
const RICH_PHI: f64 = 0.9;
/// The reading has begun to move, and has come far enough, at these shares of its phi before.
const BEGUN: f64 = 0.96;
const COME: f64 = 0.75;
/// The most of the fuel before that walls of the ports give to the air of a closed throttle (a twentieth of the fuel of a
/// pull into a sixth of its air).
const FILM: f64 = 0.3;
/// Mixing of the gas, s (5 to 50 ms: lean-event physics).
const MIXING_S: f64 = 0.05;
/// Fewest cuts that are late: one may be another thing that the injectors did (assumed).
const FEWEST: usize = 2;

/// The time constant that the reading has at least towards leaner gas, by the middle of all cuts, s; null where the log shows
/// too few.
///
/// * `cuts`: with the injectors shut, first and last moment, s
pub(super) fn at_least_s(reading: &Reading<'_>, cuts: &[(f64, f64)]) -> Option<f64> {
    let bounds: Vec<f64> = cuts.iter().filter_map(|cut| bound_s(reading, *cut)).collect();
    let middle = median(&bounds).filter(|_| bounds.len() >= FEWEST);
    // A cut is looked at for no longer: what is slower is slower than this.
    middle.map(|bound_s| bound_s.min(LONGEST_STEP_S))
}

/// What one cut says, s; 0 where the reading follows at once, null where it says nothing.
///
/// * `cut`: first and last moment with the injectors shut, s
fn bound_s(reading: &Reading<'_>, (from_s, to_s): (f64, f64)) -> Option<f64> {
    let fresh = reading.fresh;
    let first = fresh.time_s.partition_point(|time_s| *time_s < from_s);
    let last =
        fresh.time_s.partition_point(|time_s| *time_s <= to_s.min(from_s + LONGEST_STEP_S)).checked_sub(1)?;
    let before = fresh.phi.get(first.checked_sub(3)?..first)?;
    let segment = |k: usize| fresh.segment(k);
    let burnt = median(before).filter(|phi| *phi >= RICH_PHI && segment(first - 1) == segment(last))?;
    let begun = (burnt - 4.0 * reading.sigma).min(BEGUN * burnt);
    let come = (COME * burnt).max(reading.stop_phi * (1.0 + AT_STOP));
    let start = (first..=last).find(|k| fresh.phi[*k] <= begun)?;
    let end = (start..=last).find(|k| fresh.phi[*k] <= come).unwrap_or(last);
    let gas_s = reading.witness.cycle_s(fresh.row[start] as usize) + MIXING_S;
    let rises_s = fresh.time_s[end] - fresh.time_s[start] - reading.period_s - gas_s;
    // To the middle of what it must come through, with the film at its most all the while.
    let constants = ((burnt - FILM * burnt) / (fresh.phi[end].max(come) - FILM * burnt)).ln();
    Some((rises_s / constants).max(0.0)).filter(|bound_s| bound_s.is_finite())
}

#[cfg(test)]
mod tests {
    use crate::chain::{Chain, measure};
    use crate::log::{Channel, Role, UNITS};
    use crate::rig::Rig;
    use crate::state::{States, bit};

    /// Sixty seconds at 20 Hz, lambda 0.8 with four cuts of 3 s that the injectors tell; a reading that follows leaner gas with
    /// one time constant and richer gas with 50 ms, from 0.3 s after the cut on.
    fn drive(tau_s: f64, told: bool) -> Chain {
        let time_s: Vec<f64> = (0..1_200).map(|row| f64::from(row) * 0.05).collect();
        let cut = |t: f64| t % 15.0 > 10.0 && t % 15.0 < 13.0;
        let mut read = 0.8;
        let lambda = time_s.iter().zip(0..).map(|(t, row)| {
            let gas = if cut(t - 0.3) { 1.36 } else { 0.8 };
            let tau_s = if gas > read { tau_s } else { 0.05 };
            read += (gas - read) * (1.0 - (-0.05 / tau_s).exp());
            read + 0.001 * f64::from(row * 7_919 % 13 - 6)
        });
        let mut mixture = Channel::new("Lambda".to_owned(), Role::Lambda, &UNITS[0], lambda.collect(), None);
        mixture.measured.sample_period_s = Some(0.05);
        let duty = time_s.iter().map(|t| if cut(*t) { 0.001 } else { 0.6 }).collect();
        let duty = Channel::new("Duty".to_owned(), Role::InjectorDuty, &UNITS[0], duty, None);
        let log = super::super::tests::log_of(time_s, 20.0, vec![mixture, duty]);
        let log = crate::log::Log {
            channels: log.channels.into_iter().take(1 + usize::from(told)).collect(),
            ..log
        };
        let over_run = |t: &f64| if cut(*t) { bit::OVER_RUN | bit::RUNNING } else { bit::RUNNING };
        let state = States { bits: log.clock.time_s.iter().map(over_run).collect(), ..States::default() };
        measure(&log, &state, &Rig::default()).expect("a mixture channel")
    }

    #[test]
    fn a_reading_that_climbs_slowly_while_the_injectors_are_shut_is_slow() {
        for tau_s in [0.5, 1.0, 2.0] {
            let late_s = drive(tau_s, true).late_s().expect("late");
            assert!((0.7..2.5).contains(&(late_s / tau_s)), "{tau_s} s read as {late_s} s");
        }
    }

    #[test]
    fn what_the_injectors_seem_to_do_moves_no_belief_of_the_sensor() {
        let believed = |chain: &Chain| chain.rich_to_lean.clone();
        assert_eq!(believed(&drive(2.0, true)), believed(&drive(2.0, false)));
    }

    #[test]
    fn one_that_follows_at_once_and_one_without_injectors_are_not_late() {
        assert_eq!(drive(0.07, true).late_s(), None);
        assert_eq!(drive(2.0, false).late_s(), None);
    }
}
