//! Cells that tell where the machine was: they are never quoted, because messages and reports are passed on.

use super::stamp;

/// Decimals of degrees from which on a number is as good as a street, about 11 m (a degree of latitude is 111 km).
const STREET_DECIMALS: usize = 4;
/// The same where a hemisphere stands beside it or a second number does: about 100 m.
const NEAR_DECIMALS: usize = 3;
/// Digits of a grid reference of a hundred metres: a zone, a square and three digits each way.
const GRID_DIGITS: usize = 6;
/// The same where zone, band and square all stand before it, of a kilometre.
const FULL_GRID_DIGITS: usize = 4;
/// Fewest digits of degrees with their minutes, or with tenths of a minute of one digit before it: about a kilometre.
const PARTED_DIGITS: usize = 5;
/// Most digits of a coordinate in whole numbers: parts of 2^31, millimetres from the middle of the earth.
const METRES_DIGITS: usize = 10;
/// Digits each way inside a named square, from which on it is as good as a field: a hundred metres.
const SQUARE_DIGITS: usize = 3;

/// What stands in the place of a cell.
const NOT_SHOWN: &str = "one that may tell a place and is not shown";

/// How a note ends on cells that read as numbers with a decimal comma.
pub(super) const COMMA_HELP: &str =
    "; if this file writes decimals with a comma, set `decimal = \",\"` in the rig file";

/// A note without the cell that it quotes: of a column of which nobody knows what it holds, none is shown.
pub(crate) fn unquoted(note: &str) -> String {
    let (said, help) = note.strip_suffix(COMMA_HELP).map_or((note, ""), |said| (said, COMMA_HELP));
    match (said.find('`'), said.rfind('`')) {
        (Some(start), Some(end)) if start < end => {
            format!("{}{NOT_SHOWN}{}{help}", &said[..start], &said[end + 1..])
        }
        _ => note.to_owned(),
    }
}

/// A cell as a note quotes it.
pub(crate) fn shown(cell: &str) -> String {
    if tells_place(cell) || holds_long_number(cell) || in_parts(cell) || in_other_digits(cell) {
        NOT_SHOWN.to_owned()
    } else {
        format!("`{cell}`")
    }
}

/// Text of a file as an error quotes it.
pub(super) fn quoted(text: &str) -> &str {
    if tells_place(text) { "text that may tell a place and is not shown" } else { text }
}

/// A column's name as a note writes it.
#[cfg(feature = "mdf")]
pub(super) fn name_shown(name: &str) -> &str {
    if name_tells_place(name) { "one whose name may tell a place" } else { name }
}

/// Whether a column's name holds a coordinate: "wind at 47.1234 8.4123". Letters, digits and units are what names are made
/// of, so that less counts than in a cell.
pub(crate) fn name_tells_place(name: &str) -> bool {
    let decimals = decimals(name);
    let near = decimals.iter().filter(|count| **count >= NEAR_DECIMALS).count();
    let coded = name.split_once('+').is_none_or(|(before, _)| before.contains(|c: char| c.is_ascii_digit()));
    name.starts_with("$G")
        || name.starts_with("///")
        || decimals.iter().any(|count| *count >= STREET_DECIMALS)
        || near > 1
        || (near == 1 && names_hemisphere(name))
        || (holds_long_number(name) && !name.contains(char::is_alphabetic))
        || minutes_beside_degrees(name)
        || (in_minutes(name) && name.contains(['°', 'º', '\u{fffd}', '\'', '"', '′']))
        || (coded && name.split([',', ';', '@', '(', ')', '_']).any(|part| is_grid(part) || is_square(part)))
}

/// Whether a cell looks like a coordinate, a grid reference, or a sentence of a satellite receiver.
fn tells_place(cell: &str) -> bool {
    let cell = cell.trim();
    if cell.starts_with('$') || cell.starts_with("///") {
        return true;
    }
    let decimals = decimals(cell);
    let near = decimals.iter().filter(|count| **count >= NEAR_DECIMALS).count();
    decimals.iter().any(|count| *count >= STREET_DECIMALS)
        || near > 1
        || (near == 1 && names_hemisphere(cell))
        || in_minutes(cell)
        || is_grid(cell)
        || in_sixtieths(cell)
        || is_locator(cell)
}

/// Decimals of every number that stands in the cell.
fn decimals(cell: &str) -> Vec<usize> {
    let mut counts = Vec::new();
    let mut parts = cell.split(['.', ',']).peekable();
    while let Some(part) = parts.next() {
        let whole = part.ends_with(|c: char| c.is_ascii_digit());
        if let Some(fraction) = parts.peek().filter(|_| whole) {
            counts.push(fraction.bytes().take_while(u8::is_ascii_digit).count());
        }
    }
    counts
}

