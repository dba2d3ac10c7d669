//! The rig file: TOML to a checked [`Rig`], with the place of every mistake.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{ColumnRig, Rig, SensorRig, fuel};
use crate::detect;
use crate::log::Role;
use crate::read;
use crate::setting::{self, Checked, Fault, Mistake, check_keys, nearest, number, table, text, wrong_kind};

/// Why a rig file was refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RigError {
    /// The file could not be read.
    #[error("cannot read rig file {path}: {}", crate::read::refusal(path, source))]
    Io {
        /// File.
        path: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// A key or value is not what the rig file knows.
    #[error(transparent)]
    Content(#[from] Box<Mistake>),
}

const TOP_KEYS: &[&str] = &[
    "name",
    "fuel",
    "stoich_afr",
    "cylinders",
    "redline_rpm",
    "full_load_lambda_max",
    "decimal",
    "rate_hz",
    "unpacked_limit_mb",
    "sensor",
    "columns",
    "limits",
];
const SENSOR_KEYS: &[&str] =
    &["serial", "installed", "checked", "tau_s", "link", "frame_hz", "clip_lean", "supply_min_v"];
const COLUMN_KEYS: &[&str] = &["role", "unit"];

impl Rig {
    /// Reads and checks a rig file.
    ///
    /// # Errors
    /// The file cannot be read, or [`Rig::parse`] refuses it.
    pub fn load(path: &Path) -> Result<Self, RigError> {
        let bytes = read::whole(path, read::SETTINGS_MOST)
            .map_err(|source| RigError::Io { path: path.to_owned(), source })?;
        let text = String::from_utf8_lossy(&bytes);
        Self::parse(text.trim_start_matches('\u{feff}'), &path.display().to_string())
    }

    /// Checks the text of a rig file.
    ///
    /// * `file`: the name used in messages and in the document
    ///
    /// # Errors
    /// Text that is not TOML, a key that does not exist, a value of the wrong kind or outside its range, a
    /// limit that no detector has: with line, column and what to write instead.
    pub fn parse(text: &str, file: &str) -> Result<Self, RigError> {
        let mut rig = setting::parse(text, "rig file", file, read_rig)?;
        rig.file = Some(file.to_owned());
        Ok(rig)
    }
}

fn read_rig(table: &DeTable<'_>) -> Checked<Rig> {
    let mut rig = Rig::default();
    let mut limit_spans = BTreeMap::new();
    check_keys(table, TOP_KEYS, "the rig file")?;
    for (key, value) in table {
        match key.get_ref().as_ref() {
            "name" => rig.name = Some(text(value)?),
            "fuel" => read_fuel(&mut rig, value, table.contains_key("stoich_afr"))?,
            "stoich_afr" => rig.stoich_afr = number(value, 2.0, 40.0, "kg of air per kg of fuel")?,
            "cylinders" => rig.cylinders = Some(number(value, 1.0, 24.0, "cylinders")? as u32),
            "redline_rpm" => {
                rig.redline_rpm = Some(number(value, 500.0, 30_000.0, "revolutions per minute")?);
            }
            "full_load_lambda_max" => {
                rig.full_load_lambda_max = number(
                    value,
                    0.5,
                    1.5,
                    "lambda, not air/fuel ratio: divide by the stoichiometric ratio",
                )?;
            }
            "decimal" => rig.decimal = Some(decimal(value)?),
            "rate_hz" => rig.rate_hz = Some(number(value, 0.001, 1e6, "Hz")?),
            "unpacked_limit_mb" => rig.unpacked_limit_mb = Some(number(value, 1.0, 1e6, "MB")?),
            "sensor" => rig.sensor = read_sensor(value)?,
            "columns" => rig.columns = read_columns(value)?,
            "limits" => read_limits(value, &mut rig.limits, &mut limit_spans)?,
            _ => {}
        }
        rig.stated.insert(key.get_ref().to_string());
    }
    if let Err(error) = detect::check_limits(&rig) {
        return Err(Fault {
            span: limit_spans.get(&error.name).cloned().unwrap_or(0..0),
            help: limit_help(&error),
            problem: error.to_string(),
        });
    }
    Ok(rig)
}

/// What to write in place of a refused limit: the nearest of its detector's, or the nearest detector.
fn limit_help(error: &detect::LimitError) -> String {
    let (detector, limit) = error.name.split_once('.').unwrap_or((&error.name, ""));
    let metas = || detect::ALL.iter().map(|detector| detector.meta());
    let Some(meta) = metas().find(|meta| meta.name == detector) else {
        let near = nearest(detector, metas().map(|meta| meta.name));
        return near.map_or_else(
            || {
                "`sondeproof explain` lists the detectors, `sondeproof explain NAME` the limits of one"
                    .to_owned()
            },
            |near| {
                format!("did you mean the detector `{near}`? `sondeproof explain {near}` lists its limits")
            },
        );
    };
    let limits: Vec<&str> = meta.limits.iter().map(|limit| limit.name).collect();
    if limits.contains(&limit) {
        return format!("`sondeproof explain {detector}` says what the limit means and where it comes from");
    }
    match nearest(limit, limits.iter().copied()) {
        Some(near) => format!("did you mean `{detector}.{near}`?"),
        None if limits.is_empty() => format!("`{detector}` has no limits; leave the line out"),
        None => format!("`{detector}` has the limits {}", limits.join(", ")),
    }
}

fn read_fuel(rig: &mut Rig, value: &Spanned<DeValue<'_>>, ratio_stated: bool) -> Checked<()> {
    rig.fuel = text(value)?;
    match fuel::ratio_of(&rig.fuel) {
        // A stated ratio wins wherever it stands in the file.
        Some(ratio) if !ratio_stated => rig.stoich_afr = ratio,
        None if !ratio_stated => {
            return Err(Fault {
                span: value.span(),
                problem: format!("no composition is known for the fuel `{}`", rig.fuel),
                help: "write gasoline, E5, E10, E20, E85 (any E0 to E100), M15, ethanol, methanol, methane, \
                       propane or butane, or state the ratio: `stoich_afr = 14.1`"
                    .to_owned(),
            });
        }
        _ => {}
    }
    Ok(())
}

fn read_sensor(value: &Spanned<DeValue<'_>>) -> Checked<SensorRig> {
    let table = table(value, "[sensor]")?;
    check_keys(table, SENSOR_KEYS, "[sensor]")?;
    let mut sensor = SensorRig::default();
    for (key, value) in table {
        match key.get_ref().as_ref() {
            "serial" => sensor.serial = Some(text(value)?),
            "installed" => sensor.installed = Some(day(value)?),
            "checked" => sensor.checked = Some(day(value)?),
            "tau_s" => sensor.tau_s = Some(pair(value)?),
            "link" => sensor.link = Some(link(value)?),
            "frame_hz" => sensor.frame_hz = Some(number(value, 0.01, 10_000.0, "Hz")?),
            "clip_lean" => sensor.clip_lean = Some(number(value, 0.9, 20.0, "lambda, not air/fuel ratio")?),
            "supply_min_v" => sensor.supply_min_v = Some(number(value, 3.0, 60.0, "V")?),
            _ => {}
        }
    }
    Ok(sensor)
}

fn read_columns(value: &Spanned<DeValue<'_>>) -> Checked<BTreeMap<String, ColumnRig>> {
    let mut columns = BTreeMap::new();
    for (name, value) in table(value, "[columns]")? {
        let entry = table(value, "a column (`\"NAME\" = { role = \"lambda\" }`)")?;
        check_keys(entry, COLUMN_KEYS, "a column")?;
        let mut column = ColumnRig { role: None, unit: None };
        for (key, value) in entry {
            match key.get_ref().as_ref() {
                "role" => column.role = Some(role(value)?),
                "unit" => column.unit = Some(unit(value)?),
                _ => {}
            }
        }
        if let (Some(role), Some(text)) = (column.role, column.unit.as_deref()) {
            check_unit_of_role(role, text, value)?;
        }
        columns.insert(name.get_ref().to_string(), column);
    }
    Ok(columns)
}

fn check_unit_of_role(role: Role, text: &str, value: &Spanned<DeValue<'_>>) -> Checked<()> {
    match super::guess::parse_unit(text) {
        Some(unit) if !super::guess::fits(role, unit) => Err(Fault {
            span: value.span(),
            problem: format!("{text} is no unit of {}", role.label()),
            help: format!("units of it: {}", units_of(role)),
        }),
        _ => Ok(()),
    }
}

fn units_of(role: Role) -> String {
    let units: Vec<&str> = crate::log::UNITS
        .iter()
        .filter(|unit| super::guess::fits(role, unit))
        .map(|unit| if unit.symbol.is_empty() { "1" } else { unit.symbol })
        .collect();
    units.join(", ")
}

fn read_limits(
    value: &Spanned<DeValue<'_>>,
    limits: &mut BTreeMap<String, f64>,
    spans: &mut BTreeMap<String, Range<usize>>,
) -> Checked<()> {
    for (detector, value) in table(value, "[limits]")? {
        if let DeValue::Table(inner) = value.get_ref() {
            for (name, value) in inner {
                let full = format!("{}.{}", detector.get_ref(), name.get_ref());
                spans.insert(full.clone(), name.span());
                limits.insert(full, number(value, f64::MIN, f64::MAX, "")?);
            }
        } else {
            let full = detector.get_ref().to_string();
            spans.insert(full.clone(), detector.span());
            limits.insert(full, number(value, f64::MIN, f64::MAX, "")?);
        }
    }
    Ok(())
}

fn pair(value: &Spanned<DeValue<'_>>) -> Checked<[f64; 2]> {
    let wanted = "two numbers, low and high, in s: [0.045, 0.100]";
    let array = value.get_ref().as_array().ok_or_else(|| wrong_kind(value, wanted))?;
    let mut numbers = array.iter().map(|item| number(item, 0.001, 10.0, "s"));
    match (numbers.next(), numbers.next(), numbers.next()) {
        (Some(low), Some(high), None) => {
            let (low, high) = (low?, high?);
            if low > high {
                return Err(Fault {
                    span: value.span(),
                    problem: "the low end is above the high end".to_owned(),
                    help: format!("write [{high}, {low}]"),
                });
            }
            Ok([low, high])
        }
        _ => Err(wrong_kind(value, wanted)),
    }
}

fn day(value: &Spanned<DeValue<'_>>) -> Checked<String> {
    let found = match value.get_ref() {
        DeValue::Datetime(datetime) => datetime.date.map(|date| date.to_string()),
        DeValue::String(text) => text.parse::<jiff::civil::Date>().ok().map(|date| date.to_string()),
        _ => None,
    };
    found.ok_or_else(|| wrong_kind(value, "a day as 2026-03-01"))
}

fn link(value: &Spanned<DeValue<'_>>) -> Checked<String> {
    let found = text(value)?;
    if matches!(found.as_str(), "serial" | "analog") {
        return Ok(found);
    }
    Err(Fault {
        span: value.span(),
        problem: format!("`{found}` is no kind of link"),
        help: "write \"serial\" or \"analog\"".to_owned(),
    })
}

fn decimal(value: &Spanned<DeValue<'_>>) -> Checked<char> {
    match text(value)?.as_str() {
        "." => Ok('.'),
        "," => Ok(','),
        other => Err(Fault {
            span: value.span(),
            problem: format!("`{other}` is no decimal mark"),
            help: "write \".\" or \",\"".to_owned(),
        }),
    }
}

fn role(value: &Spanned<DeValue<'_>>) -> Checked<Role> {
    let name = text(value)?;
    Role::from_name(&name).ok_or_else(|| {
        let names: Vec<&str> = Role::ALL.iter().map(|role| role.name()).collect();
        Fault {
            span: value.span(),
            problem: format!("there is no role `{name}`"),
            help: nearest(&name, names.iter().copied()).map_or_else(
                || format!("roles: {}", names.join(", ")),
                |near| format!("did you mean `{near}`?"),
            ),
        }
    })
}

fn unit(value: &Spanned<DeValue<'_>>) -> Checked<String> {
    let name = text(value)?;
    if super::guess::parse_unit(&name).is_some() {
        return Ok(name);
    }
    let symbols: BTreeSet<&str> =
        crate::log::UNITS.iter().map(|unit| unit.symbol).filter(|symbol| !symbol.is_empty()).collect();
    let near = nearest(&name, symbols.iter().copied());
    let symbols: Vec<&str> = symbols.into_iter().collect();
    Err(Fault {
        span: value.span(),
        problem: format!("the unit `{name}` is not known"),
        help: near.map_or_else(
            || format!("units: {}", symbols.join(", ")),
            |near| format!("did you mean `{near}`?"),
        ),
    })
}
