//! A component with live readings that behaves as its setting `act` says, and whose run wants to record.

use tapewright_sdk::bindings::tapewright::procedure::report as host;
use tapewright_sdk::live::{Choice, Gauge, Live, Reading, Trend};
use tapewright_sdk::prelude::*;
use tapewright_sdk::record_for;

const ACT: Text = Text { name: "act", meaning: "What it does live.", default: "good", source: "this test" };

struct Watcher;

impl Procedure for Watcher {
    fn describe() -> Description {
        Description {
            name: "watcher",
            version: env!("CARGO_PKG_VERSION"),
            purpose: "Is watched, and wants to record.",
            needs: &[Signal::ControlTrack],
            uses: &[],
            modes: &[Mode::Play],
            parameters: &[Parameter::Text(ACT)],
            cautions: &[],
            cover_off: false,
            tells: "Whether the host keeps its word.",
            when_it_fails: "Mend the host.",
            duration_s: 1.0,
        }
    }

    fn run(_settings: &Settings, report: &mut Report) -> Result<()> {
        record_for(2.5)?;
        report.note("it was recorded");
        Err(Unable::new(UnableCode::TooShort, "recorded, and nothing else"))
    }
}

/// A session that counts its looks.
struct Session {
    act: String,
    looks: u32,
    heard: String,
}

impl Live for Session {
    fn begin(settings: &Settings) -> Result<Self> {
        let act = settings.text(&ACT).to_owned();
        if act == "will not begin" {
            return Err(Unable::new(UnableCode::NotHookedUp, "there is nothing to watch"));
        }
        Ok(Self { act, looks: 0, heard: String::new() })
    }

    fn look(&mut self, said: Option<&str>) -> Result<Reading> {
        self.looks += 1;
        if let Some(word) = said {
            word.clone_into(&mut self.heard);
        }
        match self.act.as_str() {
            "spin" => loop {
                std::hint::spin_loop();
            },
            "report" => host::found("rf.present", "nowhere"),
            "go" => drop(go(Mode::Play)?),
            "record" => record_for(1.0)?,
            "trap" => panic!("the second look is too much"),
            "fail every second" if self.looks.is_multiple_of(2) => {
                return Err(Unable::new(UnableCode::NoTrigger, "no edge came"));
            }
            _ => {}
        }
        let capture = Acquire::of(&[Signal::ControlTrack]).span_s(0.1).take_one()?;
        let codes = capture.trace(Signal::ControlTrack)?;
        let value = f64::from(*codes.codes.iter().max().unwrap_or(&0)) * codes.info.gain_v;
        let value = if self.act == "nan" { f64::NAN } else { value };
        let interval = Interval { low: value - 0.1, high: value + 0.1, coverage: 0.95 };
        let gauge =
            Gauge { name: "level".into(), unit: Unit::Volt, value, interval, bar: (0.0, 2.0), trend: Trend::Same };
        Ok(Reading {
            headline: if self.act == "long" { "A".repeat(2_000) } else { format!("LOOK {}", self.looks) },
            trend: Trend::Same,
            large: Some(if self.act == "beyond" { 5 } else { 0 }),
            gauges: if self.act == "many" { vec![gauge; 100] } else { vec![gauge] },
            says: self.heard.clone(),
            warnings: Vec::new(),
            choices: vec![Choice { word: "again", text: "once more" }],
        })
    }
}

tapewright_sdk::export!(Watcher);
tapewright_sdk::export_live!(Session);
