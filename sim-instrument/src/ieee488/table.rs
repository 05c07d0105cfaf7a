//! Tables of headers, written as the standards print them: `[SENSe:]VOLTage<n>[:DC]:RANGe:PTPeak`.

use super::fault::{Code, Fault};
use super::parse::Node;

/// One node of a printed header.
#[derive(Debug, Clone)]
struct Step {
    long: String,
    short: String,
    optional: bool,
    numbered: bool,
}

/// Compares a word with the long and the short spelling; nothing in between is legal
/// (SCPI-99 volume 1 clause 6.2.1). `printed` has the short form in capitals.
pub(crate) fn spells(word: &str, printed: &str) -> bool {
    word.eq_ignore_ascii_case(printed) || word.eq_ignore_ascii_case(&short_form(printed))
}

/// The short form: the capitals and the digits of the printed word.
pub(crate) fn short_form(printed: &str) -> String {
    printed.chars().filter(|c| !c.is_ascii_lowercase()).collect()
}

fn steps(printed: &str) -> Vec<Step> {
    let mut steps = Vec::new();
    let (mut optional, mut word) = (false, String::new());
    let mut finish = |word: &mut String, optional: bool| {
        if word.is_empty() {
            return;
        }
        let numbered = word.ends_with("<n>");
        let name = word.trim_end_matches("<n>");
        steps.push(Step { long: name.to_ascii_uppercase(), short: short_form(name), optional, numbered });
        word.clear();
    };
    for c in printed.chars() {
        match c {
            '[' => {
                finish(&mut word, optional);
                optional = true;
            }
            ']' => {
                finish(&mut word, optional);
                optional = false;
            }
            ':' => finish(&mut word, optional),
            c => word.push(c),
        }
    }
    finish(&mut word, optional);
    steps
}

/// The header of a reply: every node of the printed one, long or short, with its numeric suffixes.
pub(crate) fn reply_header(printed: &str, suffixes: &[u32], long: bool) -> String {
    let mut numbers = suffixes.iter();
    let mut text = String::new();
    for step in steps(printed) {
        text.push(':');
        text.push_str(if long { &step.long } else { &step.short });
        if step.numbered {
            text.push_str(&numbers.next().copied().unwrap_or(1).to_string());
        }
    }
    text
}

/// Numeric suffixes of a match, or a suffix on a node that has none.
enum Fit {
    Fits(Vec<u32>),
    BadSuffix,
    No,
}

fn fit(steps: &[Step], nodes: &[Node]) -> Fit {
    let Some((step, later)) = steps.split_first() else {
        return if nodes.is_empty() { Fit::Fits(Vec::new()) } else { Fit::No };
    };
    let mut bad = false;
    if let Some((node, rest)) = nodes.split_first()
        && (node.word == step.long || node.word == step.short)
    {
        match fit(later, rest) {
            Fit::Fits(mut suffixes) => {
                let number = node.suffix.unwrap_or(1);
                if step.numbered {
                    suffixes.insert(0, number);
                } else if number != 1 {
                    return Fit::BadSuffix;
                }
                return Fit::Fits(suffixes);
            }
            Fit::BadSuffix => bad = true,
            Fit::No => {}
        }
    }
    if step.optional {
        match fit(later, nodes) {
            Fit::Fits(mut suffixes) => {
                if step.numbered {
                    suffixes.insert(0, 1);
                }
                return Fit::Fits(suffixes);
            }
            Fit::BadSuffix => bad = true,
            Fit::No => {}
        }
    }
    if bad { Fit::BadSuffix } else { Fit::No }
}

/// Headers and what each stands for.
#[derive(Debug)]
pub(crate) struct Table<T> {
    rows: Vec<(&'static str, Vec<Step>, T)>,
}

impl<T> Table<T> {
    pub(crate) fn new(rows: impl IntoIterator<Item = (&'static str, T)>) -> Self {
        Self { rows: rows.into_iter().map(|(printed, what)| (printed, steps(printed), what)).collect() }
    }

    /// Finds a path, with the numeric suffixes of its numbered nodes (1 where none was sent).
    pub(crate) fn find(&self, nodes: &[Node]) -> Result<(&T, Vec<u32>), Fault> {
        self.find_printed(nodes).map(|(what, _, suffixes)| (what, suffixes))
    }

    /// As [`Self::find`], with the header as it is printed.
    pub(crate) fn find_printed(&self, nodes: &[Node]) -> Result<(&T, &'static str, Vec<u32>), Fault> {
        let mut code = Code::UndefinedHeader;
        for (printed, steps, what) in &self.rows {
            match fit(steps, nodes) {
                Fit::Fits(suffixes) => return Ok((what, printed, suffixes)),
                Fit::BadSuffix => code = Code::HeaderSuffixOutOfRange,
                Fit::No => {}
            }
        }
        Err(code.about(written(nodes)))
    }
}

/// A path as text.
pub(crate) fn written(nodes: &[Node]) -> String {
    let mut text = String::new();
    for node in nodes {
        if !text.is_empty() {
            text.push(':');
        }
        text.push_str(&node.word);
        if let Some(suffix) = node.suffix {
            text.push_str(&suffix.to_string());
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::parse::{Header, Reader};
    use super::*;

    fn check(header: &str, expected: Result<(usize, &[u32]), i16>) {
        let table = Table::new([
            ("[SENSe:]VOLTage<n>[:DC]:RANGe:PTPeak", 0),
            ("INPut<n>[:STATe]", 1),
            ("INPut<n>:COUPling", 2),
            ("SYSTem:ERRor[:NEXT]", 3),
            ("TRIGger[:SEQuence]:SOURce", 4),
        ]);
        let unit = Reader::new(header.as_bytes().to_vec()).next_unit().expect("one unit").expect("it parses");
        let Header::Path { nodes, .. } = unit.header else { panic!("a path") };
        let got = table.find(&nodes).map(|(what, suffixes)| (*what, suffixes)).map_err(|fault| fault.code.number());
        assert_eq!(got, expected.map(|(what, suffixes)| (what, suffixes.to_vec())), "{header}");
    }

    #[test]
    fn long_and_short_headers_and_optional_nodes() {
        check("SENSe:VOLTage2:DC:RANGe:PTPeak", Ok((0, &[2])));
        check("volt:rang:ptp", Ok((0, &[1])));
        check("SENS:VOLT:RANG:PTP", Ok((0, &[1])));
        check("VOLTA:RANG:PTP", Err(-113));
        check("INP2", Ok((1, &[2])));
        check("INPUT3:STATE", Ok((1, &[3])));
        check("inp2:coup", Ok((2, &[2])));
        check("SYST:ERR", Ok((3, &[])));
        check("SYST:ERR:NEXT", Ok((3, &[])));
        check("SYST1:ERR", Ok((3, &[])));
        check("SYST2:ERR", Err(-114));
        check("SYST:ERR:COUN", Err(-113));
        check("TRIG:SEQ:SOUR", Ok((4, &[])));
    }
}
