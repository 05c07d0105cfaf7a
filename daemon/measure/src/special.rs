//! Distribution functions and their quantiles, as far as the uncertainties need them.
//!
//! Incomplete gamma and beta functions by series and continued fraction (textbook numerics); the
//! quantiles by bisection on the distribution functions, which cannot fail to converge. Relative
//! accuracy is about 1e-12 for the functions and 1e-11 for the quantiles.

/// Natural logarithm of the gamma function for `x > 0` (Lanczos, g = 7, nine terms).
#[must_use]
pub fn ln_gamma(x: f64) -> f64 {
    const C: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    if x < 0.5 {
        return (core::f64::consts::PI / (core::f64::consts::PI * x).sin()).ln() - ln_gamma(1.0 - x);
    }
    let x = x - 1.0;
    let t = x + 7.5;
    let sum = C.iter().enumerate().skip(1).fold(C[0], |s, (i, c)| s + c / (x + i as f64));
    0.5 * (2.0 * core::f64::consts::PI).ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

/// Upper regularised incomplete gamma function `Q(a, x)`; `P = 1 - Q`.
#[must_use]
pub fn gamma_q(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    let scale = (a * x.ln() - x - ln_gamma(a)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, a);
        for _ in 0..10_000 {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term < sum * 1e-16 {
                break;
            }
        }
        return (1.0 - sum * scale).clamp(0.0, 1.0);
    }
    // Continued fraction by Lentz's method.
    let tiny = 1e-300;
    let mut b = x + 1.0 - a;
    let (mut c, mut d) = (1.0 / tiny, 1.0 / b);
    let mut h = d;
    for i in 1..10_000 {
        let an = -f64::from(i) * (f64::from(i) - a);
        b += 2.0;
        d = an * d + b;
        d = 1.0 / if d.abs() < tiny { tiny } else { d };
        c = b + an / c;
        c = if c.abs() < tiny { tiny } else { c };
        let step = d * c;
        h *= step;
        if (step - 1.0).abs() < 1e-15 {
            break;
        }
    }
    (scale * h).clamp(0.0, 1.0)
}

/// Regularised incomplete beta function `I_x(a, b)`.
#[must_use]
pub fn beta_i(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - beta_i(b, a, 1.0 - x);
    }
    let scale = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp() / a;
    let tiny = 1e-300;
    let guard = |v: f64| if v.abs() < tiny { tiny } else { v };
    let (mut c, mut d) = (1.0, 1.0 / guard(1.0 - (a + b) * x / (a + 1.0)));
    let mut h = d;
    for m in 1..10_000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / guard(1.0 + even * d);
        c = guard(1.0 + even / c);
        h *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / guard(1.0 + odd * d);
        c = guard(1.0 + odd / c);
        let step = d * c;
        h *= step;
        if (step - 1.0).abs() < 1e-15 {
            break;
        }
    }
    (scale * h).clamp(0.0, 1.0)
}

/// Standard normal distribution function, exact in both tails.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    let tail = 0.5 * gamma_q(0.5, 0.5 * z * z);
    if z > 0.0 { 1.0 - tail } else { tail }
}

/// Logarithm of the standard normal distribution function. Fast: a rational approximation of the
/// error function, absolute error of the function below 1.5e-7 (a handbook of functions, 7.1.26),
/// an asymptotic tail below -5.
#[must_use]
pub(crate) fn ln_normal_cdf(z: f64) -> f64 {
    if z < -5.0 {
        let w = 1.0 / (z * z);
        return -0.5 * z * z - (-z).ln() - 0.918_938_533_204_672_7 + (-w + 2.5 * w * w).min(0.0);
    }
    let x = z.abs() * core::f64::consts::FRAC_1_SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let poly =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let tail = 0.5 * poly * (-x * x).exp();
    if z > 0.0 { (-tail).ln_1p() } else { tail.ln() }
}

/// Bisection of a rising function on `[low, high]` for the value `p`.
fn invert(p: f64, mut low: f64, mut high: f64, rising: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let mid = 0.5 * (low + high);
        if mid <= low || mid >= high {
            break;
        }
        if rising(mid) < p {
            low = mid;
        } else {
            high = mid;
        }
    }
    0.5 * (low + high)
}

/// Quantile of the standard normal distribution, `0 < p < 1`.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    if p > 0.5 { -normal_quantile(1.0 - p) } else { invert(p, -38.0, 0.0, normal_cdf) }
}

