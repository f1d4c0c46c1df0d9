//! The link as a QR code of block characters, two rows of it in one line of the terminal.

use qrcode::{Color, EcLevel, QrCode};

/// Empty modules around it: scanners find it by them (ISO/IEC 18004 asks for four).
const MARGIN: usize = 4;

/// The lines of the code. Its light parts are drawn and its dark ones left empty: light on a dark
/// terminal. With `colour` they are black on white, whatever the terminal's own colours are.
/// `None` where the text is too long for a code.
pub(super) fn lines(text: &str, colour: bool) -> Option<Vec<String>> {
    // The least correction: a screen is not scratched, and fewer modules are larger ones.
    let code = QrCode::with_error_correction_level(text, EcLevel::L).ok()?;
    let (width, modules) = (code.width(), code.to_colors());
    let light = |x: usize, y: usize| {
        let inside = (MARGIN..MARGIN + width).contains(&x) && (MARGIN..MARGIN + width).contains(&y);
        !inside || modules[(y - MARGIN) * width + x - MARGIN] == Color::Light
    };
    let whole = width + 2 * MARGIN;
    let line = |y: usize| {
        let blocks = (0..whole).map(|x| match (light(x, y), y + 1 >= whole || light(x, y + 1)) {
            (true, true) => '█',
            (true, false) => '▀',
            (false, true) => '▄',
            (false, false) => ' ',
        });
        let blocks: String = blocks.collect();
        if colour { format!("\x1b[97;40m{blocks}\x1b[0m") } else { blocks }
    };
    Some((0..whole).step_by(2).map(line).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The picture that a terminal makes of the lines, 8 points a module; `true` is light.
    fn picture(lines: &[String]) -> Vec<Vec<bool>> {
        let mut rows = Vec::new();
        for line in lines {
            let half = |full: char| line.chars().map(|own| own == '█' || own == full).collect();
            let (upper, lower): (Vec<bool>, Vec<bool>) = (half('▀'), half('▄'));
            rows.extend([upper, lower]);
        }
        rows
    }

    #[test]
    fn a_scanner_reads_the_link() {
        let links = [
            "http://127.0.0.1:40001/ABCDEFGHIJKLMNOPQRSTUVWXY2/",
            "http://192.168.178.101:47115/ABCDEFGHIJKLMNOPQRSTUVWXY2/",
            "http://[2001:db8:aaaa:bbbb:cccc:dddd:eeee:ffff]:47115/ABCDEFGHIJKLMNOPQRSTUVWXY2/",
        ];
        for link in links {
            let lines = lines(link, false).unwrap();
            assert!(lines.len() <= 21 && lines[0].chars().count() <= 80, "{}", lines.join("\n"));
            let rows = picture(&lines);
            let (width, height) = (rows[0].len() * 8, rows.len() * 8);
            let grey = |x: usize, y: usize| if rows[y / 8][x / 8] { 255 } else { 0 };
            let mut image = rqrr::PreparedImage::prepare_from_greyscale(width, height, grey);
            let grids = image.detect_grids();
            assert_eq!(grids.len(), 1, "{}", lines.join("\n"));
            assert_eq!(grids[0].decode().unwrap().1, link);
        }
    }

    #[test]
    fn with_colour_the_light_parts_are_white_on_black() {
        let lines = lines("http://127.0.0.1:1/A/", true).unwrap();
        assert!(
            lines.iter().all(|line| line.starts_with("\x1b[97;40m") && line.ends_with("\x1b[0m"))
        );
    }
}
