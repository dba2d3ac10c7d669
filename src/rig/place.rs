//! What may tell where the machine was: it stays out of everything that is passed on, unless the rig file names the column.
//!
//! A column whose name says that it holds positions is left out. Of a column of which nobody knows what it holds, the numbers
//! are withheld whatever they look like, because a place can be written in more ways than anybody can list.

use super::Rig;
use super::guess::parse_unit;
use super::name::{is_position, names_axis, names_machine, read_name};
use crate::log::{Channel, Dimension, Note, Role};
use crate::read::Table;
use crate::read::place::{name_tells_place, unquoted};

/// Withheld columns that a note names.
const NAMED_MOST: usize = 8;

/// Spellings that some files mean otherwise than the unit that they are read as: degrees of arc, a satellite receiver.
const TWO_MEANINGS: [&str; 2] = ["grad", "gps"];

/// Whether a column says where the machine was. Who publishes a report does not mean to publish a home address.
pub(super) fn tells_position(name: &str, unit: Option<&str>) -> bool {
    let measured = unit.and_then(parse_unit).map(|unit| unit.dimension);
    // "Lat" in m/s2 is a lateral acceleration.
    !matches!(measured, Some(Dimension::Acceleration | Dimension::Speed)) && is_position(name)
}

/// Whether nobody knows what a column holds, so that it may be a place: neither the words of its name, nor a unit in which no
/// place is written, nor a role in the file's own metadata says it. `G_LAT` is an acceleration or a latitude.
///
/// * `unit`: as the file spells it
/// * `role`: in the file's own metadata
pub(super) fn may_be_place(name: &str, unit: Option<&str>, role: Option<Role>) -> bool {
    let role_known = role.is_some_and(|role| role != Role::Other) || read_name(name).is_some();
    !unit.is_some_and(is_no_place) && (names_axis(name) || !role_known && !names_machine(name))
}

/// Whether a column that is a mixture by its name and none by its values may be a place, under a header that slipped.
///
/// * `unit`: as the file spells it
pub(super) fn may_have_slipped(name: &str, unit: Option<&str>) -> bool {
    let mixture =
        read_name(name).is_some_and(|hint| hint.role.is_mixture() || hint.role == Role::LambdaTarget);
    mixture && !unit.is_some_and(is_no_place)
}

/// Whether no place is written in a unit. Degrees, minutes of arc, metres and shares of a turn are units of one.
fn is_no_place(unit: &str) -> bool {
    let place = [Dimension::Angle, Dimension::Length, Dimension::Time, Dimension::Unknown];
    let spelled = unit.trim().to_lowercase();
    !TWO_MEANINGS.contains(&spelled.as_str())
        && parse_unit(unit).is_some_and(|unit| unit.code != "1" && !place.contains(&unit.dimension))
}

/// Gives columns whose names hold a coordinate the number of their place in the file for a name, unless the rig file names
/// them.
pub(super) fn withhold_names(table: &mut Table, rig: &Rig) {
    for (index, column) in table.columns.iter_mut().enumerate() {
        let tells = name_tells_place(&column.name) || name_tells_place(&column.source_name);
        if !tells || rig.column_of(&column.name, &column.source_name).is_some() {
            continue;
        }
        let new = format!("column {}", index + 1);
        for known in table.notes.iter_mut().filter(|known| known.channel.as_deref() == Some(&column.name)) {
            known.channel = Some(new.clone());
            known.text = known.text.replace(column.name.as_str(), &new);
        }
        table.notes.push(Note {
            line: None,
            channel: Some(new.clone()),
            text: "its name in the file may tell a place and is not shown; naming it under `[columns]` in the rig file \
                   shows it"
                .to_owned(),
        });
        (column.name, column.source_name) = (new.clone(), new);
    }
}

/// Says that a column was left out, and takes back what reading quoted of it.
pub(super) fn leave_out(name: &str, notes: &mut Vec<Note>) {
    notes.retain(|known| known.channel.as_deref() != Some(name));
    notes.push(Note {
        line: None,
        channel: Some(name.to_owned()),
        text: "holds positions, so that it is left out of every result; naming it under `[columns]` in the rig file takes it in"
            .to_owned(),
    });
}

/// Says whose numbers are withheld, and takes back what reading quoted of them and of columns of words.
pub(super) fn withhold_numbers(channels: &[Channel], words: &[String], notes: &mut Vec<Note>) {
    let withheld: Vec<&str> =
        channels.iter().filter(|one| one.withheld).map(|one| one.name.as_str()).collect();
    for note in notes.iter_mut() {
        let silent = |name: &str| withheld.contains(&name) || words.iter().any(|word| word == name);
        if note.channel.as_deref().is_some_and(silent) {
            note.text = unquoted(&note.text);
        }
    }
    if withheld.is_empty() {
        return;
    }
    let named = withheld.iter().take(NAMED_MOST).copied().collect::<Vec<_>>().join(", ");
    let more = match withheld.len().saturating_sub(NAMED_MOST) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    notes.push(Note {
        line: None,
        channel: None,
        text: format!(
            "what {named}{more} hold is not known, so that their numbers, which may tell a place, are tested and not shown; \
             naming a column under `[columns]` in the rig file shows them"
        ),
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_column_that_nothing_speaks_of_may_be_a_place() {
        let open = |name, unit| may_be_place(name, unit, None);
        for name in ["f1", "E", "N", "col 20", "X", "Altitude", "Counter", "G_LAT", "Heading"] {
            for unit in
                [None, Some("deg"), Some("m"), Some("ft"), Some("min"), Some("1"), Some("grad"), Some("gps")]
            {
                assert!(open(name, unit), "{name} in {unit:?}");
            }
            for unit in ["bar", "V", "g", "%", "rpm", "degC", "km/h"] {
                assert!(!open(name, Some(unit)), "{name} in {unit}");
            }
        }
        for name in [
            "Knock Count",
            "Fuel Trim",
            "temperature_degC",
            "Lambda",
            "Engine Speed",
            "Coolant Temp",
            "Oil Pressure",
            "Speed",
        ] {
            assert!(!open(name, None), "{name}");
        }
        assert!(
            may_be_place("f1", None, Some(Role::Other)),
            "what `convert` writes of a column it does not know"
        );
        assert!(!may_be_place("f1", None, Some(Role::Lambda)));
    }
}
