use super::*;
use crate::chain;
use crate::log::{Clock, ClockBasis, Log, Role, Source, UNITS, Unit};
use crate::rig::Rig;
use crate::state::{States, bit};

/// 120 s at 50 Hz: idle at lambda 1, ten fuel cuts of 4 s into air, first-order sensor, two voltages, one current.
struct Bench {
    /// To leaner gas.
    tau_s: f64,
    /// Factor on it to richer gas.
    return_ratio: f64,
    gain: f64,
    clip: f64,
    resistance: f64,
    /// To leaner gas.
    latency_s: f64,
    /// To richer gas.
    return_latency_s: f64,
    humidity: bool,
}

impl Default for Bench {
    fn default() -> Self {
        Self {
            tau_s: 0.08,
            return_ratio: 1.0,
            gain: 1.0,
            clip: 1e6,
            resistance: 0.04,
            latency_s: 0.0,
            return_latency_s: 0.0,
            humidity: false,
        }
    }
}

const RATE_HZ: f64 = 50.0;
const ROWS: usize = 6_000;

impl Bench {
    fn log(&self) -> (Log, States) {
        let mut time_s = Vec::new();
        let mut lambda = Vec::new();
        let mut duty = Vec::new();
        let mut bits = Vec::new();
        let mut amps = Vec::new();
        let mut supply = Vec::new();
        let (mut now, mut phi): (f64, f64) = (0.0, 1.0);
        let into = |t: f64| t - 12.0 * (t / 12.0).floor() - 6.0 - 0.0037 * ((t / 12.0).floor() % 5.0);
        let cut = |t: f64| (0.0..4.0).contains(&into(t));
        let gas_s = Chain::delay_s(2_500.0, Some(30_000.0));
        for row in 0..ROWS {
            let due = row as f64 / RATE_HZ;
            while now < due {
                let air = gas_s + self.latency_s..4.0 + gas_s + self.return_latency_s;
                let gas = if air.contains(&into(now)) { 0.0 } else { 1.0 };
                let tau_s = if gas > phi { self.tau_s * self.return_ratio } else { self.tau_s };
                phi += (gas - phi) * (1.0 - (-1e-3 / tau_s).exp());
                now += 1e-3;
            }
            time_s.push(due);
            // Gain acts on net oxygen, about 1 - phi.
            let read =
                (1.0 - self.gain * (1.0 - phi)).max(1e-4) + 0.001 * ((row * 31 % 7) as f64 / 3.0 - 1.0);
            lambda.push(read.max(1e-4).recip().min(self.clip));
            duty.push(if cut(due) { 0.0 } else { 0.12 });
            bits.push(if cut(due) { bit::RUNNING | bit::OVER_RUN } else { bit::RUNNING | bit::IDLE });
            let load = if row % 400 < 200 { 1.0 } else { 6.0 };
            amps.push(load);
            supply.push(13.8 - self.resistance * load);
        }
        let make = |name: &str, role: Role, unit: &str, values: Vec<f64>| {
            let unit = Unit::parse(unit).unwrap_or(&UNITS[0]);
            let mut channel = Channel::new(name.into(), role, unit, values, None);
            channel.measured.sample_period_s = Some(1.0 / RATE_HZ);
            channel
        };
        let mut channels = vec![
            make("Lambda", Role::Lambda, "lambda", lambda),
            make("Duty", Role::InjectorDuty, "%", duty),
            make("RPM", Role::EngineSpeed, "rpm", vec![2_500.0; ROWS]),
            make("MAP", Role::ManifoldPressure, "kPa", vec![30_000.0; ROWS]),
            make("Battery", Role::BatteryVoltage, "V", vec![13.8; ROWS]),
            make("Supply", Role::SupplyVoltage, "V", supply),
            make("Heater", Role::Other, "A", amps),
        ];
        if self.humidity {
            channels.push(make("Humidity", Role::Humidity, "%", vec![0.8; ROWS]));
            channels.push(make("Ambient", Role::AmbientTemperature, "degC", vec![303.15; ROWS]));
        }
        channels[0].measured.clip_high = (self.clip < 1e5).then_some(self.clip);
        channels[0].measured.resolution = Some(0.001);
        let clock = Clock {
            segments: vec![0..ROWS; 1],
            events: Vec::new(),
            period_s: Some(1.0 / RATE_HZ),
            resolution_s: 0.001,
            start: None,
            basis: ClockBasis::Column { name: "Time".to_owned() },
            time_s,
        };
        let source = Source::made_up("test");
        let log = Log { source, clock, channels, text_columns: Vec::new(), notes: Vec::new() };
        (log, States { bits, ..States::default() })
    }

