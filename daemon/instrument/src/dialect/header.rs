//! Scaling by a header of a channel: begin, end, samples and values a sample; then origin and increment of the volts.
//!
//! The three come in one answer, `;` between them, as `:CHANnel1:DATA:HEADer?;YORigin?;YINCrement?` brings them. Which
//! form the data have is not told; a scaling of the other form does not fit the range that is set (instrument maker's
//! manual, not named).

use super::RawPreamble;
use crate::scpi::{Trouble, answer};

/// Values a sample of pairs.
const PAIR: f64 = 2.0;

/// Reads the answer; `format` and `pairs` are what the dialect calls its data and pairs.
///
/// # Errors
/// [`Trouble::Wrong`] says which field.
pub(super) fn parse(text: &str, format: i64, pairs: i64) -> Result<RawPreamble, Trouble> {
    let parts: Vec<&str> = text.split(';').collect();
    let &[header, origin, increment] = parts.as_slice() else {
        let wrong =
            format!("the scaling has {} parts, expected a header, an origin and an increment: `{text}`", parts.len());
        return Err(Trouble::Wrong(wrong));
    };
    let number = |text: &str, name: &str| {
        answer::value(text.trim()).map_err(|trouble| Trouble::Wrong(format!("{name} of the scaling: {trouble}")))
    };
    let fields = answer::parts(header);
    let &[begin, end, samples, values] = fields.as_slice() else {
        return Err(Trouble::Wrong(format!("the header has {} fields, expected 4: `{header}`", fields.len())));
    };
    let (begin_s, end_s) = (number(begin, "begin")?, number(end, "end")?);
    let (samples, values) = (number(samples, "samples")?, number(values, "values a sample")?);
    let y_increment_v = number(increment, "increment")?;
    let good = [
        ("end", end_s, end_s > begin_s, "more than the begin"),
        ("samples", samples, samples.fract() == 0.0 && (1.0..=1e9).contains(&samples), "a count"),
        ("values a sample", values, values == 1.0 || values == PAIR, "1 or 2"),
        ("increment", y_increment_v, y_increment_v > 0.0, "more than 0"),
    ];
    if let Some((name, value, _, expected)) = good.into_iter().find(|(_, _, good, _)| !good) {
        return Err(Trouble::Wrong(format!("{name} of the scaling is {value}, expected {expected}")));
    }
    let points = samples * values;
    Ok(RawPreamble {
        format,
        // Any other code than that of pairs means samples.
        kind: if values == PAIR { pairs } else { pairs ^ 1 },
        points: points as u32,
        x_increment_s: (end_s - begin_s) / points,
        x_origin_s: begin_s,
        x_reference: 0.0,
        y_increment_v,
        y_origin: number(origin, "origin")?,
        y_reference: 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, expected: &str) {
        let got = match parse(text, 0, 1) {
            Ok(raw) => format!(
                "{} points of {} s from {} s, kind {}, {} V and {} V a code",
                raw.points, raw.x_increment_s, raw.x_origin_s, raw.kind, raw.y_origin, raw.y_increment_v
            ),
            Err(trouble) => trouble.to_string(),
        };
        assert_eq!(got, expected, "{text}");
    }

    #[test]
    fn headers() {
        check(
            "-5e-3,5e-3,2500,1;-1.28;0.01",
            "2500 points of 0.000004 s from -0.005 s, kind 0, -1.28 V and 0.01 V a code",
        );
        check("0,1E-2,1250,2;-1.28;0.01", "2500 points of 0.000004 s from 0 s, kind 1, -1.28 V and 0.01 V a code");
        check("0,1,10,3;0;1", "values a sample of the scaling is 3, expected 1 or 2");
        check("0,1,1e10,2;0;1", "samples of the scaling is 10000000000, expected a count");
        check("1,1,10,1;0;1", "end of the scaling is 1, expected more than the begin");
        check("0,1,10,1;0;0", "increment of the scaling is 0, expected more than 0");
        check("0,1,10;0;1", "the header has 3 fields, expected 4: `0,1,10`");
        check("0,1,10,1;0", "the scaling has 2 parts, expected a header, an origin and an increment: `0,1,10,1;0`");
        check(
            "0,9.91e37,10,1;0;1",
            "end of the scaling: expected a number that is one, not a special value, but `9.91e37` came",
        );
    }
}