fn names_hemisphere(cell: &str) -> bool {
    cell.split(|c: char| !c.is_alphabetic()).any(|word| {
        let axes = ["n", "s", "e", "w", "o", "lat", "latitude", "lon", "long", "lng", "longitude"];
        axes.iter().any(|axis| word.eq_ignore_ascii_case(axis))
    })
}

/// `48°08.229`, `48 08 13.8`, `48.13 11.57`: two numbers or more with nothing but blanks and marks between them, or degrees of
/// which nothing says that they are of heat. A date with its time is none of them.
fn in_parts(cell: &str) -> bool {
    let digits = cell.bytes().filter(u8::is_ascii_digit).count();
    let is_mark = |c: char| c.is_whitespace() || "-°º\u{fffd}'\"′″ʹʺ/_|".contains(c);
    let inner = cell.trim_matches(|c: char| !c.is_ascii_digit());
    let mut between = inner.split(|c: char| c.is_ascii_digit() || c == '.' || c == ',');
    let parted = between.any(|between| !between.is_empty() && between.chars().all(is_mark));
    let degrees = cell.contains(['°', 'º']) && !cell.contains(['C', 'F', 'K']);
    let year = cell.split(|c: char| !c.is_ascii_digit()).any(|digits| digits.len() == 4);
    let date = year && stamp::parse(cell, stamp::Order::DayFirst).is_some();
    digits >= PARTED_DIGITS && (parted || degrees) && !date
}

/// `48°08.229`: minutes right behind the mark of degrees.
fn minutes_beside_degrees(text: &str) -> bool {
    text.split(['°', 'º']).skip(1).any(|behind| behind.trim_start().starts_with(|c: char| c.is_ascii_digit()))
}

/// Digits of another script: nothing that this program reads as a number writes so.
fn in_other_digits(cell: &str) -> bool {
    cell.chars().filter(|c| c.is_numeric() && !c.is_ascii()).count() >= PARTED_DIGITS
}

/// `47°07'24"N`, `4707.4 N`: degrees and minutes in any marks.
fn in_minutes(cell: &str) -> bool {
    let digits = cell.bytes().filter(u8::is_ascii_digit).count();
    let marked = cell.contains(['°', 'º', '\u{fffd}']) || cell.contains("deg");
    digits >= 4 && names_hemisphere(cell) && (marked || cell.contains(['\'', '"', '′', '.', ' ']))
}

/// A zone, letters and six digits or more, or a code of letters and digits around a plus sign.
fn is_grid(cell: &str) -> bool {
    let packed: String = cell.chars().filter(|c| !c.is_whitespace()).collect();
    let zone = packed.bytes().take_while(u8::is_ascii_digit).count();
    let letters = packed.bytes().skip(zone).take_while(u8::is_ascii_uppercase).count();
    let rest = packed.get(zone + letters..).unwrap_or_default();
    let grid = (1..=2).contains(&zone)
        && (1..=3).contains(&letters)
        && rest.len() >= if letters == 3 { FULL_GRID_DIGITS } else { GRID_DIGITS }
        && rest.bytes().all(|byte| byte.is_ascii_digit());
    let code = packed.split_once('+').is_some_and(|(before, after)| {
        let coded = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit() || byte.is_ascii_uppercase());
        (4..=8).contains(&before.len())
            && (2..=3).contains(&after.len())
            && coded(before)
            && coded(after)
            && before.bytes().any(|byte| byte.is_ascii_uppercase())
    });
    grid || code
}

/// `TQ 123 456`: the letters of a square and as many digits east as north, with blanks between.
fn is_square(text: &str) -> bool {
    let mut words = text.split_whitespace();
    let (square, east, north) = (words.next(), words.next(), words.next());
    let (Some(square), Some(east), Some(north), None) = (square, east, north, words.next()) else {
        return false;
    };
    let digits = |word: &str| word.bytes().all(|byte| byte.is_ascii_digit());
    square.len() <= 2
        && square.bytes().all(|byte| byte.is_ascii_uppercase())
        && east.len() == north.len()
        && (SQUARE_DIGITS..=5).contains(&east.len())
        && digits(east)
        && digits(north)
}

/// `47:22:16.44`: degrees, minutes and seconds in the marks of a clock. Seconds have a fraction or the hours are no hours.
fn in_sixtieths(cell: &str) -> bool {
    let parts: Vec<&str> = cell.trim_start_matches(['+', '-']).split(':').collect();
    let [degrees, minutes, seconds] = parts[..] else { return false };
    let number = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit()) && !text.is_empty();
    let whole = seconds.split(['.', ',']).next().unwrap_or_default();
    number(degrees)
        && number(minutes)
        && number(whole)
        && (seconds.len() > whole.len() || degrees.parse::<u32>().is_ok_and(|hours| hours > 24))
}

