//! Linear least squares: straight lines with their statistics, and small sets of basis functions.
//!
//! A straight line is fitted about the means, which keeps the digits that raw sums lose.

use crate::error::{MeasureError, at_least, finite};
use crate::statistics::moments;

/// A fitted straight line `y = intercept + slope x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Value at `x = 0`; 0 for a line through the origin.
    pub intercept: f64,
    /// Change of `y` with `x`.
    pub slope: f64,
    /// Standard error of the intercept; 0 for a line through the origin.
    pub intercept_error: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard deviation of the residuals.
    pub residual: f64,
    /// Share of the sum of squares (about the mean, or about 0 through the origin) that the line explains.
    pub explained: f64,
    /// Degrees of freedom of the residuals.
    pub degrees_of_freedom: f64,
}

fn check(x: &[f64], y: &[f64], least: usize) -> Result<(), MeasureError> {
    at_least("points of a line", x.len().min(y.len()), least)?;
    if x.len() != y.len() {
        return Err(MeasureError::BadParameter {
            what: "count of y values",
            given: y.len() as f64,
            expected: "the count of x values",
        });
    }
    finite("x of a line", x)?;
    finite("y of a line", y)
}

/// Straight line by least squares; all uncertainty is in `y`, the same for each point.
///
/// # Errors
/// [`MeasureError::TooShort`] below three points, [`MeasureError::NotFinite`], [`MeasureError::BadParameter`]
/// where all `x` are the same.
pub fn line(x: &[f64], y: &[f64]) -> Result<Line, MeasureError> {
    check(x, y, 3)?;
    let (n, mx, my) = (x.len() as f64, moments(x)?.mean, moments(y)?.mean);
    let pairs = || x.iter().zip(y).map(|(x, y)| (x - mx, y - my));
    let xx: f64 = pairs().map(|(x, _)| x * x).sum();
    if xx <= 0.0 {
        return Err(MeasureError::BadParameter { what: "spread of x", given: xx, expected: "above 0" });
    }
    let slope = pairs().map(|(x, y)| x * y).sum::<f64>() / xx;
    let rest: f64 = pairs().map(|(x, y)| (y - slope * x).powi(2)).sum();
    let yy: f64 = pairs().map(|(_, y)| y * y).sum();
    let residual = (rest / (n - 2.0)).sqrt();
    Ok(Line {
        intercept: my - slope * mx,
        slope,
        intercept_error: residual * (1.0 / n + mx * mx / xx).sqrt(),
        slope_error: residual / xx.sqrt(),
        residual,
        explained: if yy > 0.0 { 1.0 - rest / yy } else { 1.0 },
        degrees_of_freedom: n - 2.0,
    })
}

/// Straight line through the origin.
///
/// # Errors
/// As [`fn@line`], below two points.
pub fn line_through_origin(x: &[f64], y: &[f64]) -> Result<Line, MeasureError> {
    check(x, y, 2)?;
    let xx: f64 = x.iter().map(|x| x * x).sum();
    if xx <= 0.0 {
        return Err(MeasureError::BadParameter { what: "spread of x", given: xx, expected: "above 0" });
    }
    let slope = x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>() / xx;
    let rest: f64 = x.iter().zip(y).map(|(x, y)| (y - slope * x).powi(2)).sum();
    let yy: f64 = y.iter().map(|y| y * y).sum();
    let dof = x.len() as f64 - 1.0;
    let residual = (rest / dof).sqrt();
    Ok(Line {
        intercept: 0.0,
        slope,
        intercept_error: 0.0,
        slope_error: residual / xx.sqrt(),
        residual,
        explained: if yy > 0.0 { 1.0 - rest / yy } else { 1.0 },
        degrees_of_freedom: dof,
    })
}

/// Normal equations of a least-squares fit, filled row by row. For basis functions of like size that are
/// nearly at right angles (sines, a centred straight line), where they lose no digits that matter.
#[derive(Debug, Clone)]
pub(crate) struct Normal {
    size: usize,
    matrix: Vec<f64>,
    right: Vec<f64>,
}

/// Coefficients and the inverse of the normal matrix, row by row.
pub(crate) struct Solution {
    pub(crate) coefficients: Vec<f64>,
    pub(crate) inverse: Vec<f64>,
}

impl Normal {
    pub(crate) fn new(size: usize) -> Self {
        Self { size, matrix: vec![0.0; size * size], right: vec![0.0; size] }
    }

    pub(crate) fn add(&mut self, row: &[f64], value: f64) {
        for (i, a) in row.iter().enumerate() {
            self.right[i] += a * value;
            for (j, b) in row.iter().enumerate().take(i + 1) {
                self.matrix[i * self.size + j] += a * b;
            }
        }
    }

