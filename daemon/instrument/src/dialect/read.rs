//! From the text of a file to a dialect, with every fault on the way.

use super::fields::{Fields, shown};
use super::{
    Dialect, Fault, Formula, Input, Limits, OffsetIs, Op, PreambleForm, RangeIs, State, StateForm, Template,
    TimebaseIs, Words, checks, manners, named,
};
use crate::scpi::{Profile, Terminator, is_word};
use core::time::Duration;
use toml::{Table, Value};

/// Form of the files that this version reads.
const FORM: u32 = 1;

/// Reads a file, and each of its variants.
pub(super) fn dialect(file: &str, text: &str) -> Result<Dialect, Vec<Fault>> {
    let dialect = with_variant(file, text, None)?;
    let mut faults = Vec::new();
    for name in dialect.variants() {
        if let Err(more) = with_variant(file, text, Some(&name)) {
            faults.extend(more);
        }
    }
    if faults.is_empty() { Ok(dialect) } else { Err(faults) }
}

/// Reads a file with one of its variants in force.
pub(super) fn with_variant(file: &str, text: &str, variant: Option<&str>) -> Result<Dialect, Vec<Fault>> {
    let table: Table = match text.parse() {
        Ok(table) => table,
        Err(error) => {
            let line = error.span().map_or(1, |span| text[..span.start.min(text.len())].lines().count().max(1));
            let what = format!("line {line} is no TOML: {}", error.message().replace('\n', "; "));
            return Err(vec![Fault { file: file.to_owned(), key: "file".into(), what }]);
        }
    };
    let mut faults = Vec::new();
    let mut root = Fields::new(file, "", &table, &mut faults);
    let mut dialect = whole(&mut root, variant);
    root.finish();
    dialect.origin = (file.to_owned(), text.to_owned());
    if faults.is_empty() {
        // Relations between keys are looked at only when each key is good by itself.
        checks::all(file, &dialect, &mut faults);
    }
    if faults.is_empty() { Ok(dialect) } else { Err(faults) }
}

fn whole(root: &mut Fields<'_>, variant: Option<&str>) -> Dialect {
    let form = root.integer("form", 1, u32::MAX, None);
    if form != FORM {
        root.fault("form", format!("it is {form}, and this version reads form {FORM}"));
    }
    let name = root.text("name");
    if !name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-') {
        root.fault("name", "expected small letters, digits and `-`");
    }
    let about = root.text("about");
    let source = root.text("source");
    let volts_at_tip = root.one_of("volts-at", &["tip", "input"], None) == Some(0);
    let mut inputs = section(root, "inputs", inputs);
    let mut limits = section(root, "limits", |fields| Limits::read(fields, None));
    let profile = section(root, "manners", self::manners);
    let words = root.table("words", false).map(|table| root.inside("words", table, Words::read)).unwrap_or_default();
    let cannot = root.texts("cannot");
    let state = section(root, "state", state);
    let read_back = section(root, "read-back", |fields| {
        let range = fields.one_of("range", &["volts-a-division", "full-scale-v"], None);
        let time = fields.one_of("timebase", &["seconds-a-division", "interval-s", "span-s"], None);
        let offset = match fields.one_of("offset", OffsetIs::WORDS, Some("centre-v")) {
            Some(1) => OffsetIs::MinusCentre,
            Some(2) => OffsetIs::Position,
            _ => OffsetIs::Centre,
        };
        (range, time, offset, not_answered(fields))
    });
    let mut scaling = section(root, "data", data);
    let mut templates = section(root, "commands", |fields| commands(fields, true));
    let mut variants = Vec::new();
    if let Some(table) = root.table("variant", false) {
        for (name, value) in table {
            let Value::Table(inside) = value else {
                root.fault(&format!("variant.{name}"), format!("{} is not a table", shown(value)));
                continue;
            };
            variants.push((name.clone(), inside.clone()));
            if variant == Some(name.as_str()) {
                root.inside(&format!("variant.{name}"), inside, |fields| {
                    if let Some(table) = fields.table("inputs", false) {
                        inputs = fields.inside("inputs", table, self::inputs);
                    }
                    if let Some(table) = fields.table("data", false) {
                        scaling = fields.inside("data", table, data);
                    }
                    if let Some(table) = fields.table("limits", false) {
                        limits = fields.inside("limits", table, |fields| Limits::read(fields, Some(&limits)));
                    }
                    if let Some(table) = fields.table("commands", false) {
                        let own = fields.inside("commands", table, |fields| commands(fields, false));
                        templates.retain(|(op, _)| own.iter().all(|(other, _)| other != op));
                        templates.extend(own);
                    }
                });
            }
        }
    }
    Dialect {
        name,
        variant: variant.map(str::to_owned),
        about,
        source,
        inputs,
        limits,
        profile,
        volts_at_tip,
        state: state.unwrap_or(StateForm::Words(Vec::new())),
        range_is: if read_back.0 == Some(1) { RangeIs::FullScale } else { RangeIs::VoltsADivision },
        timebase_is: match read_back.1 {
            Some(1) => TimebaseIs::Interval,
            Some(2) => TimebaseIs::Span,
            _ => TimebaseIs::SecondsADivision,
        },
        offset_is: read_back.2,
        words,
        cannot,
        not_answered: read_back.3,
        preamble: scaling.preamble,
        formula: scaling.formula,
        signed: scaling.signed,
        most_significant_first: scaling.most_significant_first,
        format_code_8: i64::from(scaling.format_codes.0),
        format_code_16: i64::from(scaling.format_codes.1),
        type_code_peak: i64::from(scaling.type_code_peak),
        peak_counts_values: scaling.peak_counts_values,
        templates,
        variants,
        origin: Default::default(),
    }
}

