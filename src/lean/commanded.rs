//! How the mixture of full load comes out beside the one that was commanded.
//!
//! Once a film has filled and the sensor has settled, an engine that gets what the control asks for reads what it asks for.
//! Where it stays leaner, something gives less fuel than is believed, or a leak lets air in: a reading is the mean of all
//! cylinders, and one injector of four that passes a fifth too little moves it by a twentieth.

use super::beside::loaded;
use super::constants as k;
use super::evidence::Case;
use super::trace::{Scene, median};
use super::witness::Witness;
use crate::detect::View;
use crate::log::{Dimension, Role};
use crate::state::bit;

/// A piece of settled full load.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Piece {
    start_s: f64,
    end_s: f64,
    /// How much leaner than commanded its readings are in their median, lambda.
    leaner: f64,
}

/// Settled full load beside its command, for the first cut that asks.
#[derive(Debug, Default)]
pub(super) struct Commanded {
    /// How much leaner than commanded full load is over the whole log, lambda; null where no commanded mixture is logged,
    /// where it asks for no enrichment, or where full load is too short to tell.
    usually: Option<f64>,
    /// The same in pieces of [`k::COMMANDED_S`], ascending.
    pieces: Vec<Piece>,
}

impl Commanded {
    fn of(scene: &Scene<'_>) -> Self {
        let Some(target) = scene.witness(Role::LambdaTarget) else { return Self::default() };
        let settles_s =
            k::SETTLES_S.value.max(k::SETTLED_TAU.value * scene.chain.lean_to_rich.quantile(0.975));
        let scale = scale(scene, &target);
        // What is beyond the limit is an event of its own.
        let limit = scene.view.rig.full_load_lambda_max;
        let (mut since_s, mut before_s) = (None::<f64>, f64::NEG_INFINITY);
        let mut apart = Vec::new();
        for frame in scene.frames().iter() {
            let gas_s = frame.time_s - scene.delay_s(frame.time_s);
            let asked = asked_at(&target, gas_s);
            let of_part_load = asked.is_some_and(|asked| asked > k::ENRICHED_LAMBDA.value);
            if of_part_load || !loaded(scene, gas_s) || gas_s - before_s > k::HELD_S.value {
                (since_s, before_s) = (None, gas_s);
                continue;
            }
            before_s = gas_s;
            let settled = gas_s - *since_s.get_or_insert(gas_s) >= settles_s;
            if let Some(asked) = asked.filter(|_| settled && frame.lambda <= limit) {
                apart.push((gas_s, frame.lambda - asked * scale));
            }
        }
        let count = (k::COMMANDED_S.value / scene.period_s).ceil().max(5.0) as usize;
        // What is left over at the end shares a piece with what is before it.
        let last = apart.len().checked_sub(count).map(|first| &apart[first..]);
        let pieces = apart.chunks_exact(count).chain(last).filter_map(|piece| {
            let (first, last) = (piece.first()?, piece.last()?);
            let leaner = median(piece.iter().map(|(_, leaner)| *leaner).collect())?;
            Some(Piece { start_s: first.0, end_s: last.0, leaner })
        });
        let pieces: Vec<Piece> = pieces.collect();
        let usually = median(apart.into_iter().map(|(_, leaner)| leaner).collect());
        Self { usually: usually.filter(|_| !pieces.is_empty()), pieces }
    }
}

/// Mixture commanded at a time, lambda. No control asks a boosted petrol engine for as little fuel under load as a command of
/// 1.1 says: what reads so is fuel over air, the reciprocal.
fn asked_at(target: &Witness<'_>, time_s: f64) -> Option<f64> {
    let asked = target.at(time_s, k::HELD_S.value).filter(|asked| *asked > 0.0)?;
    Some(if is_fuel_over_air(asked) { asked.recip() } else { asked })
}

/// Whether a mixture commanded under load can only be fuel over air.
pub(super) fn is_fuel_over_air(asked: f64) -> bool {
    asked * k::ENRICHED_LAMBDA.value >= 1.0
}

/// What a commanded mixture is to be multiplied by before it is compared.
///
/// A steady engine reads what its loop is asked for. Where it reads richer by more than a reading may be off, the command is
/// in a scale of its own (an air/fuel ratio of another fuel than the rig's), and a want of full load would hide behind that.
/// Not so where it reads leaner: an engine that is lean everywhere looks like that too.
fn scale(scene: &Scene<'_>, target: &Witness<'_>) -> f64 {
    let steady = scene.frames().iter().filter(|frame| {
        frame.lambda > 0.0 && scene.view.state.has(frame.row as usize, bit::IDLE | bit::CRUISE)
    });
    let ratios: Vec<f64> = steady
        .filter_map(|frame| {
            Some(frame.lambda / asked_at(target, frame.time_s - scene.delay_s(frame.time_s))?)
        })
        .collect();
    let enough = ratios.len() as f64 * scene.period_s >= k::SCALED_S.value;
    median(ratios).filter(|ratio| enough && *ratio < 1.0 - k::NEAR_LIMIT.value).unwrap_or(1.0)
}

/// Whether the mixture of the full load about an event, or of the whole log, stays leaner than commanded by more than a healthy
/// reading may be off. Of full load about an event the pieces before it, around it and after it speak.
pub(super) fn falls_short(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let commanded = scene.commanded.get_or_init(|| Commanded::of(scene));
    let short = |leaner: f64| leaner > k::NEAR_LIMIT.value + 0.5 * scene.channel.resolution();
    let pieces = &commanded.pieces;
    let first = pieces.partition_point(|piece| piece.end_s < case.gas_start_s).saturating_sub(1);
    let end = pieces.partition_point(|piece| piece.start_s <= case.gas_end_s) + 1;
    let about = pieces.get(first..end.min(pieces.len())).unwrap_or_default();
    commanded.usually.is_some_and(short) || about.iter().any(|piece| short(piece.leaner))
}

/// What a reader of the verdicts should know of the command that they rest on.
pub(super) fn cautions(view: &View<'_>) -> impl Iterator<Item = String> {
    let target = view.log.role(Role::LambdaTarget);
    let assumed = !["fuel", "stoich_afr"].iter().any(|key| view.rig.stated.contains(*key));
    let ratio = target.filter(|target| target.unit.dimension == Dimension::AirFuelRatio && assumed).map(|target| {
        format!(
            "{} is an air/fuel ratio and was divided by {:.2}, assumed: by another fuel full load may lack fuel and not look \
             so. State `fuel` or `stoich_afr` in the rig file.",
            target.name, view.rig.stoich_afr
        )
    });
    let turned = target.and_then(|target| {
        let rows = view.state.windows_of(bit::FULL_LOAD).flatten();
        let asked = median(rows.filter_map(|row| target.at(row)).collect())?;
        is_fuel_over_air(asked).then(|| {
            format!(
                "{} asks for {asked:.2} at full load, which can only be fuel over air: its reciprocal was used. State the \
                 commanded mixture as lambda.",
                target.name
            )
        })
    });
    ratio.into_iter().chain(turned)
}