    /// By Cholesky's decomposition; none where the basis does not span its space.
    pub(crate) fn solve(self) -> Option<Solution> {
        let n = self.size;
        let mut l = self.matrix;
        let scale = (0..n).map(|i| l[i * n + i]).fold(0.0, f64::max);
        for i in 0..n {
            for j in 0..=i {
                let sum: f64 = (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum();
                let rest = l[i * n + j] - sum;
                if i == j {
                    if rest.is_nan() || rest <= 1e-13 * scale {
                        return None;
                    }
                    l[i * n + i] = rest.sqrt();
                } else {
                    l[i * n + j] = rest / l[j * n + j];
                }
            }
        }
        let solve = |mut b: Vec<f64>| {
            for i in 0..n {
                let sum: f64 = (0..i).map(|k| l[i * n + k] * b[k]).sum();
                b[i] = (b[i] - sum) / l[i * n + i];
            }
            for i in (0..n).rev() {
                let sum: f64 = (i + 1..n).map(|k| l[k * n + i] * b[k]).sum();
                b[i] = (b[i] - sum) / l[i * n + i];
            }
            b
        };
        let mut inverse = Vec::with_capacity(n * n);
        for i in 0..n {
            let mut unit = vec![0.0; n];
            unit[i] = 1.0;
            inverse.extend(solve(unit));
        }
        Some(Solution { coefficients: solve(self.right), inverse })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NORRIS_X: [f64; 36] = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
        11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2,
        669.1, 448.9, 0.5,
    ];
    const NORRIS_Y: [f64; 36] = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
        10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9,
        668.4, 449.2, 0.2,
    ];

    #[track_caller]
    fn near(what: &str, got: f64, want: f64) {
        assert!(((got - want) / want).abs() < 1e-10, "{what}: {got}, certified {want}");
    }

    /// NIST StRD, linear regression: Norris, NoInt1 and NoInt2 with their certified values (residual deviation of Norris
    /// and all of NoInt2 from memory, computed again in 40 digits).
    #[test]
    fn certified_lines_of_nist_strd() {
        let norris = line(&NORRIS_X, &NORRIS_Y).unwrap();
        for (what, got, want) in [
            ("Norris B0", norris.intercept, -0.262_323_073_774_029),
            ("Norris B1", norris.slope, 1.002_116_818_020_45),
            ("Norris s(B0)", norris.intercept_error, 0.232_818_234_301_152),
            ("Norris s(B1)", norris.slope_error, 4.297_968_481_999_37e-4),
            ("Norris s", norris.residual, 0.884_796_396_144_373),
            ("Norris R2", norris.explained, 0.999_993_745_883_712),
        ] {
            near(what, got, want);
        }
        let rising: Vec<f64> = (0..11).map(f64::from).collect();
        let x: Vec<f64> = rising.iter().map(|i| 60.0 + i).collect();
        let y: Vec<f64> = rising.iter().map(|i| 130.0 + i).collect();
        let first = line_through_origin(&x, &y).unwrap();
        let second = line_through_origin(&[4.0, 5.0, 6.0], &[3.0, 4.0, 4.0]).unwrap();
        for (what, got, want) in [
            ("NoInt1 B1", first.slope, 2.074_380_165_289_26),
            ("NoInt1 s(B1)", first.slope_error, 0.016_528_925_619_834_7),
            ("NoInt1 s", first.residual, 3.567_530_340_063_38),
            ("NoInt1 R2", first.explained, 0.999_365_492_298_663),
            ("NoInt2 B1", second.slope, 0.727_272_727_272_727),
            ("NoInt2 s(B1)", second.slope_error, 0.042_082_731_807_843_2),
            ("NoInt2 s", second.residual, 0.369_274_472_937_998),
            ("NoInt2 R2", second.explained, 0.993_348_115_299_335),
        ] {
            near(what, got, want);
        }
    }

    #[test]
    fn what_gives_no_line_is_refused() {
        assert!(line(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_err());
        assert!(line(&[1.0, 2.0], &[1.0, 2.0]).is_err());
        assert!(line(&[1.0, 2.0, 3.0], &[1.0, 2.0]).is_err());
        assert!(line(&[1.0, f64::NAN, 3.0], &[1.0, 2.0, 3.0]).is_err());
        let mut normal = Normal::new(2);
        normal.add(&[1.0, 1.0], 1.0);
        normal.add(&[2.0, 2.0], 1.0);
        assert!(normal.solve().is_none(), "two functions that are one");
    }
}
