//! What findings have in common: an electrical event, a place in the engine's map, or one sensor.

use std::collections::BTreeSet;
use std::ops::Range;

use linfa::traits::Transformer;
use linfa_clustering::Dbscan;
use ndarray::Array2;

use super::place::{Place, Rest};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::robust;

/// See its text in `sondeproof explain cluster`.
pub(super) struct Cluster;

static TIME: Limit = Limit {
    name: "time_s",
    unit: "s",
    default: 0.5,
    range: (0.01, 60.0),
    why: "one switching or link event reaches every channel within half a second (skew of at most one slow frame; \
          assumed)",
};
static SPEED: Limit = Limit {
    name: "speed_rpm",
    unit: "/min",
    default: 250.0,
    range: (10.0, 2000.0),
    why: "half a 500 rpm cell of the map, the size in which mixture is reported",
};
static LOAD: Limit = Limit {
    name: "load_kpa",
    unit: "kPa",
    default: 10.0,
    range: (1.0, 100.0),
    why: "half a 20 kPa cell of the map, the size in which mixture is reported",
};
static POINTS: Limit = Limit {
    name: "points",
    unit: "1",
    default: 3.0,
    range: (2.0, 100.0),
    why: "findings that make a cluster: three passes with the same fault are hardly chance (assumed)",
};
static PASS: Limit = Limit {
    name: "pass_s",
    unit: "s",
    default: 3.0,
    range: (0.5, 60.0),
    why: "findings further apart belong to different passes through an operating point (assumed)",
};

static COUNT: Field = Field { name: "findings", unit: "1" };
static CHANNELS: Field = Field { name: "channels", unit: "1" };
static SPAN: Field = Field { name: "span_s", unit: "s" };
static RPM: Field = Field { name: "engine_speed", unit: "/min" };
static KPA: Field = Field { name: "load_kpa", unit: "kPa" };
static PASSES: Field = Field { name: "passes", unit: "1" };

/// More points than this are thinned evenly: density clustering is quadratic in the size of a blob.
const MOST_POINTS: usize = 2_000;

static META: Meta = Meta {
    name: "cluster",
    stage: Stage::Trial,
    phase: Phase::Findings,
    scope: Scope::Log,
    summary: "findings that lie close together in time, at one operating point, or in one channel alone",
    applies_to: &[],
    needs: &[],
    method: "Every finding that covers samples is a point. Density clustering (neighbourhood 1 after division by the \
             limits, at least `points` points) runs twice: over time, and over engine speed and load.\n\n\
             - Close in time and in three channels or more: one **electrical or link** event.\n\
             - Close in engine speed and load, over `points` passes or more, and covering less than half the range \
               the log covers: the **engine** does it there.\n\
             - Mixture findings alone that fit neither and spread over at least half the log and half the speed range: \
               the **sensor** or its link.\n\n\
             What a cluster is compact in is its meaning; it changes no flag.",
    assumes: "Findings of different detectors about the same rows of a channel are one point. The log visits more than \
              one operating point, more than once.",
    misses: "A fault that happens once or twice. An ignition fault that follows engine speed looks like the engine's \
             doing: both are at one operating point. Findings that span the whole log are no points.",
    gaps: Gaps::Span,
    limits: &[&TIME, &SPEED, &LOAD, &POINTS, &PASS],
    evidence: &[&COUNT, &CHANNELS, &SPAN, &RPM, &KPA, &PASSES],
    sources: &["DBSCAN: Ester, Kriegel, Sander, Xu, KDD 1996 (from memory)"],
};

impl Detector for Cluster {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run_log(&self, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let least = limits.get(&POINTS).max(2.0) as usize;
        let points = points(view);
        if points.len() < least {
            return Outcome::not_run(format!("{} findings are too few to lie close together", points.len()));
        }
        let mut taken = vec![false; points.len()];
        let mut findings = in_time(&points, least, view, limits, &mut taken);
        findings.extend(at_operating_point(&points, least, view, limits, &mut taken));
        findings.extend(in_one_sensor(&points, least, view, &taken));
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::ran(Evaluated::Rows(Vec::new()), findings)
    }
}