    fn metrics(&self) -> Vec<HealthMetric> {
        let (log, state) = self.log();
        let rig = Rig::default();
        let chain = chain::measure(&log, &state, &rig);
        let view =
            View { log: &log, state: &state, rig: &rig, chain: chain.as_ref(), findings: &[], rest: &[] };
        let flags = log.channels.iter().map(|_| vec![crate::flag::Flag::Good; ROWS].into()).collect();
        measure(&view, &Detection { flags, ..Detection::default() })
    }
}

fn find<'a>(metrics: &'a [HealthMetric], name: &str) -> &'a HealthMetric {
    metrics.iter().find(|metric| metric.metric == name).expect("metric")
}

#[test]
fn every_metric_of_the_registry_is_reported_and_no_other() {
    let metrics = Bench::default().metrics();
    for meta in ALL {
        assert!(metrics.iter().any(|metric| metric.metric == meta.name), "{}", meta.name);
    }
    assert!(metrics.iter().all(|metric| ALL.iter().any(|meta| meta.name == metric.metric)));
    assert!(metrics.iter().all(|metric| !metric.because.is_empty()));
    assert!(
        metrics
            .iter()
            .all(|m| m.status == HealthStatus::NotMeasurable || (m.low <= m.value && m.value <= m.high)),
        "{metrics:#?}"
    );
}

#[test]
fn time_constants_are_measured_and_judged_against_the_healthy_one() {
    let healthy = Bench::default().metrics();
    let lean = find(&healthy, "time_constant");
    assert_eq!(
        (lean.direction.as_deref(), lean.status),
        (Some("rich_to_lean"), HealthStatus::Ok),
        "{lean:?}"
    );
    assert!((lean.value.expect("value") / 0.08 - 1.0).abs() < 0.15, "{lean:?}");
    let slow = Bench { tau_s: 0.20, ..Bench::default() }.metrics();
    let lean = find(&slow, "time_constant");
    assert_eq!(lean.status, HealthStatus::Act, "{lean:?}");
    let pattern = find(&slow, "response_asymmetry");
    assert!(pattern.because.contains("slow response in both directions"), "{pattern:?}");
}

#[test]
fn a_clipped_channel_measures_neither_entry_nor_air() {
    let metrics = Bench { clip: 1.36, ..Bench::default() }.metrics();
    let lean = find(&metrics, "time_constant");
    assert_eq!((lean.status, lean.value), (HealthStatus::NotMeasurable, None));
    assert!(lean.because.contains("end stop"), "{}", lean.because);
    let air = find(&metrics, "free_air");
    assert!(air.because.contains("at least"), "{}", air.because);
}

#[test]
fn free_air_shows_the_gain_and_counts_humidity() {
    let metrics = Bench { gain: 0.93, ..Bench::default() }.metrics();
    let air = find(&metrics, "free_air");
    // Humidity unknown: 0.93 is read, between 0.93 and 0.98 of what this air may hold.
    assert!(air.low.expect("low") < 0.955 && 0.93 < air.high.expect("high"), "{air:?}");
    // 30 degrees Celsius and 80 % hold 20.246 % oxygen (computed): a sensor in order reads 0.9666.
    let humid = Bench { gain: 20.246 / 20.946, humidity: true, ..Bench::default() }.metrics();
    let air = find(&humid, "free_air");
    assert!((air.value.expect("value") - 1.0).abs() < 0.01, "{air:?}");
    assert_eq!(air.status, HealthStatus::Ok);
}