/// `JN47gj50` and `u0qjd88c8`: locators of letters and digits, from 5 km on.
fn is_locator(cell: &str) -> bool {
    let bytes = cell.as_bytes();
    let field = |index: usize, low: u8, high: u8| {
        bytes.get(index).map(u8::to_ascii_lowercase).is_some_and(|byte| (low..=high).contains(&byte))
    };
    let squares = matches!(bytes.len(), 6 | 8 | 10)
        && (0..bytes.len()).all(|index| match index {
            0 | 1 => field(index, b'a', b'r'),
            4 | 5 | 8 | 9 => field(index, b'a', b'x'),
            _ => field(index, b'0', b'9'),
        });
    // Digits and letters without a, i, l and o, in one case and mixed: no number with its unit.
    let coded = |byte: &u8| byte.is_ascii_digit() || byte.is_ascii_lowercase() && !b"ailo".contains(byte);
    let hash = (6..=12).contains(&bytes.len())
        && bytes.iter().all(coded)
        && bytes.windows(2).filter(|pair| pair[0].is_ascii_digit() != pair[1].is_ascii_digit()).count() >= 3;
    squares || hash
}

/// Digits in a row as no reading has them: metres of a grid, `E2683738`.
fn holds_long_number(cell: &str) -> bool {
    let numbers: Vec<usize> = cell.split(|c: char| !c.is_ascii_digit()).map(str::len).collect();
    numbers.iter().any(|digits| (GRID_DIGITS..=METRES_DIGITS).contains(digits))
        || numbers.iter().filter(|digits| **digits >= SQUARE_DIGITS).count() > 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coordinates_of_every_kind_are_not_quoted() {
        for cell in [
            "N 47.123456",
            "47.123456N",
            "47,1234",
            "-8.41234;49.0123",
            "47.123 8.412",
            "8.412 E",
            "47°07'24\"N",
            "4707.4 N",
            "N 47 07 24",
            "$GPRMC,123519,A,4807.038,N,01131.000,E",
            "32T MT 65432 12345",
            "8FVC9G8F+6X",
            "///one.two.three",
            "TQ 123 456",
            "33U 389880 5819700",
            "2683738.91 1247699.35",
            "E2683738",
            "47:22:16.4442",
            "-122:05:07",
            "JN47gj50",
            "u0qjd88c8",
            "N47 22.345",
            "POINT(8.543 47.371)",
            "48°08.229",
            "48 08.229",
            "48-08-13.8",
            "48°08′13.8″",
            "48ʹ08ʹ13.8",
            "48.137°",
            "48.13 11.57",
            "48.13/11.57",
            "48º08.229",
            "32UPU9161",
            "lat=48.137",
            "４８．１３７１５４",
        ] {
            assert_ne!(shown(cell), format!("`{cell}`"), "{cell}");
        }
    }

    #[test]
    fn coordinates_in_names_are_told_from_what_names_are_made_of() {
        for name in [
            "wind at 47.1234 8.4123",
            "47.12345",
            "temperature (47.123 N)",
            "47°07'24\"N gate",
            "32T MT 65432 12345",
            "start,32TMT6543212345",
            "8FVC9G8F+6X",
            "TQ 123 456",
            "2683738.91",
            "Wind (TQ 123 456)",
            "Lambda 48°08.229",
            "$GPRMC",
        ] {
            assert!(name_tells_place(name), "{name}");
        }
        for name in [
            "RPM",
            "AFR 14.7",
            "0.5-4.5 V",
            "Force 1000 N",
            "FUEL+AIR",
            "O2 1.2.3",
            "$tps",
            "10 bar, 5 V",
            "Lambda (SN123456)",
            "CH 12 34",
            "EGT 1 2",
            "Spark 10.5 °CA 2",
            "JN47gj",
            "n 1/min",
        ] {
            assert!(!name_tells_place(name), "{name}");
        }
    }

    #[test]
    fn what_a_sensor_writes_is_quoted() {
        for cell in [
            "ERR",
            "n/a",
            "14.7*",
            "0.998?",
            "1.5e3x",
            "---",
            "12 V",
            "OPEN",
            "3000rpm",
            "1,234.5 kPa",
            "12:30:15",
            "fault 12",
            "102.37 °C",
            "2026-05-17 12:30:15.25",
            "-13.52",
            "10 bar, 5 V",
            "",
        ] {
            assert!(!tells_place(cell), "{cell}");
            assert_eq!(shown(cell), format!("`{cell}`"));
        }
    }
}
