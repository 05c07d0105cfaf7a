//! The rule that decides, held against the numbers of JCGM 106:2012 (7.3 and Table 1): how sure it is that an item conforms
//! where `pass` begins and ends, and where `fail` does.
//!
//! With an interval `y +- w` that must lie inside, `w` is the guard band: `A_U = T_U - w`, `A_L = T_L + w`.

use tapewright_formats::{Decision, Interval, Limit, Limits, Outcome, decide};
use tapewright_measure::special::{normal_cdf, normal_quantile};
use tapewright_measure::{Contribution, Estimate};

/// Limits without a room for `marginal`: JCGM 106 has one tolerance.
fn tolerance(at_least: Option<f64>, at_most: Option<f64>) -> Limits {
    let limit = Limit { at_least, at_most };
    Limits { good: limit, reject: limit, source: "JCGM 106:2012".into() }
}

/// What the house decides on a value with a standard uncertainty.
fn decided(y: f64, u: f64, limits: &Limits) -> Outcome {
    Estimate::combined(y, vec![Contribution::type_b("all", u)]).unwrap().decide(limits).unwrap()
}

#[track_caller]
fn near(what: &str, got: f64, want: f64, within: f64) {
    assert!((got - want).abs() <= within, "{what}: {got}, expected {want} within {within}");
}

/// Where between two values the outcome changes from one to another.
fn turn(from: f64, to: f64, first: Outcome, outcome: impl Fn(f64) -> Outcome) -> f64 {
    assert_eq!((outcome(from) == first, outcome(to) == first), (true, false), "no turn between {from} and {to}");
    let (mut inside, mut outside) = (from, to);
    for _ in 0..60 {
        let middle = 0.5 * (inside + outside);
        *(if outcome(middle) == first { &mut inside } else { &mut outside }) = middle;
    }
    inside
}

/// Table 1: probability of conformity against `z = (T_U - y) / u` (from memory; computed to four digits). The interval
/// covers 95 in 100, so 97.5 in 100 conform at the limit of acceptance: 0.99 and 0.999 pass, 0.95 and less do not.
#[test]
fn a_pass_needs_the_probability_of_table_1() {
    let (upper, u) = (10.0, 0.25);
    for (p, z, rounded, passes) in [
        (0.80, 0.8416, 0.84, false),
        (0.90, 1.2816, 1.28, false),
        (0.95, 1.6449, 1.64, false),
        (0.99, 2.3263, 2.33, true),
        (0.999, 3.0902, 3.09, true),
    ] {
        near("probability of conformity", normal_cdf(z), p, 1e-5);
        near("z", normal_quantile(p), z, 5e-5);
        near("z as printed", normal_quantile(p), rounded, 0.005);
        let (pass, fail) = if passes { (Outcome::Pass, Outcome::Fail) } else { [Outcome::Inconclusive; 2].into() };
        assert_eq!(decided(upper - z * u, u, &tolerance(None, Some(upper))), pass, "below the upper limit, {p}");
        assert_eq!(decided(-upper + z * u, u, &tolerance(Some(-upper), None)), pass, "above the lower limit, {p}");
        // As far beyond the limit it is as sure that the item does not conform.
        assert_eq!(decided(upper + z * u, u, &tolerance(None, Some(upper))), fail, "above the upper limit, {p}");
        assert_eq!(decided(-upper - z * u, u, &tolerance(Some(-upper), None)), fail, "below the lower limit, {p}");
    }
    let limit = turn(upper - 4.0 * u, upper, Outcome::Pass, |y| decided(y, u, &tolerance(None, Some(upper))));
    near("at the limit of acceptance", normal_cdf((upper - limit) / u), 0.975, 1e-9);
    let limit = turn(upper + 4.0 * u, upper, Outcome::Fail, |y| decided(y, u, &tolerance(None, Some(upper))));
    near("at the limit of failing", normal_cdf((upper - limit) / u), 0.025, 1e-9);
}

/// The diode (numbers from memory): -5.47 V with 0.05 V against at most -5.40 V conforms with 0.92, which is no pass.
#[test]
fn the_diode_is_inconclusive() {
    let (y, u, upper) = (-5.47, 0.05, -5.40);
    let limits = tolerance(None, Some(upper));
    assert_eq!(decided(y, u, &limits), Outcome::Inconclusive);
    // The widest interval about it that still passes has the half width of z = 1.40.
    let widest = turn(0.0, 4.0, Outcome::Pass, |z| {
        let interval = Interval { low: y - z * u, high: y + z * u, coverage: 0.95 };
        let Decision::Decided(outcome) = decide(y, &interval, &limits) else { panic!("not decided at {z}") };
        outcome
    });
    near("z", widest, 1.40, 1e-9);
    near("probability of conformity", normal_cdf(widest), 0.919_243, 1e-6);
}

/// Guard bands of `2 u` and `1.645 u`: the limits of acceptance lie that far inside on both sides, and what lies on one
/// conforms with so much probability.
#[test]
fn guard_bands_move_the_limits_inward() {
    let (lower, upper, u) = (-1.0, 1.0, 0.1);
    let limits = tolerance(Some(lower), Some(upper));
    for (bands, probability, within) in [(2.0, 0.977_25, 1e-5), (1.645, 0.950_0, 5e-5)] {
        let w = bands * u;
        let at = |y: f64| match decide(y, &Interval { low: y - w, high: y + w, coverage: 0.95 }, &limits) {
            Decision::Decided(outcome) => outcome,
            refused => panic!("{y}: {refused:?}"),
        };
        let (high, low) = (turn(0.0, 1.0, Outcome::Pass, at), turn(0.0, -1.0, Outcome::Pass, at));
        near("A_U = T_U - w", high, upper - w, 1e-9);
        near("A_L = T_L + w", low, lower + w, 1e-9);
        near("conforms at A_U", normal_cdf((upper - high) / u), probability, within);
        near("risk at A_L", normal_cdf((lower - low) / u), 1.0 - probability, within);
    }
    // Relaxed acceptance has a band below nothing: an interval turned inside out, which is refused.
    let relaxed = Interval { low: 1.05 + 0.1, high: 1.05 - 0.1, coverage: 0.95 };
    assert_eq!(decide(1.05, &relaxed, &limits), Decision::NotANumber);
}

/// Within +-1 with `u` of 0.1 (computed): only the first is sure enough.
#[test]
fn values_between_two_limits() {
    let limits = tolerance(Some(-1.0), Some(1.0));
    for (y, probability, outcome) in [
        (0.8, 0.977_25, Outcome::Pass),
        (0.835, 0.950_53, Outcome::Inconclusive),
        (0.9, 0.841_34, Outcome::Inconclusive),
        (1.0, 0.500_00, Outcome::Inconclusive),
    ] {
        let conforms = normal_cdf((1.0 - y) / 0.1) - normal_cdf((-1.0 - y) / 0.1);
        near("probability", conforms, probability, 1e-5);
        // What is sure enough by the probability is what the rule passes.
        assert_eq!(conforms >= 0.975, decided(y, 0.1, &limits) == Outcome::Pass, "{y}");
        assert_eq!((decided(y, 0.1, &limits), decided(-y, 0.1, &limits)), (outcome, outcome), "{y}");
    }
}
