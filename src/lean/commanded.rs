//! How the mixture of full load comes out beside the one that was commanded.
//!
//! Once a film has filled and the sensor has settled, an engine that gets what the control asks for reads what it asks for.
//! Where it stays leaner, something gives less fuel than is believed, or a leak lets air in: a reading is the mean of all
//! cylinders, and one injector of four that passes a fifth too little moves it by a twentieth.

use super::beside::loaded;
use super::constants as k;
use super::trace::{Scene, median};
use super::witness::Witness;
use crate::log::Role;

/// How much leaner than commanded the mixture usually is at settled full load, lambda; null where no commanded mixture is
/// logged, where it asks for no enrichment, or where full load is too short to tell.
fn usually_leaner(scene: &Scene<'_>) -> Option<f64> {
    let target = scene.witness(Role::LambdaTarget)?;
    let settles_s = k::SETTLES_S.value.max(k::SETTLED_TAU.value * scene.chain.lean_to_rich.quantile(0.975));
    // What is beyond the limit is an event of its own.
    let limit = scene.view.rig.full_load_lambda_max;
    let (mut since_s, mut before_s) = (None::<f64>, f64::NEG_INFINITY);
    let mut apart = Vec::new();
    for frame in scene.frames().iter() {
        let gas_s = frame.time_s - scene.delay_s(frame.time_s);
        let asked = asked_at(&target, gas_s).filter(|_| loaded(scene, gas_s));
        let Some(asked) = asked.filter(|_| gas_s - before_s <= k::HELD_S.value) else {
            (since_s, before_s) = (None, gas_s);
            continue;
        };
        before_s = gas_s;
        if gas_s - *since_s.get_or_insert(gas_s) >= settles_s && frame.lambda <= limit {
            apart.push(frame.lambda - asked);
        }
    }
    let enough = apart.len() as f64 * scene.period_s >= k::COMMANDED_S.value && apart.len() >= 5;
    median(apart).filter(|_| enough)
}

/// Mixture commanded at a time, lambda, where it is one of full load.
fn asked_at(target: &Witness<'_>, time_s: f64) -> Option<f64> {
    target.at(time_s, 0.5).filter(|asked| *asked > 0.0 && *asked <= k::ENRICHED_LAMBDA.value)
}

impl Scene<'_> {
    /// Whether the mixture of full load stays leaner than commanded by more than a healthy reading may be off.
    pub(super) fn falls_short(&self) -> bool {
        *self.falls_short.get_or_init(|| {
            let most = k::NEAR_LIMIT.value + 0.5 * self.channel.resolution();
            usually_leaner(self).is_some_and(|leaner| leaner > most)
        })
    }
}
