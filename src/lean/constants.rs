//! Every number the lean verdicts stand on, with its unit and where it comes from.

/// How well founded a constant is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tag {
    /// A publication or standard says so.
    Sourced,
    /// Follows from arithmetic or from a simulation of the measurement chain.
    Computed,
    /// Chosen; to be replaced when labelled real logs exist.
    Assumed,
}

impl Tag {
    /// The word for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Sourced => "sourced",
            Self::Computed => "computed",
            Self::Assumed => "assumed",
        }
    }
}

/// One number.
#[derive(Debug, PartialEq)]
pub struct Constant {
    /// Name, as `explain` prints it.
    pub name: &'static str,
    /// Value in `unit`.
    pub value: f64,
    /// Unit.
    pub unit: &'static str,
    /// How well founded.
    pub tag: Tag,
    /// Why this value.
    pub why: &'static str,
}

macro_rules! constants {
    ($($ident:ident = $value:literal $unit:literal $tag:ident $why:literal;)*) => {
        $(#[doc = $why]
        pub static $ident: Constant = Constant {
            name: stringify!($ident),
            value: $value,
            unit: $unit,
            tag: Tag::$tag,
            why: $why,
        };)*

        /// Every constant, in the order of this file.
        pub static ALL: &[&Constant] = &[$(&$ident,)*];
    };
}

