//! What each cause looks like in a log, what decides it, and what a log cannot tell about it.

use super::hypothesis::Cause;

/// The page of one cause.
pub struct Entry {
    /// One clause.
    pub summary: &'static str,
    /// What it looks like.
    pub looks: &'static str,
    /// What decides.
    pub decides: &'static str,
    /// What it cannot be told from.
    pub cannot: &'static str,
    /// Evidence that may speak for it, by name.
    pub evidence: &'static [&'static str],
}

/// The entry of a cause.
pub const fn of(cause: Cause) -> &'static Entry {
    match cause {
        Cause::FuelSupply => &FUEL_SUPPLY,
        Cause::InjectorLimit => &INJECTOR_LIMIT,
        Cause::TipIn => &TIP_IN,
        Cause::Mixture => &MIXTURE,
        Cause::Overrun => &OVERRUN,
        Cause::RevLimit => &REV_LIMIT,
        Cause::GearCut => &GEAR_CUT,
        Cause::Unload => &UNLOAD,
        Cause::Misfire => &MISFIRE,
        Cause::AirIngress => &AIR_INGRESS,
        Cause::Spike => &SPIKE,
        Cause::StaleLink => &STALE_LINK,
        Cause::Dropout => &DROPOUT,
        Cause::SupplySag => &SUPPLY_SAG,
        Cause::SensorCold => &SENSOR_COLD,
        Cause::SensorWet => &SENSOR_WET,
        Cause::ControllerReset => &CONTROLLER_RESET,
        Cause::GroundOffset => &GROUND_OFFSET,
    }
}

