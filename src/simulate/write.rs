//! The log as text.

use std::fmt::Write as _;

use super::logger::Rows;
use super::scenario::Scenario;

/// The bytes of the log: one header row, then one row per sample; an empty cell where there is no value.
pub(super) fn text(scenario: &Scenario, rows: &Rows) -> Vec<u8> {
    let separator = if scenario.logger.decimal_comma { ';' } else { ',' };
    let time_name = match scenario.logger.words {
        0 => "Time (s)",
        1 => "time [s]",
        _ => "Zeit (s)",
    };
    let mut out = String::with_capacity(rows.time_s.len() * (rows.columns.len() + 1) * 8);
    out.push_str(time_name);
    for column in &rows.columns {
        out.push(separator);
        out.push_str(&column.name);
    }
    out.push('\n');
    for (row, time_s) in rows.time_s.iter().enumerate() {
        push(&mut out, *time_s, 3, scenario.logger.decimal_comma);
        for column in &rows.columns {
            out.push(separator);
            let value = column.values.get(row).copied().unwrap_or(f64::NAN);
            if value.is_finite() {
                push(&mut out, value, column.decimals, scenario.logger.decimal_comma);
            }
        }
        out.push('\n');
    }
    out.into_bytes()
}

fn push(out: &mut String, value: f64, decimals: usize, comma: bool) {
    let from = out.len();
    // Writing to a string cannot fail.
    let _ = write!(out, "{:.decimals$}", value + 0.0);
    if comma && let Some(point) = out[from..].find('.') {
        out.replace_range(from + point..=from + point, ",");
    }
}
