//! From evidence to verdict: posterior, gates and vetoes.

use std::borrow::Cow;
use std::ops::Range;
use std::sync::LazyLock;

use super::constants as k;
use super::deconvolve::blind_below_s;
use super::evidence::{self, Case, Feature, Group, Reading};
use super::hypothesis::{Cause, Class, Context, Prior};
use super::limit::{self, Regime};
use super::open::{Open, OpenCut};
use crate::document::{Causes, Posterior, Verdict};

/// Names of all causes, which every event shares.
static CAUSES: LazyLock<Causes> = LazyLock::new(|| {
    let mut names = Cause::ALL.map(|cause| Cow::from(cause.name()));
    names.sort_unstable();
    Causes::from(names)
});

/// An episode with everything that was found out about it.
#[derive(Clone)]
pub(super) struct Judgement {
    pub readings: Vec<(&'static Feature, Reading)>,
    pub posterior: Posterior,
    pub verdict: Verdict,
    pub cause: &'static str,
    pub because: String,
    /// The test that would settle it, where the reason itself names one.
    pub check: Option<&'static str>,
    /// Frames that the strongest proof against gas, or of a cut, covers.
    pub proof: Option<(Cause, Range<usize>)>,
}

/// Runs every feature of one case and weighs what they read.
pub(super) fn judge(case: &Case<'_, '_>) -> Judgement {
    decide(case, examine(case))
}

/// Runs every feature.
fn examine(case: &Case<'_, '_>) -> Vec<(&'static Feature, Reading)> {
    evidence::ALL.iter().map(|feature| (*feature, (feature.run)(case))).collect()
}

/// Log10 likelihood of each cause: the strongest feature of each group, summed over groups.
fn scores(readings: &[(&'static Feature, Reading)]) -> [f64; 18] {
    let mut total = [0.0; 18];
    for group in Group::ALL {
        let mut strongest = [0.0_f64; 18];
        for (_, reading) in readings.iter().filter(|(f, r)| f.group == group && r.evaluated) {
            for (cause, weight) in &reading.weights {
                if let Some(slot) = strongest.get_mut(cause.index())
                    && weight.abs() > slot.abs()
                {
                    *slot = *weight;
                }
            }
        }
        for (sum, weight) in total.iter_mut().zip(strongest) {
            *sum += weight;
        }
    }
    total
}

/// Probability of each cause.
///
/// No cause is believed less than `epsilon` times the best one. The likelihood of a class is that of its causes,
/// weighted by their shares. Only the class of artefacts is as likely as its best cause: nothing is known of how
/// often each of them occurs, and a physical proof of the one that is named is demanded besides.
fn posterior(context: Context, prior: &Prior, scores: &[f64; 18], epsilon: f64) -> [f64; 18] {
    let best = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let likelihood: Vec<f64> = scores.iter().map(|s| 10.0_f64.powf(s - best).max(epsilon)).collect();
    let mut result = [0.0; 18];
    for class in Class::ALL {
        let weighted: Vec<(usize, f64, f64)> = Cause::ALL
            .iter()
            .filter(|c| c.class() == class)
            .map(|c| {
                let l = likelihood.get(c.index()).copied().unwrap_or(epsilon);
                (c.index(), l, context.share(*c) * l)
            })
            .collect();
        let sum: f64 = weighted.iter().map(|w| w.2).sum();
        let of_class = match class {
            Class::Artefact => weighted.iter().map(|w| w.1).fold(0.0, f64::max),
            Class::Real | Class::FuelCut | Class::Misfire | Class::Dilution => sum,
        };
        for (index, _, share) in weighted {
            if let Some(slot) = result.get_mut(index) {
                *slot = prior.of(class) * of_class * share / sum.max(1e-300);
            }
        }
    }
    let all: f64 = result.iter().sum();
    result.map(|p| p / all.max(1e-300))
}

fn sum(posterior: &[f64; 18], which: impl Fn(Cause) -> bool) -> f64 {
    Cause::ALL.iter().filter(|c| which(**c)).filter_map(|c| posterior.get(c.index())).sum()
}

fn likeliest(posterior: &[f64; 18], which: impl Fn(Cause) -> bool) -> Option<Cause> {
    Cause::ALL
        .iter()
        .copied()
        .filter(|c| which(*c))
        .max_by(|a, b| posterior[a.index()].total_cmp(&posterior[b.index()]))
}

/// The context whose shares the causes of a class have: what lasts longer under load than any film does is one of full load,
/// though it began with an opening. A film that refills after a cut stays one.
fn shares(case: &Case<'_, '_>) -> Context {
    let episode = case.episode;
    let lasts = episode.duration_s(case.scene) > k::LONGEST_FILM_S.value;
    match case.context {
        Context::TipIn if lasts && episode.regime == Regime::Load && !episode.after_cut => Context::FullLoad,
        context => context,
    }
}

/// Weighs the readings of one case.
fn decide(case: &Case<'_, '_>, readings: Vec<(&'static Feature, Reading)>) -> Judgement {
    let scores = scores(&readings);
    let epsilon = k::EPSILON.value;
    let prior = case.context.prior();
    let shares = shares(case);
    let plain = posterior(shares, &prior, &scores, epsilon);
    let worst = |class| {
        let scaled = prior.scaled(class, k::PRIOR_FACTOR.value.recip());
        sum(&posterior(shares, &scaled, &scores, epsilon), Cause::hazardous)
    };
    let hazard = sum(&plain, Cause::hazardous);
    let proofs = proofs(case, &readings);
    let vetoes: Vec<&str> =
        readings.iter().filter(|(_, r)| r.veto).map(|(feature, _)| feature.name).collect();
    let bar = (1.0 + k::LOSS_RATIO.value).recip();
    let top = likeliest(&plain, |_| true).map_or(Class::Real, Cause::class);
    let proven = |class: Class| {
        proofs.iter().filter(|p| p.cause.class() == class && p.coverage >= k::PROOF_COVERAGE.value).max_by(
            |a, b| {
                let first = in_sum(a.cause, &readings).total_cmp(&in_sum(b.cause, &readings));
                let likelier = plain[a.cause.index()].total_cmp(&plain[b.cause.index()]);
                if class == Class::FuelCut { likelier } else { first.then(likelier) }
            },
        )
    };

    let mut judgement = Judgement {
        posterior: Posterior::new(&CAUSES, |name| sum(&plain, |cause| cause.name() == name)),
        verdict: Verdict::Undetermined,
        cause: "undetermined",
        because: String::new(),
        check: None,
        proof: partial(&proofs, &plain),
        readings: Vec::new(),
    };
    // What was lean before a cut is never dismissed with it.
    let flank = case.episode.flank;
    // A cut reads air: none holds the mixture of part load a little lean for a whole swing.
    let swing = case.episode.regime == Regime::LeanSwing;
    let hides = hides_load(case) && !torque_refutes(&readings);
    let dismissable = |class| vetoes.is_empty() && !flank && top == class && hazard < bar;
    let real = sum(&plain, |c| c.class() == Class::Real);
    if dismissable(Class::Artefact)
        && !hides
        && worst(Class::Artefact) < bar
        && let Some(proof) = proven(Class::Artefact)
    {
        judgement.settle(Verdict::Artefact, proof.cause, &readings, proof.feature);
    } else if dismissable(Class::Dilution)
        && worst(Class::Dilution) < bar
        && readings.iter().any(|(f, r)| f.group == Group::Flow && r.strongest() > 0.0)
    {
        judgement.settle(Verdict::Dilution, Cause::AirIngress, &readings, "dilution_law");
    } else if top == Class::FuelCut
        && !flank
        && !swing
        && hazard < bar
        && worst(Class::FuelCut) < k::CUT_HAZARD_ROBUST.value
        && let Some(proof) = proven(Class::FuelCut)
        && !vetoes.iter().any(|veto| forbids_cut(case, proof.cause, veto, &readings))
        && on_target(case, proof.cause, &readings)
    {
        judgement.settle(Verdict::FuelCut, proof.cause, &readings, proof.feature);
    } else if vetoes.is_empty()
        && !flank
        && !hides
        && hazard < bar
        && worst(Class::Artefact) < bar
        && let Some(proof) = proven(Class::Artefact)
    {
        // Not measured, whether or not fuel was cut as well.
        judgement.settle(Verdict::Artefact, proof.cause, &readings, proof.feature);
    } else if plain[Cause::Misfire.index()] >= k::MISFIRE_PROBABILITY.value
        && let Some(feature) = supports(Cause::Misfire, Group::Torque, &readings)
    {
        judgement.settle(Verdict::Misfire, Cause::Misfire, &readings, feature);
    } else if real >= k::REAL_PROBABILITY.value
        && let Some((cause, feature)) = real_cause(&plain, real, &readings)
    {
        judgement.settle(Verdict::Real, cause, &readings, feature);
    } else {
        let warning = |counts: &dyn Fn(&str) -> bool| {
            readings.iter().find(|(f, r)| r.veto && counts(f.name)).map(|(_, r)| r.text.as_str())
        };
        let cut = likeliest(&plain, |c| c.class() == Class::FuelCut).filter(|c| c.class() == top && !swing);
        judgement.because = Open {
            hazard,
            bar,
            danger: warning(&|_| true),
            hides,
            artefact: proofs.iter().any(|p| p.cause.class() == Class::Artefact),
            cut: cut.map(|cause| OpenCut {
                flank,
                worst: worst(Class::FuelCut),
                covered: covered(&proofs, Class::FuelCut),
                probable: plain[cause.index()],
                danger: warning(&|veto| forbids_cut(case, cause, veto, &readings)),
                limiter: cause == Cause::RevLimit,
            }),
        }
        .because();
    }
    judgement.readings = readings;
    judgement
}

/// Everything that speaks for or against a cause: orders causes of one class that share their strongest proof.
fn in_sum(cause: Cause, readings: &[(&'static Feature, Reading)]) -> f64 {
    readings.iter().flat_map(|(_, r)| &r.weights).filter(|w| w.0 == cause).map(|w| w.1).sum()
}

/// Whether a veto speaks against a cut too. The tail of gas and other passes do not: a cut is gas and recurs. On a
/// closed throttle with an empty manifold no pressure of fuel can harm, unless it fell before the throttle closed. Injectors
/// at their end right before a cut or between cuts always do: what burns there gets too little.
fn forbids_cut(
    case: &Case<'_, '_>,
    cause: Cause,
    veto: &str,
    readings: &[(&'static Feature, Reading)],
) -> bool {
    match veto {
        "exponential_tail" | "same_cell" => false,
        "pressure_root_law" => {
            cause != Cause::Overrun || !commanded(cause, readings) || evidence::fell_under_load(case)
        }
        _ => true,
    }
}

/// Why an event is left open although the evidence decides.
pub(super) struct Doubt {
    pub because: &'static str,
    /// The test that would settle it; null: the one that fits the evidence.
    pub check: Option<&'static str>,
}

impl Doubt {
    pub(super) const fn new(because: &'static str) -> Self {
        Self { because, check: None }
    }
}

impl Judgement {
    /// The same without the verdict, which something outside of the evidence forbids.
    pub(super) fn left_open(self, doubt: &Doubt) -> Self {
        Self {
            verdict: Verdict::Undetermined,
            cause: "undetermined",
            because: doubt.because.to_owned(),
            check: doubt.check,
            ..self
        }
    }

    fn settle(
        &mut self,
        verdict: Verdict,
        cause: Cause,
        readings: &[(&'static Feature, Reading)],
        feature: &str,
    ) {
        self.verdict = verdict;
        self.cause = cause.name();
        let text = readings.iter().find(|(f, _)| f.name == feature).map_or("", |(_, r)| r.text.as_str());
        text.clone_into(&mut self.because);
    }
}

/// A positive physical proof, as far as it reaches.
struct Proof {
    cause: Cause,
    feature: &'static str,
    frames: Range<usize>,
    /// Share of the event's lean frames.
    coverage: f64,
}

/// The largest share of the event's lean readings that one proof of the class covers, 0 without one.
fn covered(proofs: &[Proof], class: Class) -> f64 {
    proofs.iter().filter(|p| p.cause.class() == class).map(|p| p.coverage).fold(0.0, f64::max)
}

fn proofs(case: &Case<'_, '_>, readings: &[(&'static Feature, Reading)]) -> Vec<Proof> {
    let count = case.episode.count(case.scene).max(1);
    let mut found = Vec::new();
    for (feature, reading) in readings {
        let Some(proven) = &reading.proof else { continue };
        for (cause, weight) in &reading.weights {
            let frames = with_way_back(case, *cause, proven);
            let inside = case.episode.lean(case.scene).filter(|(i, _)| frames.contains(i)).count();
            if *weight > 0.0 && inside > 0 {
                let coverage = inside as f64 / count as f64;
                found.push(Proof { cause: *cause, feature: feature.name, frames, coverage });
            }
        }
    }
    found
}

/// A proof of over-run, with the sensor's own way back where the throttle stays closed: as long as the slowest
/// sensor believed in needs. Under load the limits of the frames say what old gas explains.
fn with_way_back(case: &Case<'_, '_>, cause: Cause, frames: &Range<usize>) -> Range<usize> {
    let (scene, episode) = (case.scene, case.episode);
    let last = frames.end.checked_sub(1).and_then(|i| scene.frames().get(i));
    let rest_s = last.map_or(0.0, |f| episode.end_s(scene) - f.time_s);
    let back_s = 3.0 * scene.chain.lean_to_rich.quantile(0.975) + scene.period_s.min(0.2);
    // Fuel that comes back on an opened throttle may be lean by itself: that part is judged alone.
    let (from_s, to_s) = (last.map_or(0.0, |f| f.time_s) - case.delay_s, episode.end_s(scene));
    let shut = limit::throttle(scene)
        .and_then(|w| w.range(from_s, to_s))
        .is_some_and(|(_, high)| high < k::CLOSED_THROTTLE.value);
    let closed = cause == Cause::Overrun && !episode.regime.rich() && shut;
    if closed && !frames.is_empty() && rest_s <= back_s {
        frames.start..episode.frames.end
    } else {
        frames.clone()
    }
}

/// A proof that leaves a part of the event open: the event is to be split at its edges.
fn partial(proofs: &[Proof], plain: &[f64; 18]) -> Option<(Cause, Range<usize>)> {
    proofs
        .iter()
        .filter(|p| p.coverage < 1.0)
        .max_by(|a, b| plain[a.cause.index()].total_cmp(&plain[b.cause.index()]))
        .map(|p| (p.cause, p.frames.clone()))
}

/// Before a cut under load the mixture must have been on the rich side. Where what precedes was lean itself and is
/// judged alone, only fuel that was commanded off makes the rest a cut; and no stretch at the ceiling, where the
/// engine burns between the cuts, is one then.
fn on_target(case: &Case<'_, '_>, cause: Cause, readings: &[(&'static Feature, Reading)]) -> bool {
    if case.episode.after_split {
        return commanded(cause, readings) && (cause != Cause::RevLimit || evidence::strokes(case) < 2);
    }
    let rich = !case.episode.regime.rich() || case.before_phi.is_some();
    rich && (cause != Cause::RevLimit || evidence::burns_rich_between(case))
}

/// Fuel was commanded off: what precedes, split off and judged alone, does not make the cut less of one.
fn commanded(cause: Cause, readings: &[(&'static Feature, Reading)]) -> bool {
    readings.iter().any(|(f, r)| {
        f.id == "F9" && r.weights.iter().any(|(c, w)| *c == cause && *w >= k::LR_CUT_COMMANDED.value)
    })
}

fn supports(cause: Cause, group: Group, readings: &[(&'static Feature, Reading)]) -> Option<&'static str> {
    readings
        .iter()
        .filter(|(f, r)| {
            f.group == group
                && r.weights.iter().any(|(c, weight)| *c == cause && *weight > 0.5)
                && r.weights.len() == 1
        })
        .map(|(f, _)| f.name)
        .next()
}

/// The cause within real, with the feature that carries it: named only with evidence of its own.
fn real_cause(
    plain: &[f64; 18],
    real: f64,
    readings: &[(&'static Feature, Reading)],
) -> Option<(Cause, &'static str)> {
    let support = |cause: Cause| {
        readings
            .iter()
            .filter_map(|(f, r)| {
                let weight = r.weights.iter().find(|w| w.0 == cause)?.1;
                (r.evaluated && weight >= 0.5).then_some((f.name, weight))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|s| s.0)
    };
    let first = likeliest(plain, |c| c.class() == Class::Real)?;
    if plain[first.index()] / real.max(1e-300) >= k::CAUSE_SHARE.value
        && let Some(feature) = support(first)
    {
        return Some((first, feature));
    }
    // Without a cause of its own, "real" still needs evidence for gas.
    support(Cause::Mixture).or_else(|| support(first)).map(|feature| (Cause::Mixture, feature))
}

/// Whether an event lies over load for so long that a danger which harms would not show beside it. That the reading is
/// no measurement says nothing of what the engine burnt meanwhile.
pub(super) fn hides_load(case: &Case<'_, '_>) -> bool {
    let (scene, episode) = (case.scene, case.episode);
    // From the reading before it to the one after it.
    let blind_s = episode.duration_s(scene) + scene.period_s;
    let harms_s = k::HARMFUL_CYCLES.value * scene.cycle_s(episode.start_s(scene));
    let seen_s = blind_below_s(scene).map_or(harms_s, |seen_s| seen_s.max(harms_s));
    let loaded =
        || episode.lean(scene).any(|(_, f)| limit::loaded_at(scene, f.time_s - scene.delay_s(f.time_s)));
    blind_s > seen_s && (episode.regime.rich() || loaded())
}

/// Whether what the engine itself felt speaks against a mixture as lean as the reading.
fn torque_refutes(readings: &[(&'static Feature, Reading)]) -> bool {
    let mixture = |weights: &[(Cause, f64)]| {
        weights.iter().any(|(c, w)| *c == Cause::Mixture && *w <= -k::LR_TORQUE_WEAK.value)
    };
    readings.iter().any(|(f, r)| f.group == Group::Torque && r.evaluated && mixture(&r.weights))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(weights: &[(Cause, f64)]) -> [f64; 18] {
        let mut scores = [0.0; 18];
        for (cause, weight) in weights {
            scores[cause.index()] = *weight;
        }
        scores
    }

    #[test]
    fn knock_does_not_take_the_place_of_what_tells_injectors_from_a_pump() {
        let feature = |name: &str| *evidence::ALL.iter().find(|f| f.name == name).expect("a feature");
        let duty = Reading::seen(100.0, "%", "")
            .weigh(&[Cause::InjectorLimit], k::LR_DUTY.value)
            .weigh(&[Cause::Mixture, Cause::TipIn], k::LR_DUTY_ELSE.value);
        let knock = Reading::seen(3.0, "", "").weigh(super::super::hypothesis::REAL, k::LR_KNOCK.value);
        let scores = scores(&[(feature("injector_duty"), duty), (feature("knock"), knock)]);
        let of = |cause: Cause| scores[cause.index()];
        assert!((of(Cause::InjectorLimit) - of(Cause::FuelSupply) - k::LR_DUTY.value).abs() < 1e-9);
        assert!((of(Cause::FuelSupply) - of(Cause::Mixture) + k::LR_DUTY_ELSE.value).abs() < 1e-9);
    }

    #[test]
    fn without_evidence_the_posterior_is_the_prior() {
        let prior = Context::FullLoad.prior();
        let p = posterior(Context::FullLoad, &prior, &[0.0; 18], 1e-3);
        assert!((sum(&p, |c| c.class() == Class::Real) - 0.55 / 1.01).abs() < 1e-9);
        assert!((p.iter().sum::<f64>() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_bar_for_an_artefact_under_load_is_that_of_the_physics_note() {
        // Priors 0.23 : 0.65 and loss ratio 100 need log10 LR 2.45, and 2.93 at a third of the prior (computed).
        let hazard = |score: f64, factor: f64| {
            let prior = Context::FullLoad.prior().scaled(Class::Artefact, factor);
            let prior = prior.scaled(Class::Dilution, 1e-9).scaled(Class::FuelCut, 1e-9);
            sum(
                &posterior(Context::FullLoad, &prior, &with(&[(Cause::Spike, score)]), 1e-4),
                Cause::hazardous,
            )
        };
        let bar = 1.0 / 101.0;
        assert!(hazard(2.44, 1.0) > bar && hazard(2.46, 1.0) < bar);
        assert!(hazard(2.92, 1.0 / 3.0) > bar && hazard(2.94, 1.0 / 3.0) < bar);
    }

    #[test]
    fn no_amount_of_evidence_goes_beyond_the_cap() {
        let prior = Context::FullLoad.prior();
        let p = posterior(Context::FullLoad, &prior, &with(&[(Cause::Spike, 30.0)]), 1e-3);
        let odds = sum(&p, |c| c.class() == Class::Artefact) / sum(&p, Cause::hazardous);
        assert!((odds - 0.23 / 0.65 * 1e3).abs() < 1.0, "{odds}");
    }
}