/// One finding as a point.
struct Point {
    rows: Range<usize>,
    channel: Option<usize>,
    time_s: f64,
    /// Engine speed and load (kPa), null where not logged.
    place: Option<(f64, f64)>,
}

fn points(view: &View<'_>) -> Vec<Point> {
    let time_s = &view.log.clock.time_s;
    let rows = view.log.rows();
    let (speed, load) = (view.log.role(Role::EngineSpeed), view.log.role(Role::ManifoldPressure));
    // Several detectors on the same rows of a channel are one point, and the order is fixed.
    let told = view.findings.iter().map(Place::of);
    // A wide log full of holes has millions of them: a third of the size of whole places, and no room beyond. Channels
    // count from 1, and 0 is the log as a whole.
    let most = view.findings.len() + view.rest.iter().map(Rest::count).sum::<usize>();
    let mut unique: Vec<(u32, u32, u32)> = Vec::with_capacity(most);
    unique.extend(
        told.chain(view.rest.iter().flat_map(Rest::places))
            .filter(|place| place.rows.start < place.rows.end && place.rows.end <= rows)
            // What covers half the log lies nowhere.
            .filter(|place| place.rows.len() * 2 < rows)
            .map(|place| {
                let channel = place.channel.map_or(0, |channel| channel as u32 + 1);
                (place.rows.start as u32, place.rows.end as u32, channel)
            }),
    );
    unique.sort_unstable();
    unique.dedup();
    let stride = unique.len().div_ceil(MOST_POINTS).max(1);
    unique
        .into_iter()
        .step_by(stride)
        .filter_map(|(start, end, channel)| {
            let (start, end, channel) = (start as usize, end as usize, (channel as usize).checked_sub(1));
            let at = time_s.get(start).copied().filter(|t| t.is_finite())?;
            let middle = |channel: &Channel| robust::median(&channel.among(start..end));
            let place = speed.and_then(middle).zip(load.and_then(middle)).map(|(rpm, pa)| (rpm, pa / 1e3));
            Some(Point { rows: start..end, channel, time_s: at, place })
        })
        .collect()
}

/// Groups of indices by density; coordinates are already in units of the neighbourhood.
fn groups(coordinates: &[Vec<f64>], least: usize) -> Vec<Vec<usize>> {
    let Some(width) = coordinates.first().map(Vec::len).filter(|width| *width > 0) else { return Vec::new() };
    let flat: Vec<f64> = coordinates.iter().flatten().copied().collect();
    // A NaN would panic in the index.
    if flat.iter().any(|v| !v.is_finite()) {
        return Vec::new();
    }
    let Ok(matrix) = Array2::from_shape_vec((coordinates.len(), width), flat) else { return Vec::new() };
    let Ok(labels) = Dbscan::params(least).tolerance(1.0).transform(&matrix) else { return Vec::new() };
    let count = labels.iter().flatten().max().map_or(0, |last| last + 1);
    let mut found = vec![Vec::new(); count];
    for (index, label) in labels.iter().enumerate() {
        if let Some(label) = label {
            found[*label].push(index);
        }
    }
    found
}

fn hull(points: &[Point], group: &[usize]) -> Range<usize> {
    let start = group.iter().map(|k| points[*k].rows.start).min().unwrap_or(0);
    let end = group.iter().map(|k| points[*k].rows.end).max().unwrap_or(start);
    start..end
}

fn channels(points: &[Point], group: &[usize]) -> BTreeSet<Option<usize>> {
    group.iter().map(|k| points[*k].channel).collect()
}

fn names(view: &View<'_>, set: &BTreeSet<Option<usize>>) -> String {
    let named = set.iter().map(|channel| {
        channel
            .and_then(|index| view.log.channels.get(index))
            .map_or("the time axis", |channel| &channel.name)
    });
    named.collect::<Vec<_>>().join(", ")
}

