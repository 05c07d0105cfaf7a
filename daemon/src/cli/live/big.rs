//! Large letters and digits, made of block characters: read from two metres.

/// Rows of a letter at its smallest.
pub(super) const ROWS: usize = 5;

/// Columns of a letter at its smallest, without the gap.
const COLUMNS: usize = 5;

/// Five rows of five bits, most significant bit left.
const fn glyph(c: char) -> [u8; ROWS] {
    match c {
        'A' => [0b01110, 0b10001, 0b11111, 0b10001, 0b10001],
        'B' => [0b11110, 0b10001, 0b11110, 0b10001, 0b11110],
        'C' => [0b01111, 0b10000, 0b10000, 0b10000, 0b01111],
        'D' => [0b11110, 0b10001, 0b10001, 0b10001, 0b11110],
        'E' => [0b11111, 0b10000, 0b11110, 0b10000, 0b11111],
        'F' => [0b11111, 0b10000, 0b11110, 0b10000, 0b10000],
        'G' => [0b01111, 0b10000, 0b10011, 0b10001, 0b01111],
        'H' => [0b10001, 0b10001, 0b11111, 0b10001, 0b10001],
        'I' => [0b01110, 0b00100, 0b00100, 0b00100, 0b01110],
        'J' => [0b00111, 0b00010, 0b00010, 0b10010, 0b01100],
        'K' => [0b10010, 0b10100, 0b11000, 0b10100, 0b10010],
        'L' => [0b10000, 0b10000, 0b10000, 0b10000, 0b11111],
        'M' => [0b10001, 0b11011, 0b10101, 0b10001, 0b10001],
        'N' => [0b10001, 0b11001, 0b10101, 0b10011, 0b10001],
        'O' => [0b01110, 0b10001, 0b10001, 0b10001, 0b01110],
        'P' => [0b11110, 0b10001, 0b11110, 0b10000, 0b10000],
        'Q' => [0b01110, 0b10001, 0b10101, 0b10010, 0b01101],
        'R' => [0b11110, 0b10001, 0b11110, 0b10010, 0b10001],
        'S' => [0b01111, 0b10000, 0b01110, 0b00001, 0b11110],
        'T' => [0b11111, 0b00100, 0b00100, 0b00100, 0b00100],
        'U' => [0b10001, 0b10001, 0b10001, 0b10001, 0b01110],
        'V' => [0b10001, 0b10001, 0b10001, 0b01010, 0b00100],
        'W' => [0b10001, 0b10001, 0b10101, 0b11011, 0b10001],
        'X' => [0b10001, 0b01010, 0b00100, 0b01010, 0b10001],
        'Y' => [0b10001, 0b01010, 0b00100, 0b00100, 0b00100],
        'Z' => [0b11111, 0b00010, 0b00100, 0b01000, 0b11111],
        '0' => [0b01110, 0b10011, 0b10101, 0b11001, 0b01110],
        '1' => [0b00100, 0b01100, 0b00100, 0b00100, 0b01110],
        '2' => [0b11110, 0b00001, 0b01110, 0b10000, 0b11111],
        '3' => [0b11110, 0b00001, 0b01110, 0b00001, 0b11110],
        '4' => [0b10010, 0b10010, 0b11111, 0b00010, 0b00010],
        '5' => [0b11111, 0b10000, 0b11110, 0b00001, 0b11110],
        '6' => [0b01110, 0b10000, 0b11110, 0b10001, 0b01110],
        '7' => [0b11111, 0b00001, 0b00010, 0b00100, 0b00100],
        '8' => [0b01110, 0b10001, 0b01110, 0b10001, 0b01110],
        '9' => [0b01110, 0b10001, 0b01111, 0b00001, 0b01110],
        '.' => [0, 0, 0, 0, 0b00100],
        '-' => [0, 0, 0b01110, 0, 0],
        '+' => [0, 0b00100, 0b01110, 0b00100, 0],
        '%' => [0b11001, 0b11010, 0b00100, 0b01011, 0b10011],
        '/' => [0b00001, 0b00010, 0b00100, 0b01000, 0b10000],
        ':' => [0, 0b00100, 0, 0b00100, 0],
        '!' => [0b00100, 0b00100, 0b00100, 0, 0b00100],
        _ => [0; ROWS],
    }
}

/// The largest scale at which a text fits, as (columns, rows) a dot; none: not even the smallest does.
pub(super) fn scale(text: &str, columns: usize, rows: usize) -> Option<(usize, usize)> {
    let width = width(text);
    // A dot of a terminal is about twice as high as wide: two columns and a row make a square.
    [(6, 3), (4, 2), (3, 2), (2, 1), (1, 1)].into_iter().find(|(x, y)| width * x <= columns && ROWS * y <= rows)
}

fn width(text: &str) -> usize {
    (text.chars().count() * (COLUMNS + 1)).saturating_sub(1)
}

/// The text in large letters; small letters become capitals, what has no picture a gap.
pub(super) fn lines(text: &str, (x, y): (usize, usize)) -> Vec<String> {
    let glyphs: Vec<[u8; ROWS]> = text.chars().map(|c| glyph(c.to_ascii_uppercase())).collect();
    let row = |row: usize| {
        let mut line = String::new();
        for glyph in &glyphs {
            for column in (0..=COLUMNS).rev() {
                let dot = column > 0 && glyph[row] >> (column - 1) & 1 == 1;
                line.extend(std::iter::repeat_n(if dot { '█' } else { ' ' }, x));
            }
        }
        line.trim_end().to_owned()
    };
    (0..ROWS).flat_map(|r| std::iter::repeat_n(row(r), y)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn large_digits() {
        insta::assert_snapshot!(lines("-12.3 um", (1, 1)).join("\n"));
    }

    #[test]
    fn as_large_as_fits_and_never_wider() {
        for (text, columns, rows) in [("EXIT LOW", 80, 24), ("ENTRANCE HIGH", 80, 6), ("BOTH GUIDES RIGHT", 120, 20)] {
            let scale = scale(text, columns, rows).expect("it fits");
            let lines = lines(text, scale);
            assert!(lines.len() <= rows && lines.iter().all(|l| l.chars().count() <= columns), "{text} {scale:?}");
        }
        assert_eq!(scale("BOTH GUIDES RIGHT", 80, 24), None);
        assert_eq!(scale("EXIT", 80, 4), None);
    }
}