constants! {
    HYSTERESIS = 0.01 "lambda" Assumed "an episode ends this far below its limit, the tolerance of a new sensor at 0.80";
    MERGE_TAU = 3.0 "tau" Computed "after three time constants 95 % of a step has passed: closer episodes are one piece of gas";
    MERGE_CUT_S = 1.0 "s" Assumed "cuts within one closed-throttle stretch are one event";
    SIGNIFICANCE = 2.5 "sigma" Assumed "an excursion smaller than this many noise deviations of its mean is a reading at the limit";
    PART_LOAD_LAMBDA = 1.15 "lambda" Assumed "closed-loop part load holds 1.0 and swings to about 1.1 on transients";
    SWING_MEAN = 0.05 "lambda" Assumed "a closed loop that works keeps the mean of a swing nearer to 1 than this";
    RICH_HOLD_S = 0.5 "s" Assumed "without a load channel the mixture counts as held rich after this long below the limit";
    RICH_HOLD_MEMORY_S = 10.0 "s" Assumed "without a load channel an excursion longer than this is another operating state";
    LOAD_AMBIENT_SHARE = 0.92 "of ambient" Assumed "manifold pressure above this share of ambient is full load";
    WHOLE_TRAVEL = 0.8 "ratio" Assumed "a throttle that reaches less in this log may not have been wide open, and its manifold says so; controllers scale fully open to 80 to 100 % (common practice, no source)";
    LOAD_THROTTLE_SHARE = 0.90 "of settled maximum" Assumed "throttle above this share of the log's settled maximum is full load";
    CLOSED_THROTTLE = 0.05 "ratio" Sourced "throttle below 5 % is closed (common practice)";
    OVER_RUN_KEPT_RPM = 200.0 "1/min above idle" Assumed "fuel once cut stays cut down to this: controls resume lower than they cut";
    SPEED_FALLS = 300.0 "1/min per s" Assumed "engine speed that falls faster is not idling";
    DRAG_S = 0.25 "s" Assumed "half of the time over which noise of engine speed leaves a slope: dragged, an engine slows down for longer";
    OLD_GAS_LAMBDA = 0.03 "lambda" Assumed "after an opening old gas reads no leaner than this above the leanest reading of the part load before";
    OLD_GAS_S = 2.5 "s" Assumed "the closed loop swings once in this time";
    CLOSED_LOOP_BAND = 0.04 "lambda" Assumed "closed loop holds 1.0 within this";
    CLOSED_LOOP_S = 2.0 "s" Assumed "so long within the closed-loop band is closed loop where nothing tells the load";
    WAY_TO_LOOP_S = 1.5 "s" Assumed "from the limit to closed loop when the driver has closed: what is left in pipe and sensor, and a warm film of 0.2 to 1 s (from memory); of 1 s and 1.5 s the longer leaves fewer events on healthy logs of tune seeds 0-999 and misses no more";
    LATE_ARRIVAL_S = 0.5 "s" Assumed "idling through a long exhaust takes 1 s: by half of that gas may come later than a delay met at other flow says";
    MIXING_S = 0.05 "s" Assumed "gases of before and after a step mix on their way for 5 to 50 ms (from memory)";
    OVER_RUN_RPM = 500.0 "1/min above idle" Assumed "closed throttle faster than this above idle is over-run";
    BURNS_S = 2.0 "s" Assumed "a sensor that has shown a burning mixture for so long since power-up is ready, and the exhaust holds no air of before the start";
    PURGE_S = 10.0 "s" Assumed "several times what an idling engine needs to breathe out a long exhaust";
    STANDING_RPM = 40.0 "1/min" Assumed "no starter turns an engine this slowly: it stands";
    RUNNING_RPM = 300.0 "1/min" Assumed "slower than this the engine does not run by itself";
    RUNS_DUTY = 0.2 "ratio" Computed "a starter turns an engine in 240 ms through a cycle or more slowly, and even 40 ms of injection are a sixth of that";
    TRANSITION_TAU = 2.5 "tau" Computed "from air to lambda 0.88 on the way to 0.80 takes 2.4 time constants";
    OPENING_S = 1.0 "s" Assumed "an event within this time after opening has the tip-in prior";
    POWER_UP_S = 60.0 "s" Assumed "an event within this time after power-up has the power-up prior";
    ASSUMED_RPM = 3000.0 "1/min" Assumed "for the delay of the gas where engine speed is not logged";
    LEAST_RPM = 600.0 "1/min" Assumed "slower turning is starting: the delay of the gas is not followed further";
    ASSUMED_MANIFOLD_PA = 60_000.0 "Pa" Assumed "for the delay of the gas where manifold pressure is not logged";
    LEAST_MANIFOLD_PA = 20_000.0 "Pa" Assumed "no running engine breathes less";
    HELD_S = 2.0 "s" Assumed "speed and pressure are taken to last this long after their last sample";
    EXHAUST_VOLUME = 3_780_000.0 "1/min Pa s" Computed "2 L four with 2 L of exhaust: 7 ms at 3000 rpm and 180 kPa; used where the log shows no change of load";
    PATH_CHANGES = 3.0 "changes" Assumed "fewer changes of load may all be late for a reason of their own, a film that fills";
    LONGEST_DELAY_S = 2.0 "s" Assumed "idling through a long exhaust takes 1 s";
    CHANGE_S = 0.5 "s" Assumed "a change of load that takes longer has no clear moment";
    SETTLED_S = 0.5 "s" Assumed "so long the mixture must be steady before a change of load shows its arrival";
    ARRIVAL_PHI = 0.03 "1/lambda" Assumed "closed loop and film move the mixture by less while the load is steady";
    EMPTIES_S = 1.0 "s" Computed "a closed throttle empties 3 L of manifold at 1500 1/min and 2 L in 0.12 s; several times that";
    LOSES_BOOST_S = 0.3 "s" Computed "a closed throttle halves the pressure of a manifold of the engine's own volume in one cycle or two: 0.12 s at 1500 1/min, twice that for a larger one";
    NO_LOAD_SHARE = 0.70 "of ambient" Assumed "manifold pressure below this share of ambient asks for no enrichment";
    NO_LOAD_THROTTLE = 0.15 "ratio" Assumed "a throttle below this is part load at any speed of travel";
    CEILING_SHARE = 0.985 "of ceiling" Assumed "at or above this share of the recurring ceiling the limiter may act";
    AMBIENT_PA = 101_325.0 "Pa" Sourced "standard atmosphere at sea level, used without a barometric channel";
    TAU_STRICT_QUANTILE = 0.002 "probability" Computed "0.2 % of healthy sensors are faster (30 ms for the prior)";
    SLEW_PERIOD_S = 0.0105 "s" Computed "the slew test rejects spikes and no real event only near 100 Hz";
    PHI_RICH_LIMIT = 1.67 "1/lambda" Computed "lambda 0.6 does not fire, so no gas asks for more";
    LR_SLEW = 2.5 "log10" Computed "65 % of simulated spikes against 0 of 1500 real events";
    TAU_EXTREME_QUANTILE = 1.5e-5 "probability" Computed "15 healthy sensors in a million are faster (20 ms for the prior)";
    LR_SLEW_EXTREME = 3.0 "log10" Computed "impossible for such a sensor too: 65 % of spikes against what the belief in tau leaves";
    LR_SUB_FRAME = 2.5 "log10" Computed "a value shorter than a link frame did not come through the link";
    SUB_FRAME_SHARE = 0.85 "of frame" Assumed "a frame may come this early: three deviations of a link with 5 % jitter";
    LR_CODE = 1.5 "log10" Computed "an exact code or a single flipped bit is rarely a reading";
    LR_STALE_STRONG = 3.0 "log10" Computed "most that a flat run may say: ten equal samples at noise of one step have 6e-5";
    LR_REST_BY_CHANCE = 1.0 "log10" Assumed "a link that freezes shows exactly the rest value in one case of ten";
    STALE_FRAMES = 10.0 "frames" Computed "shorter runs of equal samples occur by chance";
    STALE_NOISE_STEPS = 0.5 "steps" Computed "below this noise a flat run is normal";
    LR_MANY_CHANNELS = 1.5 "log10" Assumed "an engine cannot step coolant and lambda in one row";
    LR_SEVERAL_CHANNELS = 2.5 "log10" Assumed "two channels that no engine moves so, in the row in which lambda jumps";
    GLITCH_ROWS_S = 0.11 "s" Assumed "no throttle, manifold or rail goes out and comes back within this together with lambda, which gas reaches late";
    GLITCH_SPREADS = 8.0 "spreads" Assumed "a jump of a slow channel beyond its own noise and back";
    LR_TAIL = 0.2 "log10" Computed "electrics have no reason to decay with the sensor's time constant, but what sits on gas does: measured on tune seeds 0-2999";
    TAIL_QUANTILE = 0.05 "probability" Computed "one healthy sensor in twenty is faster (43 ms for the prior)";
    TAIL_RICHER = 1.1 "ratio" Assumed "after a lean moment an engine burns no richer than this against before it";
    LR_NO_TAIL = 1.0 "log10" Computed "a tail is missing for one sensor in twenty, and twice as often for gas that comes back richer";
    TAIL_TOLERANCE = 0.30 "ratio" Assumed "fitted against own time constant";
    LR_ROOT_LAW = 2.0 "log10" Assumed "two independent instruments agree in numbers";
    LR_PRESSURE_FIRST = 1.5 "log10" Assumed "pressure dips, then lambda rises after the delay";
    ROOT_LAW_LAMBDA = 0.03 "lambda" Assumed "agreement with the square-root law";
    PRESSURE_DROP = 0.08 "ratio" Computed "less pressure by 8 % leans 0.80 to 0.834: beyond the tolerance of either instrument";
    PRESSURE_STEADY = 0.02 "ratio" Computed "2 % of pressure moves lambda by 1 %";
    PRESSURE_WINDOW_S = 0.3 "s" Assumed "shorter looks at the pressure prove nothing";
    LR_PRESSURE_STEADY = -1.5 "log10" Assumed "steady pressure over the injectors speaks against supply";
    DUTY_LIMIT = 0.95 "ratio" Sourced "injectors cannot close between pulses above about 95 % (common practice)";
    NEAR_LIMIT = 0.02 "lambda" Assumed "a healthy reading may be off by so much (the tolerance of trust); data sheets of two sensors state 0.01 when new, and exhaust pressure adds as much";
    SETTLES_S = 0.7 "s" Assumed "once load has come, a warm film fills and gas reaches the sensor within this";
    SETTLED_TAU = 4.0 "tau" Computed "from 1.0 to 0.80 a reading is then within 0.005 of where it goes";
    COMMANDED_S = 1.5 "s" Assumed "less of settled full load is one corner of the map";
    SCALED_S = 4.0 "s" Assumed "several periods of a closed loop: less does not show what it holds";
    ENRICHED_LAMBDA = 0.93 "lambda" Assumed "a leaner command is none of full load in a boosted petrol engine";
    CUT_PERIOD_S = 0.09 "s" Computed "three cycles harm in 0.06 s at 6000 1/min, and cuts under load last 0.05 to 0.3 s: readings 0.1 s apart show one of the cut and none of what lies beside it";
    DUTY_ROOM = 0.90 "ratio" Assumed "below this the injectors have room";
    LR_DUTY = 1.5 "log10" Assumed "duty at its limit while demand grows";
    LR_DUTY_ELSE = -1.0 "log10" Assumed "a lean map or a lagging film meets injectors at their end by chance in one of ten cases";
    KNOCK_ALIKE = 1.1 "ratio" Assumed "knock level of one sample scatters by a tenth between pulls that are alike";
    LR_KNOCK = 1.0 "log10" Assumed "knock grows with the event";
    LR_CUT_COMMANDED = 2.5 "log10" Assumed "fuel commanded off, or throttle closed with low manifold pressure: the definition of a cut";
    LR_CUT_THROTTLE_ONLY = 1.5 "log10" Assumed "throttle closed above idle speed, manifold pressure unknown";
    LR_FUEL_COMMANDED = -2.0 "log10" Assumed "injector duty stays up: fuel was not cut";
    LR_FUEL_LEFT_ON = -0.5 "log10" Assumed "limiters and gear changes often cut the spark or single cylinders: duty stays up";
    LR_THROTTLE_OPEN = -2.0 "log10" Assumed "an open throttle is no over-run";
    PIPE_FACTOR = 12.0 "ratio" Assumed "a small engine on a large pipe reads this much later than a 2 litre one on a 2 litre pipe";
    COLD_GAS_VOLUME = 1.5 "ratio" Assumed "gas of idle at 750 K in the pipe is so much denser than gas of full load at 1150 K (temperatures from memory)";
    LATEST_GAS_S = 1.5 "s" Assumed "gas read later than this is not looked for";
    LATE_READ_S = 10.0 "s" Assumed "a reading that is later than this is noticed by whoever drives";
    STRETCH = 3.0 "ratio" Computed "air of a cut at 4500 rpm passes the sensor at idle in three times the time";
    CLOSED_MANIFOLD_SHARE = 0.45 "of ambient" Assumed "a manifold above idle speed holds less only with a closed throttle";
    DUTY_ZERO = 0.005 "ratio" Assumed "injector duty below this is off";
    PULSE_ZERO_S = 2e-4 "s" Assumed "a pulse below this opens no injector: their dead time is 0.3 to 1 ms (from memory)";
    UNFED_BURNS_S = 0.25 "s" Assumed "gas that fires for so long without fuel was fed: a film gives a part of it, and within a few cycles";
    FLICKERS_S = 1.0 "s" Assumed "over so long the fuel of the port walls is a small part of all that is burnt";
    UNFED_SHUT_S = 1.0 "s" Assumed "the same on a closed throttle, where a link that stands or a cold sensor may read so for less";
    LOW_MANIFOLD_SHARE = 0.65 "of ambient" Assumed "a closed throttle above idle speed holds the manifold below this";
    LR_CEILING = 1.0 "log10" Assumed "engine speed at its ceiling, once: starvation may end a pull there too";
    LR_CEILING_AGAIN = 1.5 "log10" Assumed "engine speed at its ceiling and lean there at other visits too";
    LR_CLEAN_CEILING = -1.5 "log10" Assumed "other visits to the ceiling read no lean: a limiter acts every time";
    LR_BELOW_CEILING = -2.0 "log10" Assumed "engine speed below 95 % of its ceiling";
    CEILING_NEAR = 0.98 "of ceiling" Assumed "what was lean below this was not made so by the limiter";
    CEILING_MET = 0.995 "of ceiling" Assumed "a limiter has acted once this share was reached";
    LIMITER_BAND = 0.965 "of ceiling" Assumed "a limiter that acts has let go below this: its band is 1 to 3 % wide";
    STROKE_SHARE = 0.004 "of ceiling" Assumed "a limiter turns speed back by 1 to 3 %; noise of the channel is a tenth of that";
    LR_CEILING_HELD = 2.0 "log10" Assumed "engine speed stopped or turned back at the recurring ceiling, throttle open";
    SAW_TEETH = 3.0 "turns" Assumed "twice a failing supply may turn the engine back at one speed, hardly three times";
    LR_SAW_TOOTH = 2.5 "log10" Assumed "engine speed turned back there three times within one event: only a limiter knows that speed";
    LR_GEAR_CHANGE = 2.0 "log10" Assumed "engine speed drops to the next ratio, throttle open";
    SHORTEST_FILM_S = 0.2 "s" Assumed "warm films return in 0.2 to 1 s (from memory): over less nothing is seen to decay";
    LONGEST_FILM_S = 2.5 "s" Assumed "three time constants of a warm film: an excess that lasts longer is hardly one; on tune seeds 0-2999 a tenth as often as from other causes";
    STAYS_SHARE = 0.8 "of peak" Assumed "an excess that keeps this share until a second after its peak, or until it ends at the sensor's own speed, does not decay";
    LR_GEAR_CHANGE_BESIDE = 0.5 "log10" Assumed "the same where depth or rate of the reading does not show a cut";
    LR_NO_GEAR_CHANGE = -1.5 "log10" Assumed "engine speed does not drop to another ratio";
    SHIFT_PERIOD_S = 0.055 "s" Computed "a shift of 0.1 s needs two fresh readings to be told from what came before";
    SHIFT_ROAD = 0.93 "ratio" Assumed "road speed falls less than this over a change up under load";
    SHIFT_FALL = 0.9 "ratio" Assumed "no two neighbouring gears are closer";
    SHIFT_STEP = 0.5 "ratio" Assumed "no two neighbouring gears are further apart";
    CUT_RATIO = 1.3 "times" Computed "a cut of all cylinders for 30 ms leans a sensor of 80 ms by 1.45";
    DEEP_RATIO = 1.9 "times" Computed "half of the fuel in the film and five times the air give 1.67; 20 % more demand than injectors give 1.2";
    LR_TOO_DEEP = -2.0 "log10" Computed "no film and no injector at its limit leans so far";
    LR_NO_DECAY = -1.0 "log10" Assumed "a warm film of 0.2 to 1 s has given back most of its deficit after a second; a cold one may not";
    FILM_SECOND_S = 1.0 "s" Assumed "one time constant of the slowest warm film";
    LR_UNLOAD = 1.5 "log10" Computed "faster than full torque can turn the engine in gear, throttle open before: only without load";
    LR_NO_FLARE = -1.0 "log10" Assumed "speed did not rise faster than in gear; a flare of a tenth of a second may hide";
    FLARE_SHARE = 1.5 "of best in gear" Assumed "steeper is not in gear";
    LR_TORQUE = 1.3 "log10" Computed "a 25 % torque change in 0.3 s windows: LR 9 to 22";
    LR_TORQUE_WEAK = 0.6 "log10" Computed "a 17 % torque change: LR 4";
    LR_TORQUE_FITS = 0.5 "log10" Computed "torque falls as the mixture says: measured on tune seeds, a driver or a slope does so too";
    TORQUE_WINDOW_S = 0.3 "s" Computed "shorter slopes of engine speed drown in noise";
    TORQUE_MODEL = 0.10 "ratio" Assumed "model error of torque from acceleration";
    FIRES_LAMBDA = 1.3 "lambda" Assumed "leaner charges begin to misfire by themselves";
    LR_MISFIRE_TORQUE = 1.3 "log10" Assumed "torque falls more than the mixture explains";
    LR_PULLS_LESS = 1.0 "log10" Computed "most that torque beside other pulls says of misfire: measured on tune seeds 0-2999 (0.6 to 1.0), where lean charges that fail lose torque too";
    LR_RIPPLE = 0.3 "log10" Computed "engine speed becomes rough with the event; on tune seeds it does so nearly as often without misfire";
    RIPPLE_RATIO = 2.5 "ratio" Assumed "roughness of engine speed against before";
    EGT_TAU_S = 2.0 "s" Assumed "sheathed thermocouple, 1 to 10 s";
    LR_EGT = 0.5 "log10" Assumed "slow and ambiguous witness";
    EGT_STEP_K = 15.0 "K" Assumed "smaller changes are within its wander";
    LR_REPEAT = 0.5 "log10" Computed "a lean reading in the same cell of another pass: measured on tune seeds (0.4 to 1.1 for one and more)";
    LR_REPEAT_CAP = 1.0 "log10" Assumed "at most two further passes count";
    LR_REPEAT_ELECTRICAL = 0.3 "log10" Assumed "ground and ignition noise repeat too";
    LR_CLEAN_PASS = -0.7 "log10" Computed "a systematic cause misses a pass in 0.2 of cases";
    LR_CLEAN_PASSES = -1.0 "log10" Computed "several clean passes: measured on tune seeds (-1.1)";
    CELL_RPM = 500.0 "1/min" Assumed "operating cell";
    CELL_PA = 20_000.0 "Pa" Assumed "operating cell";
    PASS_GAP_S = 2.0 "s" Assumed "visits of a cell closer than this are one pass";
    LR_SAME_FAULT = 0.2 "log10" Computed "the same proven electrical fault occurs elsewhere in the log: measured on tune seeds (0.2 to 0.3)";
    LR_CAUSALITY_OVERRUN = -0.5 "log10" Computed "lambda rose before the throttle closed: measured on tune seeds, true over-runs show it a third as often as others";
    CLOCK_ROWS = 5.0 "rows" Assumed "so many rows of one time are no stutter of a clock";
    AFTER_STANDSTILL_S = 1.0 "s" Assumed "so long after a standstill of the log the reading still shows gas of rows that are not known: the way through a long exhaust at idle takes 1 s";
    CREST_S = 0.1 "s" Assumed "an engine that a limiter turns back does not stand to the digit for so long: at 500 rpm/s, the slowest climb of a high gear, it moves by 50 rpm meanwhile";
    UNCUT_S = 0.5 "s" Assumed "a limiter that acts cuts several times a second: at its ceiling no mixture stays rich for so long";
    UNCUT_FRAMES = 4.0 "frames" Assumed "so many readings in a row miss the cuts of a limiter that is at work by no chance";
    ROAD_LATE_S = 0.3 "s" Assumed "filters of road speed; what it still climbs after that it climbs now";
    ROAD_CLIMBS = 0.05 "ratio" Assumed "the band of a limiter is 1 to 3 % wide: in one gear road speed climbs by no more";
    DOUBT_BRIDGED_S = 0.2 "s" Assumed "spikes and dropouts are over by then: what a channel read before a longer doubt says nothing of the moment";
    SKEW_S = 0.02 "s" Assumed "time between channels of one row where the log does not tell";
    LR_RESET = 2.5 "log10" Assumed "rest value of the power-up comes back and stays: a state machine";
    LR_RESET_QUIET = 1.5 "log10" Assumed "a channel without noise of its own may rest at such a value by chance";
    LR_WARM_UP_CURVE = 1.0 "log10" Assumed "the curve of the power-up comes back, unlike the sensor's own way";
    CURVE_TOLERANCE = 0.35 "ratio" Assumed "two warm-up curves of one controller, each from a few values";
    RESET_STOP_S = 2.0 "s" Assumed "a reset to the end stop is looked for in runs at least this long";
    PULL_WINDOW_S = 0.5 "s" Assumed "slope of engine speed in one window, longer than the 0.3 s that noise needs";
    PULL_MATCH = 0.07 "ratio" Assumed "windows this close in engine speed, gear ratio and manifold pressure compare";
    PULL_CLIMB = 150.0 "1/min per s" Assumed "a gear in which no pass climbs faster says nothing of torque";
    PULL_LEFT_S = 1.0 "s" Assumed "windows begin every quarter of a second: what a lift or the ceiling leaves over of a pull is no longer";
    BLIP_S = 0.7 "s" Assumed "a blip between two gears turns an engine up for no longer";
    STANDS_SPEED = 1.2 "times" Computed "through a plate that is nearly shut air flows as fast as sound: manifold pressure goes with one over engine speed, so that 20 % of it are 5 kPa of 25";
    STANDS_REACH_S = 1.0 "s" Assumed "so far beside an event a sensor that stands is looked for";
    LOST_PERIODS = 2.5 "periods" Assumed "a channel that has missed two of its turns is not read: one late value is no loss";
    LOST_S = 0.15 "s" Assumed "no driver opens the throttle, finishes a pull and closes it again in less";
    WORK_RPM = 0.15 "ratio" Assumed "torque at full load changes little over so much of engine speed";
    WORK_NEAR_S = 3.0 "s" Assumed "within one pull, where nothing else shows that the gear is the same";
    WORK_CLIMB = 0.8 "of full load" Assumed "an engine that climbs so fast in its gear is at full load or near it, whatever its throttle reads; a lean danger costs a tenth";
    WORK_BEYOND = 0.3 "of full load" Assumed "torque goes with manifold pressure within this";
    EMPTIEST_PA = 10_000.0 "Pa" Assumed "no throttle empties the manifold of a running engine so far: over-run reads 20 to 30 kPa (common practice, no source)";
    KEPT_RPM = 0.02 "ratio" Assumed "engine speed that is the same: torque that a propeller takes goes with its square";
    KEPT_LEAN = 0.1 "ratio" Computed "a lean danger takes up to a fifth of the torque, and the torque of a propeller goes with the square of its speed";
    KEPT_SLOWING = 0.01 "1/s" Computed "with the throttle closed drag alone takes 0.5 m/s2 and more from a car: 1.2 % a second at 40 m/s, more at less, and a propeller all of its speed within a second";
    WORK_FUEL = 0.9 "of full load" Assumed "fuel of one cycle goes with its air, and full load is fed richer besides: part load stays below";
    PULL_FREE = 0.5 "of best in gear" Assumed "climbing slower than this the load takes most of the torque";
    PULL_PROOF = 1.3 "log10" Computed "pooled over windows: full torque against the loss that the reading implies";
    RESET_HOLD_S = 1.0 "s" Assumed "a reset lasts longer than this";
    LR_ZERO_LAG = 1.5 "log10" Assumed "gas needs the delay, current does not";
    VOLTAGE_STEP_V = 0.15 "V" Assumed "smallest step of supply that counts as a switched load";
    LR_DILUTION = 1.5 "log10" Assumed "offset shrinks as one over air flow";
    DILUTION_LEAST = 0.05 "ratio" Assumed "a smaller share of leak air is within the swing of a closed loop";
    DILUTION_FIT = 0.35 "ratio" Assumed "agreement of an event with the leak that the rest of the log shows";
    FLOW_RATIO = 2.0 "ratio" Assumed "less spread of air flow cannot show the dilution law";
    EPSILON = 0.001 "probability" Assumed "share of unknown causes in every likelihood: total evidence within one log is at most 3 decades";
    LOSS_RATIO = 100.0 "ratio" Assumed "an engine against one more pass";
    PRIOR_FACTOR = 3.0 "ratio" Assumed "verdicts must survive priors wrong by this factor";
    CUT_HAZARD_ROBUST = 0.048 "probability" Assumed "hazard left to a cut under a third of its prior (loss ratio 20)";
    REAL_PROBABILITY = 0.70 "probability" Assumed "named real above this; undetermined is treated the same way";
    MISFIRE_PROBABILITY = 0.50 "probability" Assumed "named misfire above this";
    CAUSE_SHARE = 0.60 "share" Assumed "share of a cause within real to be named";
    PROOF_COVERAGE = 0.90 "ratio" Assumed "share of the event's fresh samples a proof must cover";
    BEFORE_S = 1.0 "s" Assumed "so long before a cut the gas must not have been lean under load";
    GAS_SIGMAS = 3.0 "sigma" Computed "one in 700 for each of the readings looked at";
    SMOOTH_TAU = 0.7 "tau" Computed "over this share of a time constant noise is amplified by 2.2 at most";
    BETWEEN_RATIO = 1.15 "ratio" Assumed "no mixture between two cuts is so much richer than the one before them";
    BETWEEN_SPREAD = 0.9 "ratio" Assumed "strokes of one limiter are alike: one that comes back leaner than this share of the others is not";
    CLIMB_PERIOD_S = 0.11 "s" Computed "an engine that climbs at 1500 1/min per s burns for 0.1 s in the 2 % of speed between two cuts of a limiter: slower readings show none of it";
    HARMFUL_CYCLES = 4.0 "intake to exhaust" Computed "three cycles of 720 degrees; from intake to exhaust are three quarters of one";
    SHIFT_S = 1.0 "s" Assumed "no change of gear under load takes longer";
    BOOST_PA = 120_000.0 "Pa" Assumed "above this manifold pressure the re-entry after a cut is judged on its own";
    RE_ENTRY_S = 0.2 "s" Assumed "longer between 0.9 and 1.15 after a cut is not the sensor's return";
    RE_ENTRY_LOW = 0.9 "lambda" Assumed "lower end of the band in which re-entry harms";
    RE_ENTRY_HIGH = 1.15 "lambda" Assumed "upper end of that band";
    BROWN_OUT_V = 9.0 "V" Sourced "ISO 16750-2 supply code C begins at 9 V";
    SAG_V = 10.5 "V" Sourced "ISO 16750-2 supply code D begins at 10.5 V";
    BLIND_TAU = 0.8 "tau" Computed "0.8 tau of lambda 1.0 from 0.80 reads 0.90";
    BLIND_PERIODS = 2.0 "frames" Computed "shorter events can fall between frames";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_constant_is_finite_and_says_why() {
        for constant in ALL {
            assert!(constant.value.is_finite() && constant.why.len() > 10, "{}", constant.name);
        }
    }
}