fn in_time(
    points: &[Point],
    least: usize,
    view: &View<'_>,
    limits: &Limits<'_>,
    taken: &mut [bool],
) -> Vec<Finding> {
    let scale_s = limits.get(&TIME);
    let coordinates: Vec<Vec<f64>> = points.iter().map(|point| vec![point.time_s / scale_s]).collect();
    let mut findings = Vec::new();
    for group in groups(&coordinates, least) {
        let set = channels(points, &group);
        // One channel with many findings in a row is a fault of its own, not an event that reaches others.
        if set.len() < 3 {
            continue;
        }
        for k in &group {
            taken[*k] = true;
        }
        let first_s = group.iter().map(|k| points[*k].time_s).fold(f64::INFINITY, f64::min);
        let last_s = group.iter().map(|k| points[*k].time_s).fold(f64::NEG_INFINITY, f64::max);
        findings.push(Finding::new(
            hull(points, &group),
            Flag::Suspect,
            format!(
                "{} findings in {} channels begin within {:.2} s ({}): one electrical or link event, not the engine",
                group.len(),
                set.len(),
                last_s - first_s,
                names(view, &set)
            ),
            vec![(&COUNT, group.len() as f64), (&CHANNELS, set.len() as f64), (&SPAN, last_s - first_s)],
        ));
    }
    findings
}

fn range_of(values: impl Iterator<Item = f64>) -> f64 {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    (high - low).max(0.0)
}

fn at_operating_point(
    points: &[Point],
    least: usize,
    view: &View<'_>,
    limits: &Limits<'_>,
    taken: &mut [bool],
) -> Vec<Finding> {
    let (rpm_scale, kpa_scale) = (limits.get(&SPEED), limits.get(&LOAD));
    let placed: Vec<(usize, (f64, f64))> = points
        .iter()
        .enumerate()
        .filter(|(k, _)| !taken[*k])
        .filter_map(|(k, point)| point.place.map(|place| (k, place)))
        .collect();
    let coordinates: Vec<Vec<f64>> =
        placed.iter().map(|(_, (rpm, kpa))| vec![rpm / rpm_scale, kpa / kpa_scale]).collect();
    let covered =
        view.log.role(Role::EngineSpeed).map_or(0.0, |c| range_of(c.among(0..c.rows()).iter().copied()));
    let mut findings = Vec::new();
    for group in groups(&coordinates, least) {
        let rpm = range_of(group.iter().map(|k| placed[*k].1.0));
        // A chain of points through most of the map is no place.
        if rpm > 0.5 * covered {
            continue;
        }
        let members: Vec<usize> = group.iter().map(|k| placed[*k].0).collect();
        let mut times: Vec<f64> = members.iter().map(|k| points[*k].time_s).collect();
        times.sort_unstable_by(f64::total_cmp);
        let passes = 1 + times.windows(2).filter(|pair| pair[1] - pair[0] > limits.get(&PASS)).count();
        if passes < least {
            continue;
        }
        for k in &members {
            taken[*k] = true;
        }
        let middle = |values: Vec<f64>| robust::median(&values).unwrap_or(0.0);
        let at_rpm = middle(group.iter().map(|k| placed[*k].1.0).collect());
        let at_kpa = middle(group.iter().map(|k| placed[*k].1.1).collect());
        let set = channels(points, &members);
        findings.push(Finding::new(
            hull(points, &members),
            Flag::Suspect,
            format!(
                "{} findings on {passes} passes lie around {at_rpm:.0} rpm and {at_kpa:.0} kPa ({}): the engine does \
                 something there, look at it before blaming the sensor",
                members.len(),
                names(view, &set)
            ),
            vec![
                (&COUNT, members.len() as f64),
                (&CHANNELS, set.len() as f64),
                (&RPM, at_rpm),
                (&KPA, at_kpa),
                (&PASSES, passes as f64),
            ],
        ));
    }
    findings
}

