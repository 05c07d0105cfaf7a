//! Scaling by named fields: `WFMPre?` and its like, `;` between fields, each with its name or in a known order.

use super::RawPreamble;
use crate::scpi::{Trouble, answer};

/// Fields that scaling needs.
const NEEDED: [&str; 9] = ["BYT_NR", "BN_FMT", "BYT_OR", "NR_PT", "PT_FMT", "XINCR", "XZERO", "YMULT", "YZERO"];
/// Names that a list must hold and does not.
pub(super) fn missing(order: &[String]) -> Vec<&'static str> {
    NEEDED.into_iter().filter(|needed| !order.iter().any(|name| name.eq_ignore_ascii_case(needed))).collect()
}

/// A reply: names and values.
struct Told<'a>(Vec<(String, &'a str)>);

impl<'a> Told<'a> {
    /// A field whose first word is a name is named; a reply is named as a whole or not at all.
    fn read(text: &'a str, order: &[String]) -> Result<Self, Trouble> {
        let parts = cut(text);
        let named = |part: &'a str| {
            let (name, value) = part.split_once(' ')?;
            let name = name.rsplit(':').next().unwrap_or_default().to_ascii_uppercase();
            let long = order.iter().find(|known| {
                let short: String = known.chars().filter(|c| !c.is_ascii_lowercase()).collect();
                known.eq_ignore_ascii_case(&name) || short == name
            })?;
            Some((long.to_ascii_uppercase(), value.trim()))
        };
        if parts.first().is_some_and(|first| named(first).is_some()) {
            // Fields of other names are of no use here.
            return Ok(Self(parts.into_iter().filter_map(named).collect()));
        }
        if parts.len() < order.len() {
            let (got, wanted) = (parts.len(), order.len());
            return Err(Trouble::Wrong(format!("the scaling has {got} fields, expected {wanted}: `{text}`")));
        }
        Ok(Self(order.iter().map(|name| name.to_ascii_uppercase()).zip(parts).collect()))
    }

    fn text(&self, name: &str) -> Result<&'a str, Trouble> {
        let found = self.0.iter().find(|(known, _)| known == name).map(|(_, value)| *value);
        found.ok_or_else(|| Trouble::Wrong(format!("the scaling has no field {name}")))
    }

    fn number(&self, name: &str) -> Result<f64, Trouble> {
        let read = answer::value(self.text(name)?);
        read.map_err(|trouble| Trouble::Wrong(format!("field {name} of the scaling: {trouble}")))
    }

    fn positive(&self, name: &str) -> Result<f64, Trouble> {
        match self.number(name)? {
            value if value > 0.0 => Ok(value),
            value => Err(Trouble::Wrong(format!("field {name} of the scaling is {value}, expected more than 0"))),
        }
    }

    fn word(&self, name: &str, words: [&str; 2]) -> Result<bool, Trouble> {
        let text = self.text(name)?;
        match words.iter().position(|word| word.eq_ignore_ascii_case(text)) {
            Some(place) => Ok(place == 1),
            None => {
                Err(Trouble::Wrong(format!("field {name} of the scaling is `{text}`, expected {}", words.join(" or "))))
            }
        }
    }
}

/// Cuts at semicolons outside quotes.
fn cut(text: &str) -> Vec<&str> {
    let (mut out, mut start, mut quoted) = (Vec::new(), 0, false);
    for (i, c) in text.char_indices() {
        match c {
            '"' => quoted = !quoted,
            ';' if !quoted => {
                out.push(text[start..i].trim());
                start = i + 1;
            }
            _ => {}
        }
    }
    out.push(text[start..].trim());
    out
}