/// Distribution function of Student's t.
#[must_use]
pub fn student_cdf(t: f64, dof: f64) -> f64 {
    let tail = 0.5 * beta_i(0.5 * dof, 0.5, dof / (dof + t * t));
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// Quantile of Student's t, `0 < p < 1`; `dof` may be any number above 0, not only whole ones.
#[must_use]
pub fn student_quantile(p: f64, dof: f64) -> f64 {
    if p < 0.5 {
        return -student_quantile(1.0 - p, dof);
    }
    if dof > 1e7 {
        return normal_quantile(p);
    }
    let mut high = 2.0;
    while student_cdf(high, dof) < p && high < 1e150 {
        high *= 4.0;
    }
    invert(p, 0.0, high, |t| student_cdf(t, dof))
}

/// Quantile of chi-square, `0 < p < 1`.
#[must_use]
pub fn chi_square_quantile(p: f64, dof: f64) -> f64 {
    let mut high = dof + 10.0;
    while 1.0 - gamma_q(0.5 * dof, 0.5 * high) < p && high < 1e12 {
        high *= 2.0;
    }
    invert(p, 0.0, high, |x| 1.0 - gamma_q(0.5 * dof, 0.5 * x))
}

/// Probability that chi-square with `dof` degrees of freedom exceeds `x`.
#[must_use]
pub fn chi_square_exceeds(x: f64, dof: f64) -> f64 {
    gamma_q(0.5 * dof, 0.5 * x)
}

/// Distribution function of Fisher's F.
#[must_use]
pub fn f_cdf(x: f64, dof1: f64, dof2: f64) -> f64 {
    if x <= 0.0 { 0.0 } else { beta_i(0.5 * dof1, 0.5 * dof2, dof1 * x / (dof1 * x + dof2)) }
}

/// Quantile of Fisher's F, `0 < p < 1`.
#[must_use]
pub fn f_quantile(p: f64, dof1: f64, dof2: f64) -> f64 {
    let mut high = 10.0;
    while f_cdf(high, dof1, dof2) < p && high < 1e150 {
        high *= 10.0;
    }
    invert(p, 0.0, high, |x| f_cdf(x, dof1, dof2))
}

/// Quantile of the beta distribution, `0 < p < 1`.
#[must_use]
pub fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    invert(p, 0.0, 1.0, |x| beta_i(a, b, x))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(what: &str, got: f64, want: f64, within: f64) {
        assert!((got - want).abs() <= within * want.abs().max(1e-12), "{what}: {got}, expected {want}");
    }

    #[test]
    fn quantiles_have_their_tabled_values() {
        // Printed tables of the distributions (common to all statistics texts).
        for (p, z) in [
            (0.8, 0.841_621_2),
            (0.9, 1.281_551_6),
            (0.95, 1.644_853_6),
            (0.975, 1.959_964_0),
            (0.99, 2.326_347_9),
            (0.999, 3.090_232_3),
        ] {
            near("normal", normal_quantile(p), z, 1e-7);
        }
        for (dof, t) in [
            (1.0, 12.706_204_7),
            (2.0, 4.302_652_7),
            (3.0, 3.182_446_3),
            (4.0, 2.776_445_1),
            (9.0, 2.262_157_2),
            (30.0, 2.042_272_5),
            (120.0, 1.979_930_4),
        ] {
            near("student", student_quantile(0.975, dof), t, 1e-7);
            near("student, lower", student_quantile(0.025, dof), -t, 1e-7);
        }
        for (p, dof, x) in
            [(0.025, 9.0, 2.700_389), (0.975, 9.0, 19.022_768), (0.95, 1.0, 3.841_459), (0.05, 10.0, 3.940_299)]
        {
            near("chi-square", chi_square_quantile(p, dof), x, 1e-6);
        }
        near("F 0.95 (5, 10)", f_quantile(0.95, 5.0, 10.0), 3.325_835, 1e-6);
        near("F 0.95 (1, 1)", f_quantile(0.95, 1.0, 1.0), 161.447_64, 1e-6);
    }

    /// Control-chart factors of a sample deviation rest on the gamma function: c4 (computed), and A3 and B4 as a handbook
    /// prints them, for 2 to 5 values.
    #[test]
    fn gamma_gives_the_tabled_chart_factors() {
        for (n, c4, a3, b4) in [
            (2.0_f64, 0.797_885, 2.659, 3.267),
            (3.0, 0.886_227, 1.954, 2.568),
            (4.0, 0.921_318, 1.628, 2.266),
            (5.0, 0.939_986, 1.427, 2.089),
        ] {
            let got = (2.0 / (n - 1.0)).sqrt() * (ln_gamma(n / 2.0) - ln_gamma((n - 1.0) / 2.0)).exp();
            for (what, got, want, half) in [
                ("c4", got, c4, 5e-7),
                ("A3", 3.0 / (got * n.sqrt()), a3, 5e-4),
                ("B4", 1.0 + 3.0 * (1.0 - got * got).sqrt() / got, b4, 5e-4),
            ] {
                assert!((got - want).abs() <= half, "{what} of {n}: {got}, printed {want}");
            }
        }
    }

    #[test]
    fn conformity_probabilities_of_jcgm_106() {
        // JCGM 106:2012, 7.3, diode example and guard bands; two-sided case computed from the same formula.
        near("diode", normal_cdf((-5.40 - -5.47) / 0.05), 0.919_243, 1e-6);
        near("guard 2u", normal_cdf(2.0), 0.977_25, 1e-5);
        near("guard 1.645u", normal_cdf(1.645), 0.95, 2e-5);
        for (y, want) in [(0.8, 0.977_25), (0.835, 0.950_53), (0.9, 0.841_34), (1.0, 0.5)] {
            near("two-sided", normal_cdf((1.0 - y) / 0.1) - normal_cdf((-1.0 - y) / 0.1), want, 1e-5);
        }
    }

    #[test]
    fn the_fast_logarithm_agrees_with_the_exact_one() {
        for i in -80..60 {
            let z = f64::from(i) * 0.1;
            let exact = normal_cdf(z).ln();
            assert!(
                (ln_normal_cdf(z) - exact).abs() < 2e-3_f64.max(exact.abs() * 1e-2),
                "{z}: {} {exact}",
                ln_normal_cdf(z)
            );
        }
    }
}