fn in_one_sensor(points: &[Point], least: usize, view: &View<'_>, taken: &[bool]) -> Vec<Finding> {
    let is_mixture = |channel: Option<usize>| {
        channel.is_some_and(|k| view.log.channels.get(k).is_some_and(|c| c.role.is_mixture()))
    };
    let rest: Vec<usize> = (0..points.len()).filter(|k| !taken[*k]).collect();
    // A finding on the supply beside the mixture is another story.
    if rest.len() < least || rest.iter().any(|k| !is_mixture(points[*k].channel)) {
        return Vec::new();
    }
    let span_s = range_of(rest.iter().map(|k| points[*k].time_s));
    if span_s < 0.5 * view.log.clock.duration_s() {
        return Vec::new();
    }
    let covered =
        view.log.role(Role::EngineSpeed).map_or(0.0, |c| range_of(c.among(0..c.rows()).iter().copied()));
    let rpm = range_of(rest.iter().filter_map(|k| points[*k].place).map(|(rpm, _)| rpm));
    if covered <= 0.0 || rpm < 0.5 * covered {
        return Vec::new();
    }
    let set = channels(points, &rest);
    vec![Finding::new(
        hull(points, &rest),
        Flag::Suspect,
        format!(
            "{} findings in {} alone are spread over {span_s:.0} s and over every speed: the sensor or its link, not an \
             operating point",
            rest.len(),
            names(view, &set)
        ),
        vec![(&COUNT, rest.len() as f64), (&CHANNELS, set.len() as f64), (&SPAN, span_s)],
    )]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};

    /// Ten minutes: engine speed sweeps every 60 s from 1000 to 7000 rpm.
    fn sweeps() -> Bench {
        Bench::new(10.0, 6000)
            .channel(Role::Lambda, |_| 0.85)
            .channel(Role::EngineSpeed, |t| 1000.0 + 100.0 * (t % 60.0))
            .channel(Role::ManifoldPressure, |t| 40e3 + 2e3 * (t % 60.0))
            .channel(Role::BatteryVoltage, |_| 14.0)
    }

    fn found(bench: &Bench, at: &[(usize, Option<usize>)]) -> Outcome {
        let findings: Vec<Finding> = at
            .iter()
            .map(|(row, channel)| {
                let mut finding = Finding::new(*row..row + 2, Flag::Bad, String::new(), Vec::new());
                finding.channel = *channel;
                finding
            })
            .collect();
        let view = View { findings: &findings, ..bench.view() };
        Cluster.run_log(&view, &Limits::of("cluster", &bench.rig))
    }

    fn only(outcome: Outcome) -> Finding {
        let Outcome::Ran { mut findings, .. } = outcome else { panic!("it did not run") };
        assert_eq!(findings.len(), 1, "{findings:?}");
        findings.remove(0)
    }

    #[test]
    fn many_channels_at_one_time_are_an_electrical_event() {
        let one = only(found(&sweeps(), &[(1000, Some(0)), (1001, Some(1)), (1002, Some(3))]));
        assert!(one.message.contains("electrical or link"), "{}", one.message);
        assert_eq!((evidence(&one, "channels"), one.rows), (3.0, 1000..1004));
    }

    #[test]
    fn one_place_on_several_passes_is_the_engine() {
        let at: Vec<_> = (0..5).map(|pass| (pass * 600 + 400 + pass, Some(0))).collect();
        let one = only(found(&sweeps(), &at));
        assert!(one.message.contains("the engine does something there"), "{}", one.message);
        assert_eq!(evidence(&one, "passes"), 5.0);
        assert!((evidence(&one, "engine_speed") - 5000.0).abs() < 100.0);
    }

    #[test]
    fn mixture_alone_all_over_the_place_is_the_sensor() {
        let at = [(20, Some(0)), (900, Some(0)), (1800 + 540, Some(0)), (3420, Some(0)), (5780, Some(0))];
        let one = only(found(&sweeps(), &at));
        assert!(one.message.contains("the sensor or its link"), "{}", one.message);
    }

    #[test]
    fn same_rows_found_twice_are_one_point_and_few_points_are_refused() {
        let twice = [(100, Some(0)), (100, Some(0)), (100, Some(0)), (3000, Some(0))];
        assert!(because(found(&sweeps(), &twice)).contains("2 findings"));
        assert!(because(found(&Bench::new(10.0, 0), &[])).contains("0 findings"));
    }

    #[test]
    fn crowd_of_findings_is_thinned_and_answered() {
        let at: Vec<_> = (0..5_900).map(|row| (row, Some(row % 4))).collect();
        let Outcome::Ran { findings, .. } = found(&sweeps(), &at) else { panic!("it did not run") };
        assert_eq!(findings.len(), 1);
    }
}