#[test]
fn dead_time_is_what_the_gas_does_not_explain_even_on_a_clipped_channel() {
    for clip in [1e6, 1.36] {
        for latency_s in [0.0, 0.15] {
            let bench = Bench { clip, latency_s, return_latency_s: 0.5 * latency_s, ..Bench::default() };
            let metrics = bench.metrics();
            let dead: Vec<&HealthMetric> = metrics.iter().filter(|m| m.metric == "dead_time").collect();
            for (found, truth) in dead.iter().zip([latency_s, 0.5 * latency_s]) {
                // A clipped channel does not show its time constant, and the delay inherits that doubt.
                let allowed_s = if clip > 1e5 { 0.02 } else { 0.03 };
                assert!((found.value.expect("value") - truth).abs() < allowed_s, "{clip} {truth}: {found:?}");
                assert!(found.low.is_some_and(|low| low < truth + 0.01), "{clip} {truth}: {found:?}");
                assert!(found.events >= 9, "{found:?}");
            }
        }
    }
}

#[test]
fn the_gas_delay_is_refused_where_the_flow_does_not_vary() {
    let metrics = Bench::default().metrics();
    let gas = find(&metrics, "gas_delay");
    assert_eq!((gas.status, gas.value), (HealthStatus::NotMeasurable, None));
    assert!(gas.because.contains("flow varies too little"), "{}", gas.because);
}

#[test]
fn the_six_patterns_of_the_regulation_are_named_and_a_healthy_sensor_has_none() {
    let healthy = Bench::default();
    let slow = |tau_s: f64, return_ratio: f64| Bench { tau_s, return_ratio, ..Bench::default() };
    let late =
        |latency_s: f64, return_latency_s: f64| Bench { latency_s, return_latency_s, ..Bench::default() };
    for (bench, name) in [
        (healthy, "none of the six"),
        (slow(0.25, 0.32), "slow response, rich to lean (asymmetric)"),
        (slow(0.08, 3.0), "slow response, lean to rich (asymmetric)"),
        (slow(0.22, 1.0), "slow response in both directions (symmetric)"),
        (late(0.25, 0.0), "delayed response, rich to lean (asymmetric)"),
        (late(0.0, 0.25), "delayed response, lean to rich (asymmetric)"),
        (late(0.25, 0.25), "delayed response in both directions (symmetric)"),
    ] {
        let metrics = bench.metrics();
        let found = find(&metrics, "response_asymmetry");
        assert!(found.because.starts_with(&format!("pattern: {name};")), "{name}: {}", found.because);
    }
}

#[test]
fn loop_resistance_is_the_slope_over_the_current() {
    let metrics = Bench { resistance: 0.25, ..Bench::default() }.metrics();
    let loop_ohm = find(&metrics, "supply_resistance");
    assert!((loop_ohm.value.expect("value") - 0.25).abs() < 0.005, "{loop_ohm:?}");
    assert_eq!((loop_ohm.status, loop_ohm.channel.as_str()), (HealthStatus::Act, "Supply"));
    let drop = find(&metrics, "supply_drop");
    assert_eq!(drop.status, HealthStatus::Watch, "{drop:?}");
}

#[test]
fn warm_up_is_read_from_the_rest_value() {
    let (mut log, state) = Bench::default().log();
    let mut values = log.channels[0].values().to_vec();
    values[..600].fill(1.5);
    let measured = log.channels[0].measured.clone();
    log.channels[0] = Channel::new("Lambda".into(), Role::Lambda, &UNITS[0], values, None);
    log.channels[0].measured = measured;
    log.channels[0].measured.rest_value = Some(1.5);
    let rig = Rig::default();
    let chain = chain::measure(&log, &state, &rig);
    let view = View { log: &log, state: &state, rig: &rig, chain: chain.as_ref(), findings: &[], rest: &[] };
    let metrics = measure(&view, &Detection::default());
    let warm = find(&metrics, "warm_up_time");
    assert!((warm.value.expect("value") - 12.0).abs() < 0.05, "{warm:?}");
}

#[test]
fn no_mixture_channel_means_no_metric() {
    let (mut log, state) = Bench::default().log();
    log.channels.remove(0);
    let rig = Rig::default();
    let view = View { log: &log, state: &state, rig: &rig, chain: None, findings: &[], rest: &[] };
    assert!(measure(&view, &Detection::default()).is_empty());
}
