//! Whether there is RF of both heads for the video to come from: a muted machine sends a clean picture of its own.

use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

/// Scans of each head that are looked at.
const LOOKS: u32 = 2;

/// A head whose RF stays below this share of the level that the point should have gives none: as `signal-presence` has it.
const MISSING: f64 = 0.2;

/// A head whose RF stands above this share in every scan gives some: twice [`MISSING`] (common practice, no source).
const THERE: f64 = 0.4;

/// What is known of it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Rf {
    /// Both heads give RF.
    There,
    /// A head gives none.
    Missing(String),
    /// It is not known, and why.
    Unknown(Unable),
}

/// Looks at the RF of each head in play, where it is hooked up, and at what is left of it in stop, where the machine stays.
pub(crate) fn look(subject: &Subject) -> Rf {
    let looked = || -> Result<Rf> {
        let point = hooked_up(Signal::Rf)?;
        let Some(level_v) = point.expected_v.map(|peak_to_peak| 0.5 * peak_to_peak).or(subject.known_level_v) else {
            return Err(Unable::new(UnableCode::NotPossible, "nobody said which level the RF point should have"));
        };
        let front = Front::for_scans(subject, 1, 2 * LOOKS)?;
        let mut taken = Vec::new();
        for &head in &front.heads {
            taken.push((head, front.frames(head, 1, LOOKS)?));
        }
        // What the point shows with the tape at rest is no RF, however large.
        let floor = front.floor_in_stop(1)?;
        let mut shares = Vec::new();
        for (head, captures) in taken {
            let mut of_head = Vec::new();
            for capture in captures {
                let found = front.levels(&capture, &floor, head, 1)?;
                of_head.extend(found.iter().filter(|(of, _)| *of == head).map(|(_, levels)| levels.mean_v()));
            }
            let most_v = of_head.iter().fold(0.0_f64, |most, v| most.max(*v));
            if most_v >= MISSING * level_v {
                floor.demand_below(most_v)?;
            }
            shares.push((head, of_head.iter().map(|v| v / level_v).collect()));
        }
        Ok(tell(&shares))
    };
    looked().unwrap_or_else(Rf::Unknown)
}

/// From the shares of the right level that scans of each head show.
fn tell(shares: &[(ScanHead, Vec<f64>)]) -> Rf {
    let ends = |of_head: &[f64]| of_head.iter().fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(*x), b.max(*x)));
    let mut unknown =
        (shares.len() != 2).then(|| Unable::new(UnableCode::NotPossible, "the RF point carries one head only"));
    for (head, of_head) in shares {
        let (least, most) = ends(of_head);
        let name = if *head == ScanHead::A { "A" } else { "B" };
        let seen = format!("the RF of head {name} is at {most:.2} of the level that its point should have");
        if most < MISSING {
            return Rf::Missing(seen);
        }
        if least < THERE {
            unknown = Some(Unable::new(UnableCode::InNoise, seen));
        }
    }
    unknown.map_or(Rf::There, Rf::Unknown)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_heads_must_give_rf() {
        let both = |a: [f64; 2], b: [f64; 2]| tell(&[(ScanHead::A, a.to_vec()), (ScanHead::B, b.to_vec())]);
        assert_eq!(both([0.9, 1.0], [0.5, 0.7]), Rf::There);
        assert!(matches!(both([0.9, 1.0], [0.05, 0.06]), Rf::Missing(why) if why.contains("head B")));
        assert!(matches!(both([0.02, 0.1], [0.9, 0.9]), Rf::Missing(why) if why.contains("head A")));
        // It may be noise, or come and go.
        assert!(matches!(both([0.9, 1.0], [0.3, 0.3]), Rf::Unknown(unable) if unable.why.contains("head B")));
        assert!(matches!(both([0.1, 0.9], [0.9, 0.9]), Rf::Unknown(_)));
        assert!(matches!(tell(&[(ScanHead::A, vec![1.0])]), Rf::Unknown(unable) if unable.why.contains("one head")));
    }
}
