//! Small drawings of curves for a terminal: one panel a curve, side by side, from the same zero.

use std::fmt::Write;

/// Rows of a panel. Each row has eight steps, so a panel resolves 1/48 of full height.
const ROWS: usize = 6;

/// Columns of a panel at the least; a curve with more values is drawn as wide as it has values, up to
/// [`MOST_COLUMNS`].
const LEAST_COLUMNS: usize = 20;

/// Columns of a panel at the most: a longer curve is drawn by the mean of neighbouring values.
const MOST_COLUMNS: usize = 60;

/// Parts of a cell, from nothing to full.
const STEPS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// One curve to draw.
#[derive(Debug, Clone, Copy)]
pub struct Curve<'a> {
    /// Shown above its panel.
    pub name: &'a str,
    /// Values at equal steps.
    pub values: &'a [f64],
}

/// Draws curves side by side from zero to their common greatest value. `ends` are the words under the
/// left and the right end of each panel. Values that are not finite or below zero draw as nothing.
///
/// ```
/// use tapewright::report::drawing::{Curve, draw};
/// let flat = [0.5; 20];
/// let text = draw(&[Curve { name: "head A", values: &flat }], "V", ("entrance", "exit"));
/// assert!(text.starts_with("           head A"));
/// assert!(text.contains("████████████████████"));
/// ```
#[must_use]
pub fn draw(curves: &[Curve<'_>], unit: &str, ends: (&str, &str)) -> String {
    let top = curves.iter().flat_map(|c| c.values).copied().filter(|v| v.is_finite()).fold(0.0_f64, f64::max);
    let panels: Vec<(&str, Vec<usize>)> = curves.iter().map(|c| (c.name, heights(c.values, top))).collect();
    let mut out = String::new();
    let margin = 11;
    line(&mut out, "", margin, panels.iter().map(|(name, columns)| format!("{name:<width$}", width = columns.len())));
    for row in (0..ROWS).rev() {
        let label = if row + 1 == ROWS {
            format!("{} {unit} ", number(top))
        } else if row == 0 {
            format!("0 {unit} ")
        } else {
            String::new()
        };
        let cells = panels
            .iter()
            .map(|(_, columns)| columns.iter().map(|&h| STEPS[h.saturating_sub(row * 8).min(8)]).collect::<String>());
        line(&mut out, &label, margin, cells);
    }
    let feet = panels.iter().map(|(_, columns)| {
        let width = columns.len().saturating_sub(ends.0.len());
        format!("{}{:>width$}", ends.0, ends.1)
    });
    line(&mut out, "", margin, feet);
    out
}

fn line(out: &mut String, label: &str, margin: usize, cells: impl Iterator<Item = String>) {
    let mut text = format!("{label:>margin$}");
    for (i, cell) in cells.enumerate() {
        if i > 0 {
            text.push_str("   ");
        }
        text.push_str(&cell);
    }
    let _ = writeln!(out, "{}", text.trim_end());
}

/// Heights in eighths of a row, one a column.
fn heights(values: &[f64], top: f64) -> Vec<usize> {
    let columns = values.len().clamp(LEAST_COLUMNS, MOST_COLUMNS);
    (0..columns)
        .map(|c| {
            let (from, to) = (c * values.len() / columns, ((c + 1) * values.len()).div_ceil(columns));
            let part = values.get(from..to.max(from + 1).min(values.len())).unwrap_or_default();
            let mean = part.iter().sum::<f64>() / part.len().max(1) as f64;
            if mean.is_finite() && mean > 0.0 && top > 0.0 {
                (mean / top * (ROWS * 8) as f64).round() as usize
            } else {
                0
            }
        })
        .collect()
}

/// A number with three significant digits, without an exponent where it can be read without.
#[must_use]
pub fn number(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let magnitude = value.abs().log10().floor();
    if !(-4.0..6.0).contains(&magnitude) {
        return format!("{value:.2e}");
    }
    let digits = (2.0 - magnitude).max(0.0) as usize;
    format!("{value:.digits$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_three_digits() {
        let check = |value: f64, expected: &str| assert_eq!(number(value), expected);
        check(0.0, "0");
        check(0.752_3, "0.752");
        check(29.970_03, "30.0");
        check(-0.01234, "-0.0123");
        check(123_456.0, "123456");
        check(1.0e-7, "1.00e-7");
    }

    #[test]
    fn a_sag_shows_where_it_is() {
        let sag: Vec<f64> = (0..20).map(|k| if k < 15 { 1.0 } else { 0.4 }).collect();
        let text = draw(&[Curve { name: "head A", values: &sag }], "V", ("entrance", "exit"));
        let rows: Vec<&str> = text.lines().collect();
        assert_eq!(rows.len(), ROWS + 2);
        assert_eq!(rows[1].trim_start(), "1.00 V ███████████████");
        assert!(rows[ROWS].ends_with("████████████████████"));
    }

    #[test]
    fn bad_values_draw_as_nothing() {
        let text = draw(&[Curve { name: "x", values: &[f64::NAN, -1.0, f64::INFINITY] }], "V", ("a", "b"));
        assert!(!text.contains('█'));
    }
}
