//! Each measurement beside the same computation by an outside numerical library, on the same samples in one
//! run, as a ratio; the envelope in a component beside the native call; what memory that takes.
//!
//! `cargo bench -p tapewright-tests --bench ratios`. Reported, never judged. The outside library (numpy and scipy,
//! pinned in `tests/outside/requirements.txt`) is looked for in `target/outside-venv`, which
//! `tests/outside/run.sh` makes, then as `python3`; without it the native times are printed alone. Ours states an
//! interval with each value; the outside computation states the value alone.

mod cases;
mod component;
mod outside;
mod signals;

use std::fmt::Write;
use tapewright_clock::Clock;

/// Best of so many.
const TRIES: u32 = 15;

/// One computation, on samples that the outside library gets too.
pub(crate) struct Case {
    /// As the table names it, and the outside script.
    pub(crate) name: &'static str,
    /// Samples that both take.
    pub(crate) samples: usize,
    /// Does it once, and returns what came out, to be compared.
    pub(crate) run: Box<dyn Fn() -> Vec<f64>>,
    /// What the result should be, where a formula says it.
    pub(crate) truth: Option<Vec<f64>>,
}

/// Best time of a few, in seconds: the try that other work on the machine disturbed least.
pub(crate) fn best_s<T>(tries: u32, mut work: impl FnMut() -> T) -> f64 {
    let clock = Clock::real();
    let timed = |_| {
        let from = clock.now();
        core::hint::black_box(work());
        clock.now().since(from).as_secs_f64()
    };
    (0..tries).map(timed).fold(f64::INFINITY, f64::min)
}

/// Greatest relative difference of two lists, in per cent; none where they are not of one length.
pub(crate) fn worst_percent(got: &[f64], want: &[f64]) -> Option<f64> {
    (got.len() == want.len() && !got.is_empty())
        .then(|| 100.0 * got.iter().zip(want).map(|(g, w)| (g / w - 1.0).abs()).fold(0.0, f64::max))
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder for the samples");
    let cases = cases::all(folder.path());
    let outside = outside::run(folder.path(), TRIES);
    let mut text = String::new();
    if let Err(why) = &outside {
        let _ = writeln!(text, "the outside library was not run: {why}\n");
    }
    let _ = writeln!(
        text,
        "{:<46} {:>9} {:>11} {:>11} {:>8}  accuracy: ours, theirs (greatest relative)",
        "measurement", "samples", "ours", "theirs", "times"
    );
    for case in &cases {
        let ours_s = best_s(TRIES, &case.run);
        let result = (case.run)();
        let off = |got: &[f64]| {
            let percent = case.truth.as_ref().and_then(|truth| worst_percent(got, truth));
            percent.map_or_else(|| "-".to_owned(), |p| format!("{p:.3} %"))
        };
        let ours = format!("{:.3} ms", 1e3 * ours_s);
        let rows = outside.as_ref().map(|rows| rows.iter().filter(|row| row.of == case.name).collect::<Vec<_>>());
        let rows = rows.unwrap_or_default();
        if rows.is_empty() {
            let _ = writeln!(
                text,
                "{:<46} {:>9} {ours:>11} {:>11} {:>8}  {}",
                case.name,
                case.samples,
                "-",
                "-",
                off(&result)
            );
        }
        for row in rows {
            let theirs = format!("{:.3} ms", 1e3 * row.best_s);
            let agreement = if case.truth.is_some() {
                format!("{}, {}", off(&result), off(&row.result))
            } else {
                let apart = worst_percent(&result, &row.result);
                apart.map_or_else(|| "results not of one kind".to_owned(), |p| format!("they differ by {p:.4} %"))
            };
            let _ = writeln!(
                text,
                "{:<46} {:>9} {ours:>11} {theirs:>11} {:>8.2}  {agreement}; {}",
                case.name,
                case.samples,
                row.best_s / ours_s,
                row.how
            );
        }
    }
    text.push_str(&component::compare());
    drop(std::io::Write::write_all(&mut std::io::stdout(), text.as_bytes()));
}
