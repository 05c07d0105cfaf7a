//! Relations between the keys of a dialect: one small check each, named for what it refuses.

use super::{Dialect, Fault, Formula, OffsetIs, Op, PreambleForm, RangeIs, Slot, StateForm, Steps, TimebaseIs};

/// Runs every check.
pub(super) fn all(file: &str, dialect: &Dialect, faults: &mut Vec<Fault>) {
    let checks: &[Check] = &[
        usual_points_beyond_memory,
        fewest_points_beyond_memory,
        read_beyond_memory,
        spans_crossed,
        ranges_crossed,
        screen_beyond_converter,
        point_counts_beyond_memory,
        peak_words_without_pulse,
        pulse_without_peak_words,
        video_without_words,
        tip_without_probe_word,
        preamble_without_query,
        named_fields_of_another_formula,
        position_without_place,
        range_formula_with_preamble,
        range_read_back_not_set,
        timebase_read_back_not_set,
        signed_formula_with_unsigned_codes,
        wide_converter_without_wide_data,
        reading_in_parts_without_words,
        same_state_bits,
        joined_blocks_one_by_one,
        settings_outside_steps,
    ];
    let found = checks.iter().filter_map(|check| check(dialect));
    faults.extend(found.map(|(key, what)| Fault { file: file.to_owned(), key: key.into(), what }));
}

