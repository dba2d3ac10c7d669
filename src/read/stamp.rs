//! Dates and times of day as logs print them.

use std::fmt::Write as _;

use jiff::civil::Date;

/// Seconds of a day.
pub(super) const DAY_S: f64 = 86_400.0;

/// Order of day and month in dates that do not begin with the year.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Order {
    DayFirst,
    MonthFirst,
}

/// A cell read as date, time of day, or both.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Stamp {
    /// Days since 1970-01-01.
    pub(super) days: Option<i64>,
    /// Seconds since midnight, in the zone of the stamp.
    pub(super) time_s: Option<f64>,
    /// Offset east of UTC, s.
    pub(super) zone_s: Option<i32>,
    /// Step of the time as printed, s.
    pub(super) step_s: f64,
}

/// Reads a stamp: `2018-09-05T21:00:00.25Z`, `2020-02-08 13:30:47`, `05.09.2018`, `9/5/2018 1:02 PM`, `08:24:29.866`,
/// `12:31.5` (minutes and seconds), `08:24:29:866`.
pub(super) fn parse(text: &str, order: Order) -> Option<Stamp> {
    let text = text.trim();
    let mut stamp = Stamp::default();
    let rest = match date(text, order) {
        Some((days, rest)) => {
            stamp.days = Some(days);
            rest.trim_start_matches([' ', 'T', 't', '_', ',', ';']).trim_start()
        }
        None => text,
    };
    if rest.is_empty() {
        return stamp.days.map(|_| stamp);
    }
    let (clock, zone) = zone(rest)?;
    let (seconds, step_s) = time_of_day(clock)?;
    stamp.time_s = Some(seconds);
    stamp.zone_s = zone;
    stamp.step_s = step_s;
    Some(stamp)
}

/// Day and month of a date that does not begin with the year, as they stand; to find out the order.
pub(super) fn first_two(text: &str) -> Option<(u32, u32)> {
    let (a, b, _, _) = three_parts(text.trim())?;
    (a.1 <= 2).then_some((a.0, b.0))
}

type Part = (u32, usize);

/// Three numbers with the same mark between them, and what follows.
fn three_parts(text: &str) -> Option<(Part, Part, Part, &str)> {
    let (a, rest) = digits(text)?;
    let mark = rest.chars().next().filter(|c| matches!(c, '-' | '/' | '.'))?;
    let (b, rest) = digits(rest.strip_prefix(mark)?)?;
    let (c, rest) = digits(rest.strip_prefix(mark)?)?;
    Some((a, b, c, rest))
}

fn digits(text: &str) -> Option<(Part, &str)> {
    let length = text.bytes().take_while(u8::is_ascii_digit).count();
    let value = text.get(..length)?.parse().ok()?;
    Some(((value, length), text.get(length..)?))
}

fn date(text: &str, order: Order) -> Option<(i64, &str)> {
    let (a, b, c, rest) = three_parts(text)?;
    if !rest.is_empty() && !rest.starts_with([' ', 'T', 't', '_', ',', ';']) {
        return None;
    }
    let (year, month, day) = if a.1 == 4 {
        (a.0, b.0, c.0)
    } else if a.1 <= 2 && b.1 <= 2 && (c.1 == 4 || c.1 == 2) {
        // Two-digit years: data loggers are younger than 1970.
        let year = match (c.1, c.0) {
            (4, year) => year,
            (_, short) if short < 70 => 2000 + short,
            (_, short) => 1900 + short,
        };
        match order {
            Order::DayFirst => (year, b.0, a.0),
            Order::MonthFirst => (year, a.0, b.0),
        }
    } else {
        return None;
    };
    let date =
        Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()?;
    Some((days_since_epoch(date)?, rest))
}

fn days_since_epoch(date: Date) -> Option<i64> {
    let epoch = Date::new(1970, 1, 1).ok()?;
    date.since(epoch).ok().map(|span| i64::from(span.get_days()))
}