static FUEL_SUPPLY: Entry = Entry {
    summary: "fuel pressure or flow collapsed",
    looks: "a ramp that grows with fuel flow, or an irregular dip after a corner, a launch or a wave",
    decides: "pressure over the injectors falls first, and lambda follows its square root",
    cannot: "without fuel pressure it looks like any other lean mixture: repeat with a full tank, or in a higher gear",
    evidence: &["pressure_root_law", "knock", "same_cell", "exponential_tail", "torque"],
};
static INJECTOR_LIMIT: Entry = Entry {
    summary: "the injectors were open all the time and still too small",
    looks: "sets in at a fixed fuel flow and grows smoothly with engine speed and boost, pressure steady",
    decides: "duty of 95 % or more while demand still grows",
    cannot: "without duty or pulse width it looks like a lean map; same onset in every pass then points here",
    evidence: &["injector_duty", "knock", "same_cell", "exponential_tail", "torque"],
};
static TIP_IN: Entry = Entry {
    summary: "the fuel film lagged behind a fast opening of the throttle",
    looks: "starts one gas delay after the opening and decays within a second or two; worse when cold",
    decides: "the opening right before, and the decay",
    cannot: "a pump that fails under the new demand starts at the same moment: fuel pressure decides",
    evidence: &["opening", "knock", "same_cell", "exponential_tail"],
};
static MIXTURE: Entry = Entry {
    summary: "really lean, for a reason the log does not resolve",
    looks: "steady in one region of engine speed and load, all else normal",
    decides: "it comes back in the same region in every pass",
    cannot: "a lean map, air that the meter did not see, one weak cylinder: a log does not tell them apart",
    evidence: &["same_cell", "knock", "exponential_tail", "torque", "exhaust_heat"],
};
static OVERRUN: Entry = Entry {
    summary: "fuel was cut on a closed throttle",
    looks: "runs to the end stop or to air along a straight line of ln lambda, engine speed falling",
    decides: "throttle closed with low manifold pressure, or injectors shut, and the reading follows after the delay",
    cannot: "throttle alone does not say whether fuel was cut; what precedes the cut is judged alone, and beside a load that \
             stays leaner than commanded the first and last readings are left open",
    evidence: &["fuel_off", "exhaust_heat"],
};
static REV_LIMIT: Entry = Entry {
    summary: "fuel was cut at the engine speed limit",
    looks: "a saw-tooth, or a plateau of lambda0 n/(n-k) when k of n cylinders are cut",
    decides: "engine speed stands at a ceiling that recurs, throttle open",
    cannot: "starvation at the ceiling: an event that begins before the ceiling is not this; nor is one whose mixture between \
             the cuts is not read rich, or whose load stays leaner than commanded",
    evidence: &["speed_ceiling", "fuel_off", "same_cell"],
};
static GEAR_CUT: Entry = Entry {
    summary: "fuel was cut between two gears",
    looks: "30 to 200 ms, engine speed drops to the next ratio",
    decides: "the ratio changes in that moment",
    cannot: "a spark cut passes the fuel and reads like misfire; below 20 Hz the change is not resolved; a load that stays \
             leaner than commanded may hide behind it",
    evidence: &["gear_change", "fuel_off"],
};
static UNLOAD: Entry = Entry {
    summary: "fuel was cut because the load vanished",
    looks: "engine speed flares, then the limiter cuts",
    decides: "engine speed rises faster than full torque can turn it in gear",
    cannot: "needs the flare resolved; a flare at the ceiling looks like the limiter alone",
    evidence: &["unload", "fuel_off"],
};
static MISFIRE: Entry = Entry {
    summary: "unburnt charge reached the sensor",
    looks: "jagged, 0.82 to 1.1, engine speed rough",
    decides: "more torque is lost than the mixture explains, or engine speed becomes rough",
    cannot: "lean mixture misfires too: it is a danger whatever came first",
    evidence: &["torque", "roughness", "exhaust_heat"],
};
static AIR_INGRESS: Entry = Entry {
    summary: "air reached the sensor past the cylinders; shrinks as flow grows",
    looks: "lean at idle and low flow, vanishing at high flow",
    decides: "this event and the rest of the log lie on one line of excess over one over air flow",
    cannot: "a map that is lean at low flow bends the same way: a cold-start smoke or pressure test tells",
    evidence: &["dilution_law"],
};
static SPIKE: Entry = Entry {
    summary: "an electrical or converter glitch",
    looks: "one or two samples far off, neighbours in line, no tail, often in several channels",
    decides: "a rise and a fall that no gas can drive through this sensor, a width below one link frame, two unrelated \
              channels in the same row",
    cannot: "with fresh values more than 10 ms apart gas can make the same step; on lean gas it is not told apart",
    evidence: &["impossible_slew", "sub_frame_width", "many_channels", "code_or_bit"],
};
static STALE_LINK: Entry = Entry {
    summary: "the link repeated an old value",
    looks: "exactly equal values while the engine moves, then a jump to a valid value",
    decides: "a run too long for this channel's own noise in converter steps",
    cannot: "a channel quieter than half a step stands still by itself; what happened meanwhile was not measured, and \
             the value after it is real",
    evidence: &["stale_run", "same_fault"],
};
static DROPOUT: Entry = Entry {
    summary: "no value, or a code in its place",
    looks: "empty cells, or one exact value beyond the channel's own end stop",
    decides: "no reading can be there",
    cannot: "the lean end stop itself proves nothing: a real lean event reaches it too",
    evidence: &["code_or_bit", "many_channels"],
};
static SUPPLY_SAG: Entry = Entry {
    summary: "the supply was too low for the sensor's controller",
    looks: "voltage below 9 V, then the rest value",
    decides: "the pattern of a restart; voltage alone decides nothing",
    cannot: "a sag slows pump and injectors as well and leans the engine for real",
    evidence: &["rest_value", "warm_up_curve"],
};
static SENSOR_COLD: Entry = Entry {
    summary: "the element was below its working temperature",
    looks: "the rest value of the power-up; later readings drawn towards 1 and slow both ways",
    decides: "the controller's status, or its rest value right after power-up",
    cannot: "live but compressed readings look like a lean mixture: time since power-up is no proof",
    evidence: &["rest_value"],
};
static SENSOR_WET: Entry = Entry {
    summary: "water on the element",
    looks: "a drop, then seconds of nonsense after a cold start, wrong for good when the element cracked",
    decides: "free air reads wrong afterwards",
    cannot: "nothing in a log of the moment tells it from gas: it stays undetermined",
    evidence: &[],
};
static CONTROLLER_RESET: Entry = Entry {
    summary: "the sensor's controller started again",
    looks: "the exact rest value of the power-up for seconds, then the same warm-up curve",
    decides: "rest value and curve are those of the power-up; where the rest value is the lean end stop, the engine \
              pulls with all its torque meanwhile",
    cannot: "at the end stop, without a pull to compare, a cut or a dead cylinder reads the same",
    evidence: &["rest_value", "warm_up_curve", "stale_run", "impossible_slew"],
};
static GROUND_OFFSET: Entry = Entry {
    summary: "a current lifted the ground of the controller",
    looks: "up to 0.05 that comes and goes with fan, heater or pump, without any delay",
    decides: "steps in the same moment as the supply, while gas would need its delay and the sensor's time",
    cannot: "at full load the gas delay is too short to tell from none below 100 Hz",
    evidence: &["zero_lag"],
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lean::evidence;

    #[test]
    fn every_cause_names_evidence_that_exists_and_says_what_it_cannot_tell() {
        for cause in Cause::ALL {
            let entry = of(cause);
            for text in [entry.summary, entry.looks, entry.decides, entry.cannot] {
                assert!(text.len() > 15, "{}", cause.name());
            }
            for name in entry.evidence {
                assert!(evidence::ALL.iter().any(|feature| feature.name == *name), "{name}");
            }
        }
    }
}
