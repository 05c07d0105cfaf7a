//! What was set against what is read back, and what to change where they differ.

use crate::dialect::Op;
use crate::scpi::{Message, answer};

/// Relative difference that counts as rounding.
const ROUNDING: f64 = 0.01;

/// A command as its header and its data; none for a command without data.
pub(super) fn cut(message: &Message) -> Option<(&str, Vec<&str>)> {
    let (header, data) = message.text().split_once(' ')?;
    if data.contains(['"', '\'', '(', '#', ';']) {
        return None;
    }
    Some((header, answer::parts(data)))
}

/// Whether an answer tells what was set.
pub(super) fn same(set: &[&str], told: &str) -> bool {
    let told = answer::parts(told);
    set.len() == told.len() && set.iter().zip(told).all(|(set, told)| alike(set, told))
}

fn alike(set: &str, told: &str) -> bool {
    if let (Ok(set), Ok(told)) = (answer::value(set), answer::value(told)) {
        return (set - told).abs() <= ROUNDING * set.abs().max(told.abs()) + 1e-12;
    }
    if let (Ok(set), Ok(told)) = (answer::boolean(set), answer::boolean(told)) {
        return set == told;
    }
    // A word is answered in its long or its short form (SCPI-99 vol. 1, 6.2.1).
    let short: String = set.chars().filter(|c| !c.is_ascii_lowercase()).collect();
    told.eq_ignore_ascii_case(set) || told.eq_ignore_ascii_case(&short)
}

/// What to do about a complaint.
pub(super) fn about_complaint(op: Op, complaints: &[String]) -> String {
    let begins = |range: core::ops::RangeInclusive<i32>| {
        complaints.iter().any(|text| {
            let code = text.split(',').next().and_then(|code| code.parse::<i32>().ok());
            code.is_some_and(|code| range.contains(&code))
        })
    };
    if begins(-119..=-110) || begins(-100..=-100) {
        format!("the instrument does not know these words: look them up in its manual and change commands.{op}")
    } else if begins(-199..=-100) {
        format!(
            "the instrument knows the header but not what follows it: look its parameters up and change commands.{op}"
        )
    } else if begins(-299..=-200) {
        format!(
            "the instrument knows commands.{op} but not these values: look up its limits and words, and change [limits] or [words]"
        )
    } else {
        format!("the instrument did not take commands.{op}")
    }
}

/// What to do about an answer that cannot be read, or did not come.
pub(super) fn about_answer(key: &str, asked: &str, told: Result<&str, &str>) -> String {
    let header = asked.split('?').next().unwrap_or_default();
    match told {
        Err(why) if why.starts_with("no answer") => {
            format!("the instrument does not answer `{asked}`: look the question up and change {key}")
        }
        Err(why) => format!("the answer to `{asked}` cannot be read ({why}): look the question up and change {key}"),
        Ok(told) if answer::without_header(asked, told) != told => {
            format!(
                "answers carry the header `{header}`: set manners.reply-header = true, or switch headers off in commands.prepare"
            )
        }
        Ok(told) => format!(
            "`{told}` is not what {key} is expected to tell: look the question up, and what [read-back] says of it"
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(set: &str, told: &str, expected: bool) {
        let message = Message::raw(set.into()).expect("a message");
        let (_, data) = cut(&message).expect("it has data");
        assert_eq!(same(&data, told), expected, "{set} read back as {told}");
    }

    #[test]
    fn what_counts_as_the_same() {
        check("A:B 5E-1", "0.500", true);
        check("A:B 5E-1", "500mV", true);
        check("A:B 5E-1", "0.2", false);
        check("A:B 0", "-0.0", true);
        check("A:B ON", "1", true);
        check("A:B NORMal", "NORM", true);
        check("A:B NORMal", "AUTO", false);
        check("T EDGE,SR,C1", "EDGE,SR,C1", true);
        check("T EDGE,SR,C1", "EDGE,SR,C2", false);
        check("T EDGE,SR,C1", "EDGE", false);
        let none = Message::raw("STOP".into()).expect("a message");
        assert!(cut(&none).is_none());
    }

    #[test]
    fn complaints_are_told_apart() {
        let about = |text: &str| about_complaint(Op::Range, &[text.to_owned()]);
        assert!(about("-113,\"Undefined header\"").contains("does not know these words"));
        assert!(about("-100,\"Command error;CMR 1\"").contains("does not know these words"));
        assert!(about("-138,\"Suffix not allowed\"").contains("what follows it"));
        assert!(about("-222,\"Data out of range\"").contains("[limits]"));
    }
}