/// Reads a needed table; where it is missing its keys are read from an empty one, so that each is told.
fn section<T>(root: &mut Fields<'_>, key: &'static str, read: impl FnOnce(&mut Fields<'_>) -> T) -> T {
    match root.table(key, true) {
        Some(table) => root.inside(key, table, read),
        None => {
            // One fault for the whole table is enough.
            let (empty, mut ignored) = (Table::new(), Vec::new());
            let mut fields = Fields::new("", key, &empty, &mut ignored);
            read(&mut fields)
        }
    }
}

fn inputs(fields: &mut Fields<'_>) -> Vec<Input> {
    let mut out: Vec<Input> = Vec::new();
    for (key, trigger_only) in [("channels", false), ("trigger-only", true)] {
        let Some(value) = fields.get(key) else {
            if !trigger_only {
                fields.fault(key, "it is missing; expected a list of { label, number, trigger }");
            }
            continue;
        };
        let Some(list) = value.as_array().filter(|list| trigger_only || !list.is_empty()) else {
            fields.fault(key, format!("{} is not a list of tables", shown(value)));
            continue;
        };
        for (i, item) in list.iter().enumerate() {
            let place = format!("{key}[{i}]");
            let Value::Table(table) = item else {
                fields.fault(&place, format!("{} is not a table", shown(item)));
                continue;
            };
            let input = fields.inside(&place, table, |fields| Input {
                label: word(fields, "label"),
                number: if trigger_only { None } else { Some(fields.integer("number", 1, 64, None)) },
                trigger: word(fields, "trigger"),
                trigger_only,
            });
            if out.iter().any(|other| other.label.eq_ignore_ascii_case(&input.label)) {
                fields.fault(&place, format!("the label `{}` stands twice", input.label));
            }
            out.push(input);
        }
    }
    out
}

fn word(fields: &mut Fields<'_>, key: &'static str) -> String {
    let text = fields.text(key);
    if !text.is_empty() && !is_word(&text) {
        fields.fault(key, format!("`{}` is not a word of letters, digits and `_`", text.escape_default()));
    }
    text
}

fn manners(fields: &mut Fields<'_>) -> Profile {
    let usual = Profile::default();
    let seconds = Duration::from_secs_f64;
    let terminator = match fields.one_of("terminator", &["nl", "cr-nl", "cr"], Some("nl")) {
        Some(1) => Terminator::CrNl,
        Some(2) => Terminator::Cr,
        _ => Terminator::Nl,
    };
    let first_byte_s = fields.number("first-byte-s", 0.05, 600.0, Some(usual.first_byte.as_secs_f64()));
    let gap_s = fields.number("gap-s", 0.01, 60.0, Some(usual.gap.as_secs_f64()));
    let silence_s = fields.number("silence-s", 0.01, 60.0, Some(usual.silence.as_secs_f64()));
    let clear = match fields.get("clear") {
        None => None,
        Some(Value::String(text)) if (1..=16).contains(&text.len()) && text.is_ascii() => {
            Some(text.clone().into_bytes())
        }
        Some(other) => {
            fields.fault("clear", format!("{} is not a text of 1 to 16 ASCII characters", shown(other)));
            None
        }
    };
    let usual = manners::more(fields, usual);
    Profile {
        terminator,
        first_byte: seconds(first_byte_s),
        gap: seconds(gap_s),
        silence: seconds(silence_s),
        echo: fields.boolean("echo", Some(false)),
        reply_header: fields.boolean("reply-header", Some(false)),
        padding: fields.boolean("padding", Some(false)),
        bare_block: fields.boolean("bare-block", Some(false)),
        compound: fields.boolean("compound", Some(false)),
        most_message: fields.integer("most-message", 40, 4096, Some(200)) as usize,
        short_words: fields.boolean("short-words", Some(false)),
        clear,
        clear_by_break: fields.boolean("clear-by-break", Some(false)),
        ..usual
    }
}

fn state(fields: &mut Fields<'_>) -> Option<StateForm> {
    if fields.one_of("form", &["words", "bits"], None)? == 1 {
        let bits = fields.table("bits", true)?;
        return Some(fields.inside("bits", bits, |fields| StateForm::Bits {
            waiting: fields.integer("waiting", 0, 15, None),
            filling: fields.integer("filling", 0, 15, None),
        }));
    }
    let words = fields.table("words", true)?;
    let states =
        [("waiting", State::Waiting), ("filling", State::Filling), ("done", State::Done), ("running", State::Running)];
    let mut out = Vec::new();
    for (text, value) in words {
        match states.iter().find(|(name, _)| value.as_str() == Some(name)) {
            Some((_, state)) => out.push((text.clone(), *state)),
            None => {
                let what = format!("{} is not \"waiting\", \"filling\", \"done\" or \"running\"", shown(value));
                fields.fault(&format!("words.{text}"), what);
            }
        }
    }
    for (name, wanted) in &states[..3] {
        if *name != "filling" && !out.iter().any(|(_, state)| state == wanted) {
            fields.fault("words", format!("no word means \"{name}\""));
        }
    }
    Some(StateForm::Words(out))
}

/// Operations whose settings cannot be asked, by their keys.
fn not_answered(fields: &mut Fields<'_>) -> Vec<Op> {
    let Some(value) = fields.get("not-answered") else { return Vec::new() };
    let Some(list) = value.as_array() else {
        fields.fault("not-answered", format!("{} is not a list of names of commands", shown(value)));
        return Vec::new();
    };
    let mut out = Vec::new();
    for item in list {
        match Op::ALL.iter().find(|op| item.as_str() == Some(op.key())) {
            Some(op) => out.push(*op),
            None => fields.fault("not-answered", format!("{} is no name of a command", shown(item))),
        }
    }
    out
}

struct Data {
    preamble: PreambleForm,
    formula: Formula,
    signed: bool,
    most_significant_first: bool,
    format_codes: (u32, u32),
    type_code_peak: u32,
    peak_counts_values: bool,
}

fn data(fields: &mut Fields<'_>) -> Data {
    let from = fields.one_of("scaling-from", &["ten-fields", "queries", "named-fields", "descriptor", "header"], None);
    let queries = from == Some(1);
    let preamble = match from {
        Some(1) => PreambleForm::Queries,
        Some(2) => PreambleForm::NamedFields(field_names(fields)),
        Some(3) => PreambleForm::Descriptor,
        Some(4) => PreambleForm::Header,
        _ => PreambleForm::TenFields,
    };
    Data {
        preamble,
        formula: fields.one_of("formula", Formula::WORDS, None).map_or(Formula::A1, |i| Formula::ALL[i]),
        signed: fields.one_of("codes", &["unsigned", "signed"], None) == Some(1),
        most_significant_first: fields.one_of(
            "first-byte",
            &["most-significant", "least-significant"],
            Some("most-significant"),
        ) != Some(1),
        format_codes: (
            fields.integer("format-code-8", 0, 99, queries.then_some(0)),
            fields.integer("format-code-16", 0, 99, queries.then_some(0)),
        ),
        type_code_peak: fields.integer("type-code-peak", 0, 99, queries.then_some(0)),
        peak_counts_values: fields.one_of("peak-points-count", &["values", "pairs"], Some("values")) != Some(1),
    }
}

/// Names of the scaling's fields, in the order in which they come where they come without names.
fn field_names(fields: &mut Fields<'_>) -> Vec<String> {
    let names = fields.texts("fields");
    let missing = named::missing(&names);
    if !missing.is_empty() {
        fields.fault("fields", format!("the list of names lacks {}", missing.join(", ")));
    }
    names
}

/// The commands; a variant has those alone that it words otherwise.
fn commands(fields: &mut Fields<'_>, whole: bool) -> Vec<(Op, Vec<Template>)> {
    let mut out = Vec::new();
    for &op in Op::ALL {
        let key = op.key();
        let Some(value) = fields.get(key) else {
            if whole && op.needed() {
                fields.fault(key, "it is missing; expected a command or a list of commands");
            }
            continue;
        };
        let texts: Option<Vec<&str>> = match value {
            Value::String(text) => Some(vec![text.as_str()]),
            Value::Array(list) => list.iter().map(Value::as_str).collect(),
            _ => None,
        };
        let Some(texts) = texts else {
            fields.fault(key, format!("{} is not a command or a list of commands", shown(value)));
            continue;
        };
        if op.asks() && texts.len() != 1 {
            fields.fault(key, format!("it has {} commands; a question is exactly one", texts.len()));
        }
        let mut templates = Vec::new();
        for text in texts {
            match Template::parse(text, op) {
                Ok(template) => templates.push(template),
                Err(why) => fields.fault(key, format!("`{}`: {why}", text.escape_default())),
            }
        }
        out.push((op, templates));
    }
    out
}
