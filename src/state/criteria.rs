//! What must hold for each state, in words, with the numbers the code uses and their origin.

use super::{StateMeta, bit};

/// Every state, in the order of the documentation.
pub static ALL: &[StateMeta] = &[
    StateMeta {
        name: "running",
        bit: bit::RUNNING,
        summary: "the engine runs by itself",
        criteria: "Engine speed at least 450 rpm. Starters turn engines at 100 to 350 rpm and idle speeds begin near \
                   600 rpm: common practice, no source.",
    },
    StateMeta {
        name: "cranking",
        bit: bit::CRANKING,
        summary: "turned by the starter",
        criteria: "Engine speed 40 to 450 rpm for at most 15 s (common practice, no source).",
    },
    StateMeta {
        name: "warm_up",
        bit: bit::WARM_UP,
        summary: "engine or mixture sensor not yet at operating temperature",
        criteria: "Coolant below 70 °C (the full-load window of the lean-event procedure), or within 20 s after the \
                   engine started: sensor light-off takes up to 10 s by datasheet, doubled for the controller \
                   (assumed). A log that begins with the engine running tells nothing of the start.",
    },
    StateMeta {
        name: "idle",
        bit: bit::IDLE,
        summary: "closed throttle at idle speed",
        criteria: "Throttle within 3 % of its closed position (where the log has one), engine speed within 15 % or \
                   150 rpm of this log's idle speed, changing by less than 300 rpm/s. Idle speed is the lowest speed \
                   below 2500 rpm that is held for 2 s in all (assumed).",
    },
    StateMeta {
        name: "cruise",
        bit: bit::CRUISE,
        summary: "steady part load",
        criteria: "Running, neither idle, over-run nor wide open; over the last 1 s throttle within 4 % (without a \
                   throttle: manifold pressure within 8 kPa) and engine speed within 5 % (assumed).",
    },
    StateMeta {
        name: "tip_in",
        bit: bit::TIP_IN,
        summary: "shortly after the throttle opened",
        criteria: "From an opening of 15 % or more within 0.25 s (without a throttle: manifold pressure up by a \
                   quarter within 0.25 s, which is 1/s in air mass, the rate that costs 8 % of mixture with a wet \
                   manifold) until transport delay + 3 tau + 0.9 s later. Tau 0.07 s; 0.9 s is three times a warm \
                   fuel film of 0.3 s.",
    },
    StateMeta {
        name: "full_load",
        bit: bit::FULL_LOAD,
        summary: "settled full load, the window of claims",
        criteria: "All of: wide open; manifold pressure at least 90 % of the highest settled one at that engine speed \
                   (500 rpm classes, all passes); engine speed below 98.5 % of the recurring ceiling; no limiter, \
                   gear change, unload or zero injector duty; engine speed rising at most 1.5 times as fast as the \
                   best in gear; coolant at least 70 °C and 20 s after a start. It begins transport delay + 3 tau \
                   (0.07 s) + 0.9 s after the opening, or + 0.3 s after an interruption of less than 0.6 s, when the \
                   film is still wet; the part before is judged as tip-in. It lasts at least 0.5 s, ten fresh mixture \
                   values and 5 tau. Interruptions of one channel up to 0.15 s do not end it. Supply voltage is \
                   judged per sample by the supply detector, not here. From the full-load window of the lean-event \
                   procedure; the numbers of the film are from memory.",
    },
    StateMeta {
        name: "over_run",
        bit: bit::OVER_RUN,
        summary: "closed throttle above idle speed, fuel may be cut",
        criteria: "Throttle within 3 % of closed (without a throttle: manifold pressure below 40 % of barometric) and \
                   engine speed above 1.3 times idle speed + 200 rpm (1500 rpm when idle is not known) (assumed).",
    },
    StateMeta {
        name: "limiter",
        bit: bit::LIMITER,
        summary: "at the recurring ceiling of engine speed",
        criteria: "Engine speed at least 98.5 % of the ceiling with the throttle not closed. The ceiling counts only \
                   when it was reached at least twice (peaks of a saw-tooth, or runs that end in a plateau three times \
                   longer than their own speed of rise explains, or fuel commanded off there while the engine stays \
                   above 95 % of it for 0.3 s), or when the rig's redline was reached within 1.5 %. \
                   Both must be entered at 300 rpm/s or more, in a log that renews engine speed at least every 0.25 s. \
                   Reaching the same speed once, or shifting there, makes no ceiling.",
    },
    StateMeta {
        name: "gear_change",
        bit: bit::GEAR_CHANGE,
        summary: "between two gears under load",
        criteria: "An interruption of wide open of 0.02 to 1.0 s with engine speed at least 7 % lower afterwards, or a \
                   fall of engine speed by 8 % within 0.4 s at wide open after which it climbs again but not back within \
                   0.6 s (shifts of 50 to 300 ms plus clutch: common practice, no source), or a change of the gear \
                   channel.",
    },
    StateMeta {
        name: "unload",
        bit: bit::UNLOAD,
        summary: "engine speed flares without load",
        criteria: "Engine speed rises faster than 1.5 times the best rate in gear (95 % of the rates at wide open, of \
                   all rising rates without a throttle) and faster than 1500 rpm/s, from at least half of the log's highest speed \
                   and with the throttle half open or more for 0.3 s before, until it rises no faster than in gear. \
                   Needs 2 s of reference.",
    },
    StateMeta {
        name: "wide_open",
        bit: bit::WIDE_OPEN,
        summary: "throttle open far enough to be full load, settled or not",
        criteria: "Pedal, else throttle, at least 95 % of its own highest position held for 0.3 s, which must itself be \
                   at least 70 % (50 % when the manifold reaches 85 % of barometric pressure there). Without either: \
                   manifold pressure at least 90 % of the highest settled one at that engine speed and 85 % of \
                   barometric. Running, above 1.3 times idle speed.",
    },
];
