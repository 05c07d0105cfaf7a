//! Small sets of linear equations, as least squares make them.

/// Solves `m x = r` for a matrix as normal equations give it (symmetric, not negative), by elimination without exchange of rows.
/// None: it has no one solution.
pub(crate) fn solve<const N: usize>(mut m: [[f64; N]; N], mut r: [f64; N]) -> Option<[f64; N]> {
    for a in 0..N {
        let (row, right) = (m[a], r[a]);
        if row[a].abs() < 1e-300 || !row[a].is_finite() {
            return None;
        }
        for b in 0..N {
            if a != b {
                let times = m[b][a] / row[a];
                m[b].iter_mut().zip(&row).for_each(|(of_b, of_a)| *of_b -= times * of_a);
                r[b] -= times * right;
            }
        }
    }
    let mut x = r;
    x.iter_mut().zip(&m).enumerate().for_each(|(i, (value, row))| *value /= row[i]);
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::solve;

    #[test]
    fn three_equations() {
        let x = solve([[4.0, 1.0, 0.0], [1.0, 3.0, 1.0], [0.0, 1.0, 2.0]], [6.0, 10.0, 8.0]).unwrap();
        for (got, want) in x.iter().zip([1.0, 2.0, 3.0]) {
            assert!((got - want).abs() < 1e-12, "{x:?}");
        }
        assert!(solve([[0.0]], [1.0]).is_none());
    }
}
