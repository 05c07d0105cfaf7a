//! Both heads' answers about one guide as one: a guide acts on both.

use tapewright_sdk::prelude::*;

/// The mean of two heads' estimates of one quantity. What each head's frames scatter averages out; what comes
/// from the method has one sign for both and does not. Heads that differ widen it.
pub(crate) fn mean_of(heads: &[&Estimate]) -> Result<Estimate> {
    let [a, b] = heads else {
        return heads
            .first()
            .map(|&one| one.clone())
            .ok_or_else(|| Unable::new(UnableCode::TooShort, "no head was seen at all three places"));
    };
    let mut contributions: Vec<Contribution> = a
        .contributions
        .iter()
        .zip(&b.contributions)
        .map(|(a, b)| {
            let (u, v) = (a.standard_uncertainty, b.standard_uncertainty);
            let u = if a.evaluation == Evaluation::A { 0.5 * u.hypot(v) } else { 0.5 * (u + v) };
            Contribution { standard_uncertainty: u, ..a.clone() }
        })
        .collect();
    contributions.push(Contribution::rectangular("heads differ", 0.5 * (a.value - b.value)));
    Ok(Estimate::combined(0.5 * (a.value + b.value), contributions)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scatter_averages_out_and_the_method_does_not() {
        let of = |value: f64| {
            let parts = vec![Contribution::type_a("scatter", 1.0, 50.0), Contribution::type_b("method", 1.0)];
            Estimate::combined(value, parts).unwrap()
        };
        let mean = mean_of(&[&of(10.0), &of(10.0)]).unwrap();
        let want = (0.5_f64 + 1.0).sqrt();
        assert!((mean.standard_uncertainty - want).abs() < 1e-9, "{mean:?}");
        let apart = mean_of(&[&of(4.0), &of(16.0)]).unwrap();
        assert!(apart.value == 10.0 && apart.standard_uncertainty > 3.0, "{apart:?}");
        assert_eq!(mean_of(&[&of(3.0)]).unwrap().value, 3.0);
        assert_eq!(mean_of(&[]).unwrap_err().code, UnableCode::TooShort);
    }
}
