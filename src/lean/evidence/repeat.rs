//! Other passes of the same log.

use super::state::opened_before;
use super::{Case, Feature, Group, Reading};
use crate::lean::cell::Visits;
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{Cause, Context};
use crate::lean::trace::Scene;

pub(super) static SAME_CELL: Feature = Feature {
    name: "same_cell",
    id: "F14",
    group: Group::Repeat,
    summary: "the same engine speed and load reads lean in other passes too, or does not",
    looks: "lean in the same cell (500 rpm by 20 kPa) pass after pass",
    decides: "a lean map, a too small injector or pump repeats; a random fault does not",
    cannot: "ground shifts and ignition noise repeat with load as well",
    tag: Tag::Assumed,
    run: same_cell,
};

/// Whether the gas of a frame left shortly after the throttle opened. The answer is kept: every event asks it of every
/// pass through its cell.
fn opened(scene: &Scene<'_>, index: usize) -> bool {
    let time_s = scene.frames().get(index).map_or(0.0, |frame| frame.time_s);
    let look = || opened_before(scene, time_s - scene.delay_s(time_s));
    scene.openings.lock().map_or_else(|_| look(), |mut known| *known.entry(index).or_insert_with(look))
}

fn same_cell(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let peak = case.episode.peak(scene);
    let Some(cell) = scene.cell_of(peak) else {
        return Reading::not_evaluated("engine speed and manifold pressure are not both known");
    };
    let span_s = (case.episode.start_s(scene), case.episode.end_s(scene));
    let (limit, explained) = (case.episode.limit, |frame| case.proven(frame));
    let visits = scene.cells.visits(scene, cell, span_s, limit, explained, |frame| opened(scene, frame));
    let Some(Visits { lean, clean, lean_settled, clean_settled, unexplained }) = visits else {
        return Reading::not_evaluated("no other pass through this cell under load");
    };
    if lean + clean == 0 {
        return Reading::not_evaluated("no other pass through this cell under load");
    }
    let text = format!(
        "same engine speed and load in {} other passes: {lean} lean, {clean} within the limit",
        lean + clean
    );
    let reading = Reading::seen(f64::from(lean), "passes", text);
    if lean > clean {
        let weight = (k::LR_REPEAT.value * f64::from(lean)).min(k::LR_REPEAT_CAP.value);
        // A film that lags does so at every opening, and only there.
        let film: &[Cause] =
            if case.context == Context::TipIn && lean_settled == 0 { &[Cause::TipIn] } else { &[] };
        // Where passes without an opening keep the limit, neither map nor injectors explain the others.
        let map: &[Cause] = if !film.is_empty() && clean_settled > 0 {
            &[Cause::FuelSupply, Cause::Misfire, Cause::RevLimit]
        } else {
            &[Cause::FuelSupply, Cause::InjectorLimit, Cause::Mixture, Cause::Misfire, Cause::RevLimit]
        };
        let reading = reading
            .weigh(film, weight)
            .weigh(map, weight)
            .weigh(&[Cause::GroundOffset, Cause::Spike], weight - k::LR_REPEAT_ELECTRICAL.value);
        if unexplained == 0 { reading } else { reading.forbid() }
    } else if lean == 0 {
        reading.weigh(
            &[Cause::Mixture, Cause::InjectorLimit],
            (k::LR_CLEAN_PASS.value * f64::from(clean)).max(k::LR_CLEAN_PASSES.value),
        )
    } else {
        reading
    }
}

pub(super) static SAME_FAULT: Feature = Feature {
    name: "same_fault",
    id: "F14'",
    group: Group::Repeat,
    summary: "the same fault is proven elsewhere in this log",
    looks: "other events with a physical proof of the same electrical cause, at other engine speeds and loads",
    decides: "wiring that is known to be bad is bad here with more probability",
    cannot: "it is no proof itself: this event needs its own",
    tag: Tag::Assumed,
    run: same_fault,
};

fn same_fault(case: &Case<'_, '_>) -> Reading {
    let found: Vec<(Cause, usize)> = [Cause::Spike, Cause::StaleLink, Cause::Dropout, Cause::GroundOffset]
        .into_iter()
        .map(|cause| (cause, case.proven_elsewhere(cause)))
        .filter(|(_, count)| *count > 0)
        .collect();
    let Some((cause, count)) = found.iter().max_by_key(|(_, count)| *count) else {
        return Reading::not_evaluated(
            "no other event of this log has a physical proof of an electrical fault",
        );
    };
    let causes: Vec<Cause> = found.iter().map(|f| f.0).collect();
    let value = *count as f64;
    let others = if *count == 1 {
        "one other event of this log is".to_owned()
    } else {
        format!("{count} other events of this log are")
    };
    Reading::seen(value, "events", format!("{others} proven {}", cause.name()))
        .weigh(&causes, k::LR_SAME_FAULT.value)
}
