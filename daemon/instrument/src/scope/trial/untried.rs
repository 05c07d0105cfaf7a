//! Keys of the file that no row can try, and why: what the report keeps silent about is not thereby right.

use super::{Untried, Walk};
use crate::dialect::{Op, StateForm};

impl Walk<'_> {
    /// What was not tried of this file on this instrument.
    pub(super) fn untried(&self) -> Vec<Untried> {
        let dialect = &self.scope.dialect;
        let (limits, manners) = (&dialect.limits, &dialect.profile);
        let mut list = Vec::new();
        let mut add = |keys: &[&str], why: &'static str| {
            list.push(Untried { keys: keys.iter().map(|key| (*key).to_owned()).collect(), why: why.to_owned() });
        };
        add(
            &[
                "limits.gain-tolerance",
                "limits.offset-tolerance-divisions",
                "limits.offset-tolerance-v",
                "limits.timebase-tolerance",
                "limits.bandwidth-hz",
                "limits.peak-pulse-s",
                "limits.settle-s",
                "volts-at",
            ],
            "it takes signals that are known better than the scope measures: see its data sheet",
        );
        add(&["limits.level-divisions"], "only the screen shows them: count them");
        add(
            &[
                "limits.range-steps",
                "limits.span-steps",
                "limits.point-counts",
                "limits.greatest-offset-v",
                "limits.greatest-offset-divisions",
            ],
            "some settings are tried, not all that there may be",
        );
        if limits.points_a_read > limits.usual_points {
            add(&["limits.points-a-read"], "no reading is longer than limits.usual-points");
        }
        if limits.converter_bits <= 8 {
            add(&["data.first-byte", "data.format-code-16"], "data of 16 bits are set, and never read");
        }
        add(
            &["manners.first-byte-s", "manners.gap-s", "manners.silence-s"],
            "they were long enough here; whether the instrument is ever slower did not show",
        );
        add(
            &["manners.padding", "manners.bare-block", "manners.block-text-before"],
            "what they allow was enough here; whether less would do did not show",
        );
        add(&["manners.clear", "manners.clear-by-break"], "nothing was left half said that they would clear");
        if dialect.can(Op::TriggerField) || dialect.can(Op::TriggerLine) || dialect.can(Op::TriggerAnyField) {
            add(&["limits.video-trigger"], "its words are tried, not whether it triggers: that takes video");
        }
        if let StateForm::Words(words) = &dialect.state {
            let unseen =
                words.iter().filter(|(word, _)| !self.states.iter().any(|seen| seen.eq_ignore_ascii_case(word)));
            let keys: Vec<String> = unseen.map(|(word, _)| format!("state.words.{word}")).collect();
            if !keys.is_empty() {
                list.push(Untried { keys, why: "the instrument never told this state".into() });
            }
        }
        if !dialect.not_answered.is_empty() {
            let keys = dialect.not_answered.iter().map(|op| format!("commands.{op}")).collect();
            let why = "read-back.not-answered names it, so that it was sent and not asked back";
            list.push(Untried { keys, why: why.into() });
        }
        if !manners.compound {
            let keys = vec!["manners.most-message".into(), "manners.blocks-joined".into()];
            list.push(Untried { keys, why: "a message holds one command (manners.compound)".into() });
        }
        list
    }
}
