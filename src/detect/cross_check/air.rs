//! The mixture reading against the injectors: while they are shut the exhaust is air.

use super::Found;
use crate::chain::shut;
use crate::detect::{Finding, Limit, Limits, View};
use crate::flag::Flag;
use crate::log::Channel;

pub(super) static CUT: Limit = Limit {
    name: "air_s",
    unit: "s",
    default: 1.5,
    range: (0.5, 60.0),
    why: "the longest way of the gas, 1 s through a long exhaust at idle, and three time constants of a slow sensor (assumed)",
};
/// A reading of burnt gas, and one of air on its way, lambda (assumed: engines at a part of their load run up to 1.05).
const BURNT: f64 = 1.05;
const AIR: f64 = 1.2;

/// Cuts in which the reading stays with burnt gas, in a log that shows air in others: from the last one that does to the
/// next, the channel may show nothing.
///
/// # Errors
/// Why nothing follows.
pub(super) fn unseen(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let time_s = &view.log.clock.time_s;
    let cuts = shut::over_runs_s(view.log, view.state, limits.get(&CUT));
    let read: Vec<(std::ops::Range<usize>, f64)> = cuts
        .iter()
        .filter_map(|(from_s, to_s)| {
            let rows = view.log.clock.rows_between(*from_s, *to_s);
            let values = channel.readings(rows.clone()).map(|(_, value)| value);
            Some((rows, values.max_by(f64::total_cmp)?))
        })
        .collect();
    if !read.iter().any(|(_, highest)| *highest >= AIR) {
        return Err("no over-run with the injectors shut for long enough shows air in the reading".to_owned());
    }
    let shows = |(_, highest): &(std::ops::Range<usize>, f64)| *highest > BURNT;
    let mut findings = Vec::new();
    let mut from = 0;
    let mut groups = read.chunk_by(|one, next| shows(one) == shows(next)).peekable();
    while let Some(alike) = groups.next() {
        let (Some(first), Some(last)) = (alike.first(), alike.last()) else { continue };
        if shows(first) {
            from = last.0.end;
            continue;
        }
        let to = groups.peek().and_then(|next| next.first()).map_or(channel.rows(), |next| next.0.start);
        let message = format!(
            "{} reads burnt gas (at most {:.3}) while the injectors are shut at {:.1} s{}, where other cuts of this log show \
             air: it may show nothing from the cut before to the one behind",
            channel.name,
            channel.logged(first.1),
            time_s[first.0.start],
            if alike.len() > 1 { format!(" and in {} more cuts", alike.len() - 1) } else { String::new() }
        );
        findings.push(Finding::new(from..to, Flag::Suspect, message, Vec::new()));
    }
    if findings.is_empty() {
        // That it goes to air in every cut vouches for no reading of gas that burns.
        return Err("every over-run with the injectors shut shows air in the reading".to_owned());
    }
    Ok(findings)
}

#[cfg(test)]
mod tests {
    use crate::detect::cross_check::CrossCheck;
    use crate::detect::testing::{Bench, because};
    use crate::log::Role;
    use crate::state::bit;

    /// Eighty seconds at 20 Hz: four over-runs of 3 s with the injectors shut; the reading is 0.8, and air in the cuts that it
    /// shows.
    fn drive(shows: [bool; 4], length_s: f64) -> Vec<(f64, f64)> {
        let found = bench(shows, length_s).findings(&CrossCheck, Role::Lambda);
        found.iter().map(|one| (one.rows.start as f64 / 20.0, one.rows.end as f64 / 20.0)).collect()
    }

    fn bench(shows: [bool; 4], length_s: f64) -> Bench {
        let cut =
            move |t: f64| (t % 20.0 >= 10.0 && t % 20.0 < 10.0 + length_s).then_some((t / 20.0) as usize);
        let mut bench = Bench::new(20.0, 1_600)
            .channel(Role::InjectorDuty, move |t| if cut(t).is_some() { 0.0 } else { 0.5 })
            .channel(Role::Lambda, move |t| if cut(t).is_some_and(|at| shows[at]) { 1.36 } else { 0.8 });
        for at in 0..4 {
            let start_s = f64::from(at) * 20.0 + 10.0;
            bench = bench.state(bit::OVER_RUN, start_s, start_s + length_s);
        }
        bench
    }

    #[test]
    fn from_the_last_cut_that_shows_air_to_the_next_the_reading_may_be_nothing() {
        assert!(because(bench([true; 4], 3.0).run(&CrossCheck, Role::Lambda)).contains("shows air"));
        let near = |found: &[(f64, f64)], from_s: f64, to_s: f64| {
            assert_eq!(found.len(), 1, "{found:?}");
            assert!((found[0].0 - from_s).abs() < 0.2 && (found[0].1 - to_s).abs() < 0.2, "{found:?}");
        };
        near(&drive([true, true, false, false], 3.0), 33.0, 80.0);
        near(&drive([true, false, true, true], 3.0), 13.0, 50.0);
        near(&drive([false, false, true, true], 3.0), 0.0, 50.0);
    }

    #[test]
    fn a_log_that_never_shows_air_and_a_short_cut_say_nothing() {
        let never = bench([false; 4], 3.0).run(&CrossCheck, Role::Lambda);
        assert!(because(never).contains("shows air"), "its injectors may be what lies");
        assert!(
            because(bench([true, false, true, true], 1.0).run(&CrossCheck, Role::Lambda))
                .contains("long enough")
        );
    }
}