/// The key that is wrong, and how; none: it is right.
type Found = Option<(&'static str, String)>;
type Check = fn(&Dialect) -> Found;

fn usual_points_beyond_memory(d: &Dialect) -> Found {
    let (usual, most) = (d.limits.usual_points, d.limits.greatest_points);
    (usual > most).then(|| ("limits.usual-points", format!("{usual} is more than greatest-points, {most}")))
}

fn fewest_points_beyond_memory(d: &Dialect) -> Found {
    let (least, most) = (d.limits.least_points, d.limits.greatest_points);
    (least > most).then(|| ("limits.least-points", format!("{least} is more than greatest-points, {most}")))
}

fn read_beyond_memory(d: &Dialect) -> Found {
    let bytes = u64::from(d.limits.points_a_read) * 2;
    (bytes > 999_999_999).then(|| ("limits.points-a-read", "more than a block can hold (999999999 bytes)".into()))
}

fn spans_crossed(d: &Dialect) -> Found {
    let (least, greatest) = (d.limits.least_span_s, d.limits.greatest_span_s);
    (least > greatest).then(|| ("limits.least-span-s", format!("{least} is more than greatest-span-s, {greatest}")))
}

fn ranges_crossed(d: &Dialect) -> Found {
    let (least, greatest) = (d.limits.least_volts_a_division, d.limits.greatest_volts_a_division);
    (least > greatest).then(|| {
        ("limits.least-volts-a-division", format!("{least} is more than greatest-volts-a-division, {greatest}"))
    })
}

fn screen_beyond_converter(d: &Dialect) -> Found {
    let (screen, steps) = (d.limits.level_divisions * d.limits.steps_a_division, d.limits.steps());
    (screen > steps).then(|| {
        ("limits.steps-a-division", format!("the screen would have {screen} steps, but the converter has {steps}"))
    })
}

fn point_counts_beyond_memory(d: &Dialect) -> Found {
    let most = d.limits.greatest_points;
    let last = d.limits.point_counts.last().copied()?;
    (last > most).then(|| ("limits.point-counts", format!("{last} is more than greatest-points, {most}")))
}

fn peak_words_without_pulse(d: &Dialect) -> Found {
    (d.can(Op::Peak) && d.limits.peak_pulse_s.is_none())
        .then(|| ("limits.peak-pulse-s", "it is missing, though commands.detect-peak is there".into()))
}

fn pulse_without_peak_words(d: &Dialect) -> Found {
    (!d.can(Op::Peak) && d.limits.peak_pulse_s.is_some())
        .then(|| ("commands.detect-peak", "it is missing, though limits.peak-pulse-s is there".into()))
}

fn video_without_words(d: &Dialect) -> Found {
    let missing = [Op::TriggerField, Op::TriggerAnyField, Op::TriggerLine].into_iter().find(|op| !d.can(*op))?;
    d.limits.video_trigger.then(|| ("limits.video-trigger", format!("it is true, but commands.{missing} is missing")))
}

fn tip_without_probe_word(d: &Dialect) -> Found {
    (d.volts_at_tip && !d.can(Op::Probe)).then(|| {
        ("commands.probe", "it is missing, but volts-at = \"tip\" needs the instrument to know the probe".into())
    })
}

fn preamble_without_query(d: &Dialect) -> Found {
    (d.preamble != PreambleForm::Queries && !d.can(Op::AskPreamble))
        .then(|| ("commands.ask-preamble", "it is missing, but data.scaling-from needs it".into()))
}

fn named_fields_of_another_formula(d: &Dialect) -> Found {
    let named = matches!(d.preamble, PreambleForm::NamedFields(_));
    (named != (d.formula == Formula::B))
        .then(|| ("data.formula", "\"b\" goes with scaling-from = \"named-fields\", and only with it".into()))
}

fn position_without_place(d: &Dialect) -> Found {
    let slot = match d.offset_is {
        OffsetIs::Centre => Slot::Centre,
        OffsetIs::MinusCentre => Slot::MinusCentre,
        OffsetIs::Position => Slot::Position,
    };
    (!has(d, Op::Offset, slot))
        .then(|| ("commands.offset", format!("`{{{slot}}}` is not in it, though read-back.offset says so")))
}

fn range_formula_with_preamble(d: &Dialect) -> Found {
    ((d.formula == Formula::Range) != (d.preamble == PreambleForm::Queries))
        .then(|| ("data.formula", "\"range\" goes with scaling-from = \"queries\", and only with it".into()))
}

fn has(d: &Dialect, op: Op, slot: Slot) -> bool {
    d.templates.iter().any(|(have, list)| *have == op && list.iter().any(|template| template.has(slot)))
}

fn range_read_back_not_set(d: &Dialect) -> Found {
    let slot = if d.range_is == RangeIs::FullScale { Slot::FullScale } else { Slot::VoltsADivision };
    (!has(d, Op::Range, slot))
        .then(|| ("commands.range", format!("`{{{slot}}}` is not in it, though read-back.range says so")))
}

fn timebase_read_back_not_set(d: &Dialect) -> Found {
    let slot = match d.timebase_is {
        TimebaseIs::SecondsADivision => Slot::SecondsADivision,
        // An interval follows from span and points where it is not set itself.
        TimebaseIs::Interval if has(d, Op::Timebase, Slot::Span) => return None,
        TimebaseIs::Interval => Slot::Interval,
        TimebaseIs::Span => Slot::Span,
    };
    (!has(d, Op::Timebase, slot))
        .then(|| ("commands.timebase", format!("`{{{slot}}}` is not in it, though read-back.timebase says so")))
}

fn signed_formula_with_unsigned_codes(d: &Dialect) -> Found {
    if d.formula == Formula::B {
        return None;
    }
    let wanted = matches!(d.formula, Formula::A3 | Formula::Range);
    let word = if wanted { "signed" } else { "unsigned" };
    (d.signed != wanted).then(|| ("data.codes", format!("this formula has \"{word}\" codes")))
}

fn wide_converter_without_wide_data(d: &Dialect) -> Found {
    (d.limits.converter_bits > 8 && !d.can(Op::Format16)).then(|| {
        ("commands.format-16", format!("it is missing, but the converter has {} bits", d.limits.converter_bits))
    })
}

fn reading_in_parts_without_words(d: &Dialect) -> Found {
    let places = [Slot::First, Slot::FirstFromZero];
    let parts = places.iter().any(|slot| has(d, Op::Chunk, *slot) || has(d, Op::AskData, *slot));
    (d.limits.points_a_read < d.limits.greatest_points && !parts).then(|| {
        (
            "limits.points-a-read",
            "less than greatest-points, but neither commands.chunk nor ask-data says where a part begins".into(),
        )
    })
}

fn same_state_bits(d: &Dialect) -> Found {
    match d.state {
        StateForm::Bits { waiting, filling } if waiting == filling => {
            Some(("state.bits", format!("waiting and filling are both bit {waiting}")))
        }
        _ => None,
    }
}

fn joined_blocks_one_by_one(d: &Dialect) -> Found {
    let found = d.profile.blocks_joined && !d.profile.compound;
    found.then(|| ("manners.blocks-joined", "true, but `compound` says that a message holds one command".into()))
}

fn settings_outside_steps(d: &Dialect) -> Found {
    let least = d.limits.least_volts_a_division;
    let off = (d.limits.range_steps.at_least(least) / least - 1.0).abs() > 1e-6;
    (d.limits.range_steps == Steps::OneTwoFive && off)
        .then(|| ("limits.least-volts-a-division", format!("{least} is no step of 1-2-5, though range-steps says so")))
}
