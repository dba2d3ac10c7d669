//! Position logs of satellite receivers in NMEA 0183 sentences: RMC, GGA and VTG.
//!
//! The standard is sold, not published: fields and checksum are as receivers describe them in their open manuals (from
//! memory).

use std::sync::Arc;

use arrow_array::{ArrayRef, Float64Array, TimestampNanosecondArray};

use super::stamp;
use super::{Column, Place, ReadError, Table, content_error};
use crate::log::{Note, Source};

/// Day length, ns.
const DAY_NS: i64 = 86_400_000_000_000;

/// Whether a file consists of such sentences: its first whole line is one.
pub(super) fn is_nmea(bytes: &[u8]) -> bool {
    let head = &bytes[..bytes.len().min(1024)];
    let starts = |line: &[u8]| match line {
        [b'$', talker @ .., b','] => talker.len() == 5 && talker.iter().all(u8::is_ascii_uppercase),
        _ => false,
    };
    head.split(|byte| *byte == b'\n').take(2).any(|line| line.get(..7).is_some_and(starts))
}

/// One fix: what the sentences of one time of day say. Null where they say nothing.
#[derive(Clone, Default)]
struct Fix {
    /// Since midnight, ns.
    time_ns: i64,
    /// Midnight since 1970, ns.
    day_ns: Option<i64>,
    speed_kn: Option<f64>,
    speed_kmh: Option<f64>,
    course_deg: Option<f64>,
    altitude_m: Option<f64>,
    satellites: Option<f64>,
    latitude_deg: Option<f64>,
    longitude_deg: Option<f64>,
}

/// Reads sentences to one row per time of day that they name.
///
/// A sentence whose checksum does not fit is left out and counted; of a receiver that says it has no fix only the time
/// is taken.
///
/// # Errors
/// [`ReadError::Content`] when no sentence names a time.
pub(super) fn read(source: Source, bytes: &[u8]) -> Result<Table, ReadError> {
    let mut fixes: Vec<Fix> = Vec::new();
    let (mut damaged, mut first_damaged) = (0_usize, None);
    for (index, line) in bytes.split(|byte| *byte == b'\n').enumerate() {
        let line = line.trim_ascii();
        if line.is_empty() {
            continue;
        }
        let taken = sentence(line).is_some_and(|fields| take(&fields, &mut fixes));
        if !taken && sentence(line).is_none() {
            damaged += 1;
            first_damaged.get_or_insert(index as u64 + 1);
        }
    }
    if fixes.is_empty() {
        let found = format!("{damaged} damaged sentences");
        let help = "record it again with the sentences RMC, or GGA and VTG";
        return Err(content_error(&source.path, Place::default(), "no sentence names a time", &found, help));
    }
    let mut notes = Vec::new();
    if damaged > 0 {
        let text = format!("{damaged} sentences were left out: damaged or with a wrong checksum");
        notes.push(Note { line: first_damaged, channel: None, text });
    }
    let rows = fixes.len();
    Ok(Table {
        source: Source { format: source.format.replacen("text", "nmea0183", 1), ..source },
        columns: columns(&fixes),
        rows,
        restarts: Vec::new(),
        metadata: Vec::new(),
        notes,
    })
}

/// The fields of a sentence whose checksum fits, or that carries none.
fn sentence(line: &[u8]) -> Option<Vec<&str>> {
    let body = line.strip_prefix(b"$")?;
    let body = match body.iter().position(|byte| *byte == b'*') {
        Some(at) => {
            let (body, sum) = body.split_at(at);
            let stated = u8::from_str_radix(std::str::from_utf8(sum.get(1..3)?).ok()?, 16).ok()?;
            let found = body.iter().fold(0_u8, |sum, byte| sum ^ byte);
            (stated == found).then_some(body)?
        }
        None => body,
    };
    let text = std::str::from_utf8(body).ok().filter(|text| text.is_ascii())?;
    Some(text.split(',').collect())
}

