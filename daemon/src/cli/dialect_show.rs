//! `tapewright dialect list` and `tapewright dialect show NAME`: what a dialect can and cannot do.

use core::fmt::Write as _;
use serde_json::{Value, json};
use tapewright_instrument::Dialect;
use tapewright_instrument::dialect::Op;

/// One line a shipped dialect.
pub(super) fn list() -> (String, Value) {
    let (mut text, mut values) = (String::new(), Vec::new());
    for name in Dialect::shipped_names() {
        let Ok(dialect) = Dialect::shipped(name) else { continue };
        let variants = dialect.variants();
        let _written = writeln!(text, "{name:<30}{}", dialect.about);
        let _written = writeln!(text, "{:<30}variants: {}", "", variants.join(", "));
        values.push(json!({ "name": name, "about": dialect.about, "variants": variants }));
    }
    (text, json!({ "dialects": values }))
}

/// All that a dialect says of itself.
pub(super) fn show(dialect: &Dialect) -> (String, Value) {
    let limits = &dialect.limits;
    let channels: Vec<&str> = dialect.channels().map(|input| input.label.as_str()).collect();
    let only: Vec<&str> =
        dialect.inputs.iter().filter(|input| input.trigger_only).map(|input| input.label.as_str()).collect();
    let missing: Vec<&str> = Op::ALL.iter().filter(|op| !dialect.can(**op)).map(|op| op.key()).collect();
    let pulse = limits.peak_pulse_s.map_or_else(|| "none".to_owned(), |s| format!("pulses of {} and more", seconds(s)));
    let rows = [
        ("about", dialect.about.clone()),
        ("source", dialect.source.clone()),
        ("variant", dialect.variant.clone().unwrap_or_else(|| format!("none of: {}", dialect.variants().join(", ")))),
        ("channels", channels.join(", ")),
        ("can only trigger", if only.is_empty() { "none".to_owned() } else { only.join(", ") }),
        (
            "points",
            format!("{} to {}, {} a reading", limits.least_points, limits.greatest_points, limits.points_a_read),
        ),
        ("greatest rate", format!("{} samples a second", limits.greatest_rate_hz)),
        ("record", format!("{} to {}", seconds(limits.least_span_s), seconds(limits.greatest_span_s))),
        (
            "range",
            format!(
                "{} V to {} V a division at the input",
                limits.least_volts_a_division, limits.greatest_volts_a_division
            ),
        ),
        ("converter", format!("{} bits, {} steps a division", limits.converter_bits, limits.steps_a_division)),
        ("bandwidth", format!("{} Hz", limits.bandwidth_hz)),
        ("peak detection", pulse),
        ("video trigger", if limits.video_trigger { "yes" } else { "no" }.to_owned()),
        (
            "errors at most",
            format!(
                "gain {} %, offset {} divisions and {} V, time base {} ppm",
                limits.gain_tolerance * 100.0,
                limits.offset_tolerance_divisions,
                limits.offset_tolerance_v,
                limits.timebase_tolerance * 1e6
            ),
        ),
        ("no words for", if missing.is_empty() { "nothing: it has them all".to_owned() } else { missing.join(", ") }),
    ];
    let mut text = format!("{}\n", dialect.name);
    for (name, value) in &rows {
        let _written = writeln!(text, "  {name:<18}{value}");
    }
    for (i, sentence) in dialect.cannot.iter().enumerate() {
        let _written = writeln!(text, "  {:<18}{sentence}", if i == 0 { "it cannot" } else { "" });
    }
    let value = json!({
        "name": dialect.name,
        "variant": dialect.variant,
        "variants": dialect.variants(),
        "about": dialect.about,
        "source": dialect.source,
        "channels": channels,
        "trigger_only": only,
        "greatest_points": limits.greatest_points,
        "points_a_read": limits.points_a_read,
        "greatest_rate_hz": limits.greatest_rate_hz,
        "bandwidth_hz": limits.bandwidth_hz,
        "peak_pulse_s": limits.peak_pulse_s,
        "video_trigger": limits.video_trigger,
        "gain_tolerance": limits.gain_tolerance,
        "timebase_tolerance": limits.timebase_tolerance,
        "no_words_for": missing,
        "cannot": dialect.cannot,
    });
    (text, value)
}

fn seconds(s: f64) -> String {
    match s {
        s if s >= 1.0 => format!("{s} s"),
        s if s >= 1e-3 => format!("{} ms", s * 1e3),
        s if s >= 1e-6 => format!("{} us", s * 1e6),
        s => format!("{:.1} ns", s * 1e9),
    }
}
