//! A live frame as a screen, as a line, and what its keys are. Pure: from a frame and a size to text.

use super::big;
use crate::live::LiveFrame;
use crate::report::text::unit_text;
use std::fmt::Write;
use tapewright_formats::{Mode, Unit};
use tapewright_host::{Gauge, Reading, Trend};

/// Columns and rows of a terminal.
pub(super) type Size = (usize, usize);

/// Parts of a cell of a bar, from nothing to full.
const PARTS: [char; 8] = [' ', '▏', '▎', '▍', '▌', '▋', '▊', '▉'];

const RED: &str = "\x1b[31m";
const GREEN: &str = "\x1b[32m";
const YELLOW: &str = "\x1b[33m";
const BOLD: &str = "\x1b[1m";
const PLAIN: &str = "\x1b[0m";

/// What is shown besides the frame.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Around<'a> {
    /// The bench.
    pub(super) bench: &'a str,
    /// A remark of this program, e.g. that a word was not taken.
    pub(super) remark: &'a str,
    /// Whether `q` was pressed while the machine moves.
    pub(super) leaving: bool,
    /// Colours are wanted.
    pub(super) colour: bool,
}

/// A trend in words that are not read for each other.
pub(super) const fn trend_word(trend: Trend) -> &'static str {
    match trend {
        Trend::Unknown => "",
        Trend::Same => "SAME",
        Trend::Better => "BETTER",
        Trend::Worse => "WORSE",
    }
}

/// A gauge's number with the digits that its interval leaves.
pub(super) fn number(gauge: &Gauge) -> String {
    let places = match gauge.unit {
        Unit::One => 2,
        Unit::Micrometre | Unit::Decibel | Unit::Percent => 1,
        _ => 3,
    };
    let signed = gauge.bar_low < 0.0;
    if signed { format!("{:+.places$}", gauge.value) } else { format!("{:.places$}", gauge.value) }
}

/// A bar of so many cells.
fn bar(gauge: &Gauge, cells: usize) -> String {
    let share = ((gauge.value - gauge.bar_low) / (gauge.bar_high - gauge.bar_low)).clamp(0.0, 1.0);
    let eighths = (share * (cells * 8) as f64).round() as usize;
    let mut text: String = std::iter::repeat_n('█', eighths / 8).collect();
    if !eighths.is_multiple_of(8) {
        text.push(PARTS[eighths % 8]);
    }
    let length = text.chars().count();
    text.extend(std::iter::repeat_n('·', cells.saturating_sub(length)));
    text
}

/// Gauges by what stands before the last point of their names: a head, a guide.
fn groups(gauges: &[Gauge]) -> Vec<(&str, Vec<(&str, &Gauge)>)> {
    let mut groups: Vec<(&str, Vec<(&str, &Gauge)>)> = Vec::new();
    for gauge in gauges {
        let (group, item) = gauge.name.rsplit_once('.').unwrap_or(("", &gauge.name));
        match groups.last_mut().filter(|(last, _)| *last == group) {
            Some((_, items)) => items.push((item, gauge)),
            None => groups.push((group, vec![(item, gauge)])),
        }
    }
    groups
}

/// The screen, exactly as many lines as the terminal has rows, none wider than it.
pub(super) fn screen(frame: &LiveFrame, size: Size, around: Around<'_>) -> Vec<String> {
    let (columns, rows) = size;
    let foot = foot(frame, columns, around);
    let bars = frame.reading.as_ref().map_or_else(Vec::new, |reading| bars(reading, columns));
    let above = rows.saturating_sub(foot.len() + bars.len());
    let mut lines = head(frame, (columns, above), around.colour);
    if lines.len() < above {
        lines.push(String::new());
    }
    lines.extend(bars);
    lines.truncate(rows.saturating_sub(foot.len()));
    lines.resize(rows.saturating_sub(foot.len()), String::new());
    lines.extend(foot);
    lines.truncate(rows);
    lines
}

/// Headline and the large number, as large as there is room for.
fn head(frame: &LiveFrame, (columns, rows): Size, colour: bool) -> Vec<String> {
    let paint = |lines: Vec<String>, with: &str| -> Vec<String> {
        if colour { lines.into_iter().map(|line| format!("{with}{line}{PLAIN}")).collect() } else { lines }
    };
    if let Some(left_s) = frame.dwell_left_s.filter(|left| *left <= 30.0) {
        let text = format!("HANDS CLEAR {left_s:.0}");
        return paint(large(&text, (columns, rows)), RED);
    }
    let Some(reading) = &frame.reading else {
        let text = frame.trouble.as_ref().map_or("WAIT", |_| "NO READING");
        return paint(large(text, (columns, rows)), YELLOW);
    };
    let trend = match reading.trend {
        Trend::Better => GREEN,
        Trend::Worse => RED,
        Trend::Same | Trend::Unknown => BOLD,
    };
    let gauge = reading.large.and_then(|place| reading.gauges.get(place as usize));
    let Some(gauge) = gauge else { return paint(large(&reading.headline, (columns, rows)), BOLD) };
    let value = number(gauge);
    let with_unit = format!("{value} {}", short_unit(gauge.unit));
    let word = trend_word(reading.trend);
    // Three blocks where there is room for them, else number and trend side by side.
    let blocks: Vec<(Vec<&str>, &str)> = if rows >= 3 * (big::ROWS + 1) - 1 {
        vec![(vec![&reading.headline], BOLD), (vec![&with_unit, &value], trend), (vec![word], trend)]
    } else {
        vec![(vec![&reading.headline], BOLD)]
    };
    let side_by_side = [format!("{with_unit} {word}"), format!("{value} {word}")];
    let blocks = if blocks.len() == 1 {
        let texts = side_by_side.iter().map(|text| text.trim_end()).collect();
        blocks.into_iter().chain([(texts, trend)]).collect()
    } else {
        blocks
    };
    let each = (rows + 1) / blocks.len().max(1);
    let mut lines = Vec::new();
    for (place, (texts, colour)) in blocks.into_iter().enumerate() {
        if place > 0 {
            lines.push(String::new());
        }
        lines.extend(paint(largest(&texts, (columns, each.saturating_sub(1))), colour));
    }
    lines.truncate(rows);
    lines
}