/// Takes what a sentence says into the row of its time; false for sentences of other kinds.
fn take(fields: &[&str], fixes: &mut Vec<Fix>) -> bool {
    let field = |index: usize| fields.get(index).copied().unwrap_or_default();
    let number = |index: usize| field(index).parse::<f64>().ok().filter(|value| value.is_finite());
    match field(0).get(2..) {
        Some("RMC") => {
            let Some(fix) = row(field(1), fixes) else { return false };
            fix.day_ns = day_ns(field(9)).or(fix.day_ns);
            if field(2) == "A" {
                fix.speed_kn = number(7);
                fix.course_deg = number(8).or(fix.course_deg);
                fix.latitude_deg = degrees(field(3), field(4));
                fix.longitude_deg = degrees(field(5), field(6));
            }
        }
        Some("GGA") => {
            let Some(fix) = row(field(1), fixes) else { return false };
            fix.satellites = number(7);
            if number(6).is_some_and(|quality| quality > 0.0) {
                fix.altitude_m = number(9);
                fix.latitude_deg = fix.latitude_deg.or(degrees(field(2), field(3)));
                fix.longitude_deg = fix.longitude_deg.or(degrees(field(4), field(5)));
            }
        }
        // It names no time: it belongs to the sentences before it.
        Some("VTG") => {
            let Some(fix) = fixes.last_mut() else { return false };
            // The mode field of later revisions says N where there is no fix.
            if field(9) != "N" {
                fix.course_deg = number(1).or(fix.course_deg);
                fix.speed_kmh = number(7);
                fix.speed_kn = fix.speed_kn.or(number(5));
            }
        }
        _ => return false,
    }
    true
}

/// The row of a time of day: the last one, or a new one.
fn row<'a>(time: &str, fixes: &'a mut Vec<Fix>) -> Option<&'a mut Fix> {
    let time_ns = time_ns(time)?;
    if fixes.last().is_none_or(|last| last.time_ns != time_ns) {
        let day_ns = fixes.last().and_then(|last| {
            let midnight = last.time_ns - time_ns > DAY_NS / 2;
            last.day_ns.map(|day| if midnight { day + DAY_NS } else { day })
        });
        fixes.push(Fix { time_ns, day_ns, ..Fix::default() });
    }
    fixes.last_mut()
}

