//! The procedure video-levels: levels, times and structure of the composite video.

mod judge;
mod parameters;
mod take;

use parameters as p;
use take::Taker;
use tapewright_sdk::prelude::*;

struct VideoLevels;

impl Procedure for VideoLevels {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        for (good, reject) in p::PAIRS {
            if settings.number(good) > settings.number(reject) {
                let why = format!("setting `{}` exceeds `{}`: good would lie beyond reject", good.name, reject.name);
                return Err(Unable::new(UnableCode::NotPossible, why));
            }
        }
        let subject = subject()?;
        let video = hooked_up(Signal::Video)?;
        if video.trigger_only {
            let why =
                format!("video is on {}, which can only trigger: put it on a channel that samples", video.channel);
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        let switch = hookup()?.into_iter().any(|point| point.signal == Signal::HeadSwitch);
        if now() != Mode::Play {
            go(Mode::Play)?;
        }
        let taker = Taker { lines: subject.format.lines };
        report.progress(0.1, "captures lines");
        let lines = taker.lines(settings.count(&p::LINES))?;
        if lines.levels.len() < 3 {
            let nothing = Unable::new(UnableCode::SignalAbsent, "no sync pulses stand out: run `signal-presence`");
            let mut why = lines.without.1.unwrap_or(nothing);
            why.why = format!("{} lines in all captures. {}", lines.levels.len(), why.why);
            return Err(why);
        }
        if lines.without.0 > 0 {
            report.note(&format!("{} captures show no sync pulses, and do not count", lines.without.0));
        }
        let levels = judge::levels(&lines, taker.lines, settings, report)?;
        let times = judge::times(&lines, taker.lines, settings, report)?;
        report.progress(0.6, "captures field syncs");
        let fields = match taker.fields(switch) {
            Ok(Some(starts)) => judge::fields(&starts, taker.lines, report)?,
            Ok(None) => {
                report.note("The scope has no trigger on video and the head switch is not hooked up: field syncs were not looked at.");
                true
            }
            Err(unable) if unable.code == UnableCode::NoTrigger => {
                report.unable(unable.on("video.field-structure"));
                false
            }
            Err(unable) => return Err(unable),
        };
        report.progress(0.8, "records as many lines as the scope holds");
        judge::long(taker.long()?, taker.lines, report)?;
        if levels && times && fields {
            report.found(Finding::VideoRight, &format!("{} lines", lines.levels.len()));
        }
        Ok(())
    }
}

tapewright_sdk::export!(VideoLevels);