/// The clock part and the zone behind it.
fn zone(text: &str) -> Option<(&str, Option<i32>)> {
    if let Some(clock) = text.strip_suffix(['Z', 'z']) {
        return Some((clock.trim_end(), Some(0)));
    }
    if let Some(clock) = text.strip_suffix("UTC").or_else(|| text.strip_suffix("GMT")) {
        return Some((clock.trim_end(), Some(0)));
    }
    let Some(at) = text.rfind(['+', '-']).filter(|at| *at > 0) else { return Some((text, None)) };
    let (clock, offset) = text.split_at(at);
    let sign = if offset.starts_with('-') { -1 } else { 1 };
    let plain: String = offset.chars().skip(1).filter(|c| *c != ':').collect();
    if !plain.bytes().all(|byte| byte.is_ascii_digit()) || !(plain.len() == 2 || plain.len() == 4) {
        return None;
    }
    let hours: i32 = plain.get(..2)?.parse().ok()?;
    let minutes: i32 = plain.get(2..).filter(|m| !m.is_empty()).map_or(Ok(0), str::parse).ok()?;
    Some((clock.trim_end(), Some(sign * (hours * 3600 + minutes * 60))))
}

/// Seconds since midnight and the printed step, s.
fn time_of_day(text: &str) -> Option<(f64, f64)> {
    let (text, half) = match text.get(text.len().checked_sub(2)?..) {
        Some(suffix) if suffix.eq_ignore_ascii_case("am") => (&text[..text.len() - 2], Some(0.0)),
        Some(suffix) if suffix.eq_ignore_ascii_case("pm") => (&text[..text.len() - 2], Some(12.0)),
        _ => (text, None),
    };
    let parts: Vec<&str> = text.trim().split(':').collect();
    let whole =
        |part: &str| part.bytes().all(|b| b.is_ascii_digit()).then(|| part.parse::<f64>().ok()).flatten();
    let (hours, minutes, seconds, step_s) = match parts.as_slice() {
        [h, m] if !m.contains(['.', ',']) => (whole(h)?, whole(m)?, 0.0, 60.0),
        [m, s] => {
            let (seconds, step_s) = fractional(s)?;
            (0.0, whole(m)?, seconds, step_s)
        }
        [h, m, s] => {
            let (seconds, step_s) = fractional(s)?;
            (whole(h)?, whole(m)?, seconds, step_s)
        }
        [h, m, s, ms] if ms.len() == 3 => (whole(h)?, whole(m)?, whole(s)? + whole(ms)? / 1000.0, 0.001),
        _ => return None,
    };
    let minutes_most = if parts.len() == 2 && step_s < 60.0 { 1e6 } else { 60.0 };
    if minutes >= minutes_most || seconds >= 61.0 {
        return None;
    }
    let hours = match half {
        Some(shift) if (1.0..=12.0).contains(&hours) => hours % 12.0 + shift,
        Some(_) => return None,
        None => hours,
    };
    Some((hours * 3600.0 + minutes * 60.0 + seconds, step_s))
}

fn fractional(text: &str) -> Option<(f64, f64)> {
    let mark = if text.contains(',') { b',' } else { b'.' };
    let value = super::number::parse(text.as_bytes(), mark)?.value;
    let decimals = text.find(['.', ',']).map_or(0, |at| text.len() - at - 1);
    let decimals = i32::try_from(decimals.min(9)).unwrap_or(9);
    text.starts_with(|c: char| c.is_ascii_digit()).then(|| (value, 10_f64.powi(-decimals)))
}

