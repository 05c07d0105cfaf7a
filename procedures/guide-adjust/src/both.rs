//! Both heads' answers about one guide as one: a guide acts on both.

use tapewright_sdk::measure::guides::{OffTrack, Untold};
use tapewright_sdk::prelude::*;

/// A guide's height error over the heads, or why it is not told.
pub(crate) type Height = core::result::Result<Estimate, Untold>;

/// One guide's height by all heads: told where each of them tells it. It is off to a side where each of them says so. What noise
/// hides from one head is hidden: nobody turns a guide by the other one's word before the contact is well.
pub(crate) fn height_of(heads: &[&Height]) -> Result<Height> {
    let low = |height: &Height| height.as_ref().map_or_else(Untold::low, |error| Some(error.value > 0.0));
    let untold: Vec<&Untold> = heads.iter().filter_map(|height| height.as_ref().err()).collect();
    let hidden = untold.iter().find(|why| matches!(why, Untold::Hidden(_)));
    match hidden.or(untold.first()) {
        Some(Untold::OffTrack(off)) => {
            let all_say = heads.iter().all(|height| low(height) == off.low);
            Ok(Err(OffTrack { low: off.low.filter(|_| all_say), ..*off }.into()))
        }
        Some(hidden) => Ok(Err(**hidden)),
        None => Ok(Ok(mean_of(&heads.iter().filter_map(|height| height.as_ref().ok()).collect::<Vec<_>>())?)),
    }
}

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
    fn a_guide_is_off_where_one_head_says_so_and_off_to_a_side_where_both_do() {
        use tapewright_sdk::measure::guides::End;
        let at = |value: f64| Ok(Estimate::combined(value, vec![Contribution::type_b("method", 1.0)]).unwrap());
        let off = |low| Err(OffTrack { end: End::Exit, low }.into());
        let hidden = || Err(Untold::Hidden(End::Exit));
        for (heads, want) in [
            ([off(Some(true)), off(Some(true))], off(Some(true))),
            ([off(Some(true)), off(Some(false))], off(None)),
            ([off(Some(true)), off(None)], off(None)),
            ([at(20.0), off(Some(true))], off(Some(true))),
            ([at(20.0), off(Some(false))], off(None)),
            ([at(20.0), off(None)], off(None)),
            ([at(20.0), hidden()], hidden()),
            ([hidden(), off(Some(true))], hidden()),
            ([off(Some(true)), hidden()], hidden()),
        ] {
            assert_eq!(height_of(&[&heads[0], &heads[1]]).unwrap(), want);
        }
        assert_eq!(height_of(&[&at(2.0), &at(4.0)]).unwrap().unwrap().value, 3.0);
    }

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