/// `hhmmss.sss`.
fn time_ns(text: &str) -> Option<i64> {
    let pair = |at: usize| text.get(at..at + 2)?.parse::<i64>().ok();
    let (hours, minutes, seconds) = (pair(0)?, pair(2)?, pair(4)?);
    let fraction = match text.get(6..) {
        Some("") | None => 0.0,
        Some(rest) => rest.parse::<f64>().ok().filter(|rest| (0.0..1.0).contains(rest))?,
    };
    let valid = (0..24).contains(&hours) && (0..60).contains(&minutes) && (0..=60).contains(&seconds);
    valid.then(|| ((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + (fraction * 1e9).round() as i64)
}

/// `ddmmyy`; the satellites' time began in 1980.
fn day_ns(text: &str) -> Option<i64> {
    let pair = |at: usize| text.get(at..at + 2)?.parse::<i16>().ok();
    let year = pair(4).map(|year| if year >= 80 { 1900 + year } else { 2000 + year })?;
    let date = jiff::civil::Date::new(year, pair(2)? as i8, pair(0)? as i8).ok()?;
    let days = date.duration_since(jiff::civil::date(1970, 1, 1)).as_hours() / 24;
    Some(days * DAY_NS)
}

/// `ddmm.mmmm` and its hemisphere to degrees.
fn degrees(text: &str, side: &str) -> Option<f64> {
    let value = text.parse::<f64>().ok().filter(|value| value.is_finite() && *value >= 0.0)?;
    let whole = (value / 100.0).floor();
    let degrees = whole + (value - 100.0 * whole) / 60.0;
    match side {
        "N" | "E" => Some(degrees),
        "S" | "W" => Some(-degrees),
        _ => None,
    }
}

fn columns(fixes: &[Fix]) -> Vec<Column> {
    let first_day = fixes.iter().find_map(|fix| fix.day_ns);
    let time: ArrayRef = match first_day {
        Some(day) => {
            let stamps = fixes.iter().map(|fix| fix.day_ns.unwrap_or(day) + fix.time_ns);
            Arc::new(TimestampNanosecondArray::from_iter_values(stamps).with_timezone("UTC"))
        }
        None => Arc::new(Float64Array::from_iter_values(days_counted(fixes))),
    };
    let column = |name: &str, unit: Option<&str>, role: Option<&str>, values: ArrayRef| Column {
        name: name.to_owned(),
        source_name: name.to_owned(),
        unit: unit.map(str::to_owned),
        role: role.map(str::to_owned),
        values: values.into(),
        unreadable: Vec::new(),
    };
    let time_unit = if first_day.is_none() { Some("s") } else { None };
    let mut columns = vec![column("UTC", time_unit, Some("time"), time)];
    let mut add = |name: &str, unit: &str, role: Option<&str>, of: fn(&Fix) -> Option<f64>| {
        if fixes.iter().any(|fix| of(fix).is_some()) {
            let values = Arc::new(fixes.iter().map(of).collect::<Float64Array>());
            columns.push(column(name, Some(unit).filter(|unit| !unit.is_empty()), role, values));
        }
    };
    add("RMC speed", "kn", Some("gps_speed"), |fix| fix.speed_kn);
    // The same reading in the other unit, with the other's rounding.
    add("VTG speed", "km/h", Some("other"), |fix| fix.speed_kmh);
    add("course", "deg", Some("other"), |fix| fix.course_deg);
    add("altitude", "m", Some("other"), |fix| fix.altitude_m);
    add("satellites", "", Some("other"), |fix| fix.satellites);
    add("latitude", "deg", None, |fix| fix.latitude_deg);
    add("longitude", "deg", None, |fix| fix.longitude_deg);
    columns
}

/// Seconds since the first midnight, where no sentence names a date.
fn days_counted(fixes: &[Fix]) -> impl Iterator<Item = f64> + '_ {
    let (mut days, mut last_ns) = (0.0, i64::MIN);
    fixes.iter().map(move |fix| {
        if last_ns.saturating_sub(fix.time_ns) > DAY_NS / 2 {
            days += stamp::DAY_S;
        }
        last_ns = fix.time_ns;
        days + fix.time_ns as f64 * 1e-9
    })
}

#[cfg(test)]
mod tests {
    use arrow_array::cast::AsArray;
    use arrow_array::types::{Float64Type, TimestampNanosecondType};

    use super::super::{ReadOptions, find_time, from_bytes};
    use super::*;

    fn signed(body: &str) -> String {
        let sum = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
        format!("${body}*{sum:02X}\r\n")
    }

    fn table(text: &str) -> Table {
        from_bytes("run.nmea", text.as_bytes(), &ReadOptions::default()).expect("table")
    }

    fn values(table: &Table, name: &str) -> Vec<Option<f64>> {
        let column = table.columns.iter().find(|column| column.name == name).expect(name);
        column.values.whole().as_primitive::<Float64Type>().iter().collect()
    }

    #[test]
    fn the_example_sentence_of_the_manuals_is_read() {
        // Published in many receivers' manuals with its checksum 6A.
        let table = table("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n");
        assert_eq!((table.rows, table.source.format.as_str()), (1, "nmea0183"));
        assert_eq!(values(&table, "RMC speed"), [Some(22.4)]);
        assert!((values(&table, "latitude")[0].expect("there") - 48.1173).abs() < 1e-9);
        let stamps = table.columns[0].values.whole();
        let stamps = stamps.as_primitive::<TimestampNanosecondType>();
        // 1994-03-23 12:35:19 in Unix time.
        assert_eq!(stamps.value(0), 764_426_119_000_000_000);
    }

    #[test]
    fn sentences_of_one_time_share_a_row_and_midnight_passes() {
        let text = [
            signed("GPRMC,235959.50,A,4700.0,N,00800.0,E,10.0,90.0,310726,,"),
            signed("GPGGA,235959.50,4700.0,N,00800.0,E,1,09,0.9,431.0,M,47.0,M,,"),
            signed("GPVTG,90.0,T,,M,10.0,N,18.52,K,A"),
            signed("GPGGA,000000.00,4700.0,N,00800.0,E,1,09,0.9,432.0,M,47.0,M,,"),
            signed("GPRMC,000000.50,V,,,,,,,010826,,"),
        ];
        let table = table(&text.concat());
        assert_eq!(table.rows, 3);
        assert_eq!(values(&table, "VTG speed"), [Some(18.52), None, None]);
        assert_eq!(values(&table, "altitude"), [Some(431.0), Some(432.0), None]);
        let axis = find_time(&table, None, None).expect("time");
        assert_eq!(axis.seconds, [0.0, 0.5, 1.0]);
        assert!(axis.start.expect("start").starts_with("2026-07-31T23:59:59.5"));
    }

    #[test]
    fn a_wrong_checksum_costs_the_sentence_and_is_said() {
        let good = signed("GPRMC,101010,A,4700.0,N,00800.0,E,10.0,90.0,310726,,");
        let bad = good.replace(",10.0,", ",90.0,");
        let table =
            table(&format!("{good}{bad}{}", signed("GPRMC,101011,A,4700.0,N,00800.0,E,11.0,90.0,310726,,")));
        assert_eq!(values(&table, "RMC speed"), [Some(10.0), Some(11.0)]);
        assert_eq!(table.notes.first().and_then(|note| note.line), Some(2));
        assert!(table.columns.iter().all(|column| column.values.len() == 2));
    }

    #[test]
    fn damaged_text_is_an_error_or_a_table() {
        for text in
            ["$GPRMC,\n", "$GPRMC,é*00\n", "$GPVTG,1,T\n", "$GPRMC,999999,A,,,,,,,,,\n", "$GPGGA,1*\n"]
        {
            let error = from_bytes("x", text.as_bytes(), &ReadOptions::default()).expect_err("an error");
            assert!(error.to_string().contains("no sentence names a time"), "{error}");
        }
    }
}