/// The first of the texts that fits in large letters; else the first as a plain line.
fn largest(texts: &[&str], size: Size) -> Vec<String> {
    let fits = texts.iter().find(|text| big::scale(text, size.0, size.1).is_some());
    fits.or(texts.first()).map_or_else(Vec::new, |text| large(text, size))
}

fn short_unit(unit: Unit) -> &'static str {
    unit_text(unit)
}

/// Large letters, or a plain line where there is no room for them.
fn large(text: &str, (columns, rows): Size) -> Vec<String> {
    match big::scale(text, columns, rows) {
        Some(scale) => big::lines(text, scale),
        None => vec![cut(text, columns)],
    }
}

fn bars(reading: &Reading, columns: usize) -> Vec<String> {
    let groups = groups(&reading.gauges);
    let widest = groups.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    let mut lines = Vec::new();
    for (group, items) in groups {
        let each = columns.saturating_sub(widest + 1) / items.len().max(1);
        let (mut names, mut cells) = (format!("{:widest$} ", ""), format!("{group:widest$} "));
        for (item, gauge) in items {
            let label = format!("{item} {}", number(gauge));
            let _ = write!(names, "{:<each$}", cut(&label, each.saturating_sub(1)));
            let _ = write!(cells, "{:<each$}", bar(gauge, each.saturating_sub(2)));
        }
        lines.push(cut(names.trim_end(), columns));
        lines.push(cut(cells.trim_end(), columns));
    }
    lines
}

/// What to do, what works against it, the keys, and where everything stands.
fn foot(frame: &LiveFrame, columns: usize, around: Around<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    let mut say = |text: &str| lines.extend(wrapped(text, columns));
    if let Some(prompt) = &frame.prompt {
        say(&format!("{} Then press d.", prompt.question.text));
    }
    if let Some(trouble) = &frame.trouble {
        say(&format!("! {trouble}"));
    }
    if let Some(reading) = &frame.reading {
        for warning in &reading.warnings {
            say(&format!("! {warning}"));
        }
        say(&reading.says);
    }
    if around.leaving {
        say(&format!("The machine is in {}: q once more leaves it so, s stops it first (hands clear).", frame.mode));
    } else if !around.remark.is_empty() {
        say(around.remark);
    }
    let rate = frame.captures_a_second.map_or_else(|| "-".to_owned(), |rate| format!("{rate:.1}"));
    let keys: Vec<String> = keys(frame).into_iter().map(|(key, meaning)| format!("{key} {meaning}")).collect();
    lines.extend(wrapped(&keys.join("  "), columns));
    let status = format!("{} on `{}`  {}  {rate} captures a second", frame.procedure, around.bench, frame.mode);
    lines.push(cut(&status, columns));
    lines
}

/// The keys that do something now, with what they do.
pub(super) fn keys(frame: &LiveFrame) -> Vec<(char, String)> {
    let choices = frame.reading.as_ref().map_or(&[][..], |reading| &reading.choices);
    let mut keys: Vec<(char, String)> =
        choices.iter().zip('1'..='9').map(|(choice, key)| (key, choice.text.clone())).collect();
    if frame.prompt.is_some() {
        keys.push(('d', "done".to_owned()));
    }
    if frame.mode == Mode::Stop {
        keys.push(('p', "play".to_owned()));
    } else {
        keys.push(('s', "stop".to_owned()));
    }
    keys.push(('q', "leave".to_owned()));
    keys
}

/// The frame as one line.
pub(super) fn line(frame: &LiveFrame) -> String {
    let rate = frame.captures_a_second.map_or_else(|| "   -".to_owned(), |rate| format!("{rate:>4.1}"));
    let mut out = format!("{rate}/s  {:<5}", frame.mode.as_str());
    if let Some(left_s) = frame.dwell_left_s.filter(|left| *left <= 30.0) {
        let _ = write!(out, "  HANDS CLEAR: the still ends in {left_s:.0} s");
    }
    if let Some(trouble) = &frame.trouble {
        let _ = write!(out, "  no reading: {trouble}");
    }
    let Some(reading) = &frame.reading else { return out };
    let _ = write!(out, "  {:<18} {:<6}", reading.headline, trend_word(reading.trend));
    for (group, items) in groups(&reading.gauges) {
        let of = |(item, gauge): &(&str, &Gauge)| {
            let text = format!("{item} {} {}", number(gauge), short_unit(gauge.unit));
            text.trim_end().to_owned()
        };
        let items = items.iter().map(of).collect::<Vec<_>>().join(", ");
        let _ = write!(out, "  {group}: {items}");
    }
    out
}

fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > columns {
            lines.push(core::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(&cut(word, columns));
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

fn cut(text: &str, columns: usize) -> String {
    text.chars().take(columns).collect()
}

#[cfg(test)]
#[path = "view_tests.rs"]
mod tests;
