//! Letters of five rows, legible from two metres. Drawn for this tool.

/// Columns of a letter, without the one between two of them.
pub(super) const WIDTH: usize = 4;
/// Rows.
pub(super) const ROWS: usize = 5;

/// Four bits a row, the leftmost highest, rows from above.
fn glyph(letter: char) -> [u8; ROWS] {
    match letter.to_ascii_uppercase() {
        '0' | 'O' => [0b0110, 0b1001, 0b1001, 0b1001, 0b0110],
        '1' => [0b0010, 0b0110, 0b0010, 0b0010, 0b0111],
        '2' => [0b1110, 0b0001, 0b0110, 0b1000, 0b1111],
        '3' => [0b1110, 0b0001, 0b0110, 0b0001, 0b1110],
        '4' => [0b1001, 0b1001, 0b1111, 0b0001, 0b0001],
        '5' => [0b1111, 0b1000, 0b1110, 0b0001, 0b1110],
        '6' => [0b0110, 0b1000, 0b1110, 0b1001, 0b0110],
        '7' => [0b1111, 0b0001, 0b0010, 0b0100, 0b0100],
        '8' => [0b0110, 0b1001, 0b0110, 0b1001, 0b0110],
        '9' => [0b0110, 0b1001, 0b0111, 0b0001, 0b0110],
        'A' => [0b0110, 0b1001, 0b1111, 0b1001, 0b1001],
        'B' => [0b1110, 0b1001, 0b1110, 0b1001, 0b1110],
        'C' => [0b0111, 0b1000, 0b1000, 0b1000, 0b0111],
        'D' => [0b1110, 0b1001, 0b1001, 0b1001, 0b1110],
        'E' => [0b1111, 0b1000, 0b1110, 0b1000, 0b1111],
        'F' => [0b1111, 0b1000, 0b1110, 0b1000, 0b1000],
        'G' => [0b0111, 0b1000, 0b1011, 0b1001, 0b0111],
        'H' => [0b1001, 0b1001, 0b1111, 0b1001, 0b1001],
        'I' => [0b0111, 0b0010, 0b0010, 0b0010, 0b0111],
        'J' => [0b0011, 0b0001, 0b0001, 0b1001, 0b0110],
        'K' => [0b1001, 0b1010, 0b1100, 0b1010, 0b1001],
        'L' => [0b1000, 0b1000, 0b1000, 0b1000, 0b1111],
        'M' => [0b1001, 0b1111, 0b1111, 0b1001, 0b1001],
        'N' => [0b1001, 0b1101, 0b1111, 0b1011, 0b1001],
        'P' => [0b1110, 0b1001, 0b1110, 0b1000, 0b1000],
        'Q' => [0b0110, 0b1001, 0b1001, 0b1011, 0b0111],
        'R' => [0b1110, 0b1001, 0b1110, 0b1010, 0b1001],
        'S' => [0b0111, 0b1000, 0b0110, 0b0001, 0b1110],
        'T' => [0b1111, 0b0010, 0b0010, 0b0010, 0b0010],
        'U' => [0b1001, 0b1001, 0b1001, 0b1001, 0b0110],
        'V' => [0b1001, 0b1001, 0b1001, 0b0110, 0b0110],
        'W' => [0b1001, 0b1001, 0b1111, 0b1111, 0b1001],
        'X' => [0b1001, 0b1001, 0b0110, 0b1001, 0b1001],
        'Y' => [0b1001, 0b1001, 0b0111, 0b0001, 0b0110],
        'Z' => [0b1111, 0b0001, 0b0110, 0b1000, 0b1111],
        ':' => [0b0000, 0b0100, 0b0000, 0b0100, 0b0000],
        '.' => [0b0000, 0b0000, 0b0000, 0b0000, 0b0100],
        '-' => [0b0000, 0b0000, 0b1111, 0b0000, 0b0000],
        '+' => [0b0000, 0b0010, 0b0111, 0b0010, 0b0000],
        ' ' => [0; ROWS],
        // Letters of other scripts have no shape here: a box stands for each.
        _ => [0b1111, 0b1001, 0b1001, 0b1001, 0b1111],
    }
}

/// The rows of a text, of blocks or of `#`.
pub(super) fn rows(text: &str, blocks: bool) -> [String; ROWS] {
    let ink = if blocks { '█' } else { '#' };
    std::array::from_fn(|row| {
        let letter = |letter: char| {
            let bits = glyph(letter)[row];
            let dot = |at: usize| if bits >> (WIDTH - 1 - at) & 1 == 1 { ink } else { ' ' };
            (0..WIDTH).map(dot).collect::<String>()
        };
        text.chars().map(letter).collect::<Vec<_>>().join(" ")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_and_digit_has_a_shape_of_its_own() {
        let all: Vec<_> = ('A'..='Z').chain('1'..='9').map(glyph).collect();
        for (at, own) in all.iter().enumerate() {
            // As on a plate, S is not 5 and Z is not 2.
            assert!(!all[..at].contains(own), "{at}");
        }
        assert_eq!(rows("1.", false)[4], " ###  #  ");
    }
}
