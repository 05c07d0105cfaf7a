//! The procedure video-levels: levels, times and structure of the composite video.

mod heads;
mod judge;
mod parameters;
mod take;

use heads::Rf;
use parameters as p;
use take::Taker;
use tapewright_sdk::prelude::*;

struct VideoLevels;

impl Procedure for VideoLevels {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&p::PAIRS)?;
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
        let (without, captures) = (lines.without.0, lines.captures);
        if comes_and_goes(without, captures) {
            let why = format!(
                "{without} of {captures} captures in play show no sync pulses: the video comes and goes, and what the others show is \
                 not the whole of it; look at the RF of both heads first (`signal-presence`, `envelope`), then at tracking and tape"
            );
            return Err(Unable::new(UnableCode::NotSteady, why).on("video"));
        }
        if without > 0 {
            report.note(&format!("{without} of {captures} captures show no sync pulses, and do not count"));
        }
        let levels = judge::levels(&lines, taker.lines, settings, report)?;
        let times = judge::times(&lines, taker.lines, settings, report)?;
        report.progress(0.6, "captures field syncs");
        let fields = match taker.fields(switch) {
            Ok(Some(starts)) => Some(judge::fields(&starts, taker.lines, report)?),
            Ok(None) => {
                report.note("The scope has no trigger on video and the head switch is not hooked up: field syncs were not looked at, and `video.right` is not stated.");
                None
            }
            Err(unable) if unable.code == UnableCode::NoTrigger => {
                report.unable(unable.on("video.field-structure"));
                Some(false)
            }
            Err(unable) => return Err(unable),
        };
        report.progress(0.8, "records as many lines as the scope holds");
        let long = match taker.long() {
            Ok(long) => judge::long(&long, taker.lines, report)?,
            Err(unable) if unable.code == UnableCode::InNoise => {
                report.unable(unable.on("video.time-base-error"));
                false
            }
            Err(unable) => return Err(unable),
        };
        if nothing_wrong(levels, times, fields, long) {
            off_tape(&subject, lines.levels.len(), fields.is_some(), report);
        }
        Ok(())
    }
}

/// Whether more captures than a tenth are without sync, and more than some two that lay in a field sync: nine lines of it hold
/// no line's sync.
const fn comes_and_goes(without: usize, captures: usize) -> bool {
    without > 2 + captures / 10
}

/// Whether everything that was looked at passed (no fields: they were not).
const fn nothing_wrong(levels: bool, times: bool, fields: Option<bool>, long: bool) -> bool {
    levels && times && long && !matches!(fields, Some(false))
}

/// All that was seen is as it should be: it counts where it follows the RF. Nothing in the video itself proves that it comes off the
/// tape: lines that do not keep their time may be those of one head, in turn with the machine's own picture.
fn off_tape(subject: &Subject, lines: usize, fields: bool, report: &mut Report) {
    report.progress(0.9, "looks at the RF of both heads");
    match heads::look(subject) {
        Rf::There if fields => report.found(Finding::VideoRight, &format!("{lines} lines, with RF of both heads")),
        Rf::There => {}
        Rf::Missing(seen) => {
            let why = format!(
                "{seen}, so that the video may be the machine's own picture (a muted machine sends one) and says nothing of playback: look \
                 at the RF of both heads and its probe first (`signal-presence`, `envelope`)"
            );
            report.unable(Unable::new(UnableCode::SignalAbsent, why).on("video"));
        }
        Rf::Unknown(unable) => {
            let why = format!(
                "what was measured is right, but it may be the machine's own picture (a muted machine sends one), since the RF of both \
                 heads was not seen beside it: {}; it takes `rf`, with the level that its point should have, and `head-switch`",
                unable.why
            );
            report.unable(Unable::new(unable.code, why).on("video"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_failed_is_wrong() {
        assert!(nothing_wrong(true, true, Some(true), true) && nothing_wrong(true, true, None, true));
        assert!(!nothing_wrong(true, true, Some(true), false) && !nothing_wrong(true, true, Some(false), true));
        assert!(!nothing_wrong(false, true, Some(true), true) && !nothing_wrong(true, false, None, true));
    }

    /// A dead head takes half; of a healthy machine's captures one in forty lies in a field sync.
    #[test]
    fn video_that_comes_and_goes_is_told_from_field_syncs() {
        for (without, captures, wanted) in [
            (0, 24, false),
            (3, 24, false),
            (5, 24, true),
            (14, 24, true),
            (1, 6, false),
            (3, 6, true),
            (40, 500, false),
        ] {
            assert_eq!(comes_and_goes(without, captures), wanted, "{without} of {captures}");
        }
    }
}

tapewright_sdk::export!(VideoLevels);