/// A day and a time of day in ISO 8601; `T08:24:29.866` where the day is not known, null where the calendar has no such day.
pub(super) fn iso(days: Option<i64>, time_s: f64, zone_s: Option<i32>) -> Option<String> {
    let date = |days| {
        let span = jiff::Span::new().try_days(days).ok()?;
        Date::new(1970, 1, 1).ok()?.checked_add(span).ok()
    };
    let date = match days {
        Some(days) => Some(date(days)?),
        None => None,
    };
    let micros = (time_s.clamp(0.0, 1e9) * 1e6).round() as u64;
    let (seconds, fraction) = (micros / 1_000_000, micros % 1_000_000);
    let mut text = date.map(|date| date.to_string()).unwrap_or_default();
    write!(text, "T{:02}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60).ok();
    if fraction > 0 {
        text += format!(".{fraction:06}").trim_end_matches('0');
    }
    match zone_s {
        Some(0) => text.push('Z'),
        Some(zone) => {
            let sign = if zone < 0 { '-' } else { '+' };
            write!(text, "{sign}{:02}:{:02}", zone.abs() / 3600, zone.abs() / 60 % 60).ok();
        }
        None => {}
    }
    Some(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Stamp {
        parse(text, Order::DayFirst).unwrap_or_else(|| panic!("{text}"))
    }

    #[test]
    fn iso_dates_and_times_are_read() {
        // 1 536 181 200 s is 2018-09-05T21:00:00Z by the file the example stands in.
        let stamp = of("2018-09-05T21:00:00Z");
        let days = stamp.days.expect("date");
        assert_eq!(days as f64 * DAY_S + stamp.time_s.expect("time"), 1_536_181_200.0);
        assert_eq!(stamp.zone_s, Some(0));
        assert_eq!(of("2018-09-05 23:00:00.250+02:00").zone_s, Some(7200));
        assert_eq!(of("2018-09-05T21:00:00-0330").zone_s, Some(-12_600));
        assert_eq!(of("2019-01-01 00:15").step_s, 60.0);
        assert_eq!(of("1970-01-01").days, Some(0));
    }

    #[test]
    fn times_of_day_are_read() {
        assert_eq!(of("08:24:29.866").time_s, Some(8.0 * 3600.0 + 24.0 * 60.0 + 29.866));
        assert_eq!(of("08:24:29,866").step_s, 0.001);
        assert_eq!(of("08:24:29:866").time_s, of("08:24:29.866").time_s);
        assert_eq!(of("12:31.5").time_s, Some(12.0 * 60.0 + 31.5));
        assert_eq!(of("12:05 AM").time_s, Some(300.0));
        assert_eq!(of("1:02:03 pm").time_s, Some(13.0 * 3600.0 + 123.0));
    }

    #[test]
    fn day_and_month_follow_the_order_asked_for() {
        assert_eq!(of("05.09.2018").days, of("2018-09-05").days);
        assert_eq!(parse("9/5/18", Order::MonthFirst).and_then(|s| s.days), of("2018-09-05").days);
        assert_eq!(first_two("05.09.2018 12:00"), Some((5, 9)));
        assert_eq!(first_two("2018-09-05"), None);
    }

    #[test]
    fn what_is_no_stamp_is_refused() {
        for text in [
            "",
            "12.5",
            "12",
            "rpm",
            "1:2:3:4",
            "25.13.2018",
            "2018-02-30",
            "12:99:00",
            "08:24:xx",
            "é",
            "1:é",
        ] {
            assert_eq!(parse(text, Order::DayFirst), None, "{text}");
        }
    }

    #[test]
    fn stamps_print_as_iso() {
        let is =
            |days, time_s, zone_s, text: &str| assert_eq!(iso(days, time_s, zone_s).as_deref(), Some(text));
        is(Some(17_779), 75_600.25, Some(0), "2018-09-05T21:00:00.25Z");
        is(None, 30_269.866, None, "T08:24:29.866");
        is(Some(0), 0.0, Some(-12_600), "1970-01-01T00:00:00-03:30");
        assert_eq!(iso(Some(-106_751_991_168), 0.0, Some(0)), None, "a day 292 million years ago");
    }
}