/// Reads the fields. The form is bytes a code; the kind is 1 for pairs.
///
/// # Errors
/// [`Trouble::Wrong`] says which field; also where sign or order of bytes are not as the dialect has them.
pub(super) fn parse(
    text: &str,
    order: &[String],
    signed: bool,
    most_significant_first: bool,
) -> Result<RawPreamble, Trouble> {
    let told = Told::read(text, order)?;
    let whole = |name: &str| match told.number(name)? {
        value if value.fract() == 0.0 && (0.0..=1e9).contains(&value) => Ok(value as i64),
        value => Err(Trouble::Wrong(format!("field {name} of the scaling is {value}, expected a count"))),
    };
    let or_zero = |name: &str| if told.text(name).is_ok() { told.number(name) } else { Ok(0.0) };
    let is_signed = !told.word("BN_FMT", ["RI", "RP"])?;
    if is_signed != signed {
        let is = if is_signed { "signed" } else { "unsigned" };
        return Err(Trouble::Wrong(format!("its codes are told to be {is}, which the dialect does not say")));
    }
    let bytes = whole("BYT_NR")?;
    let least_first = told.word("BYT_OR", ["MSB", "LSB"])?;
    if bytes > 1 && least_first == most_significant_first {
        return Err(Trouble::Wrong("its bytes are told to come in the other order than the dialect says".into()));
    }
    Ok(RawPreamble {
        format: bytes,
        kind: i64::from(told.word("PT_FMT", ["Y", "ENV"])?),
        points: u32::try_from(whole("NR_PT")?).unwrap_or(u32::MAX),
        x_increment_s: told.positive("XINCR")?,
        x_origin_s: told.number("XZERO")?,
        x_reference: or_zero("PT_OFF")?,
        y_increment_v: told.positive("YMULT")?,
        y_origin: told.number("YZERO")?,
        y_reference: or_zero("YOFF")?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn order() -> Vec<String> {
        [
            "BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "NR_Pt", "WFId", "PT_Fmt", "XINcr", "PT_Off", "XZEro",
            "XUNit", "YMUlt", "YZEro", "YOFf", "YUNit",
        ]
        .map(str::to_owned)
        .to_vec()
    }

    fn check(text: &str, expected: &str) {
        let got = match parse(text, &order(), true, true) {
            Ok(raw) => format!(
                "{} {} {} {} {} {} {} {} {}",
                raw.format,
                raw.kind,
                raw.points,
                raw.x_increment_s,
                raw.x_origin_s,
                raw.x_reference,
                raw.y_increment_v,
                raw.y_origin,
                raw.y_reference
            ),
            Err(trouble) => trouble.to_string(),
        };
        assert_eq!(got, expected, "{text}");
    }

    const PLAIN: &str = "1;8;BIN;RI;MSB;2500;\"Ch1; 2500 points\";Y;4.0E-6;0;-5.0E-3;\"s\";4.0E-2;0.5;-25;\"V\"";

    #[test]
    fn fields_with_and_without_names() {
        check(PLAIN, "1 0 2500 0.000004 -0.005 0 0.04 0.5 -25");
        check(
            ":WFMPRE:BYT_NR 1;BIT_NR 8;BN_FMT RI;BYT_OR MSB;NR_PT 2500;PT_FMT ENV;XINCR 4E-6;XZERO -5E-3;YMULT 4E-2;YZERO 0.5",
            "1 1 2500 0.000004 -0.005 0 0.04 0.5 0",
        );
        check(
            ":WFMP:BYT_N 2;BN_F RI;BYT_O MSB;NR_P 2500;PT_F Y;XIN 4E-6;PT_O 3;XZE -5E-3;YMU 4E-2;YZE 0.5;YOF 7",
            "2 0 2500 0.000004 -0.005 3 0.04 0.5 7",
        );
        check(&PLAIN.replace("RI", "RP"), "its codes are told to be unsigned, which the dialect does not say");
        check(&PLAIN.replace(";4.0E-2;", ";0;"), "field YMULT of the scaling is 0, expected more than 0");
        check("1;8;BIN", "the scaling has 3 fields, expected 16: `1;8;BIN`");
        check(":WFMPRE:BYT_NR 1;BIT_NR 8", "the scaling has no field BN_FMT");
        check(
            &PLAIN.replace("1;8;BIN;RI;MSB", "2;16;BIN;RI;LSB"),
            "its bytes are told to come in the other order than the dialect says",
        );
    }

    proptest! {
        #[test]
        fn any_text_is_survived(text in ".{0,200}") {
            let _outcome = parse(&text, &order(), true, true);
        }
    }
}
