//! What a screen and a line look like, and that neither leaves its size.

use super::*;
use proptest::prelude::*;
use tapewright_host::Choice;

fn gauge(name: &str, value: f64, unit: Unit, bar: (f64, f64)) -> Gauge {
    let (low, high) = (value - 0.01, value + 0.01);
    Gauge { name: name.to_owned(), unit, value, low, high, bar_low: bar.0, bar_high: bar.1, trend: Trend::Unknown }
}

fn frame() -> LiveFrame {
    let ratio = |name: &str, value: f64| gauge(name, value, Unit::One, (0.0, 1.25));
    let um = |name: &str, value: f64| gauge(name, value, Unit::Micrometre, (-29.0, 29.0));
    let reading = Reading {
        headline: "EXIT HIGH".to_owned(),
        trend: Trend::Better,
        large: Some(9),
        gauges: vec![
            ratio("head-a.entrance", 1.01),
            ratio("head-a.middle", 0.61),
            ratio("head-a.exit", 1.27),
            ratio("head-a.flatness", 0.77),
            ratio("head-b.entrance", 0.99),
            ratio("head-b.middle", 0.60),
            ratio("head-b.exit", 1.26),
            ratio("head-b.flatness", 0.78),
            um("entrance-guide.height-error", 0.4),
            um("exit-guide.height-error", -17.8),
        ],
        says: "entrance guide is not surely off (+0.4 um); exit guide stands high by about 18 um across the track. Adjust, then look at the other side.".to_owned(),
        warnings: vec!["The noise is still in the levels: it is taken when the machine stands in stop.".to_owned()],
        choices: vec![
            Choice { word: "centre".to_owned(), text: "tracking stands at its centre now".to_owned() },
            Choice { word: "forget".to_owned(), text: "begin anew".to_owned() },
        ],
    };
    LiveFrame {
        number: 7,
        procedure: "guide-adjust".to_owned(),
        reading: Some(reading),
        trouble: None,
        captures_a_second: Some(14.96),
        mode: Mode::Play,
        dwell_left_s: None,
        prompt: None,
        ended: None,
    }
}

fn shown(size: Size) -> String {
    screen(&frame(), size, Around { bench: "left", ..Around::default() }).join("\n")
}

#[test]
fn a_usual_terminal() {
    insta::assert_snapshot!(shown((80, 24)));
}

#[test]
fn a_large_terminal() {
    insta::assert_snapshot!(shown((132, 43)));
}

#[test]
fn a_small_terminal() {
    insta::assert_snapshot!(shown((40, 14)));
}

#[test]
fn the_end_of_a_still_is_loud() {
    let frame = LiveFrame { dwell_left_s: Some(4.6), mode: Mode::Still, ..frame() };
    insta::assert_snapshot!(screen(&frame, (80, 24), Around { bench: "left", ..Around::default() }).join("\n"));
}

#[test]
fn a_line() {
    insta::assert_snapshot!(line(&frame()));
    let stopped =
        LiveFrame { reading: None, trouble: Some("no edge came".to_owned()), captures_a_second: None, ..frame() };
    insta::assert_snapshot!(line(&stopped));
}

proptest! {
    #[test]
    fn no_size_breaks_it(columns in 1_usize..300, rows in 1_usize..120, value in -1e4_f64..1e4, leaving: bool) {
        let mut frame = frame();
        if let Some(reading) = &mut frame.reading {
            reading.gauges[9].value = value;
        }
        let lines = screen(&frame, (columns, rows), Around { bench: "left", leaving, ..Around::default() });
        prop_assert_eq!(lines.len(), rows);
        for line in lines {
            prop_assert!(line.chars().count() <= columns, "{} in {}: {}", line.chars().count(), columns, line);
        }
    }
}
