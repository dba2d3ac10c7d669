//! Columns that speak of the mixture by name and were not taken for a reading of it, or could not be read at all: nothing
//! in the log judged them.

use super::lost::wants_support;
use super::{Case, Evidence, Policy};
use crate::clip::clip;
use crate::document::Channel;
use crate::log::{Dimension, Role, Unit};
use crate::rig::guess::STATED_BY_RIG;
use crate::rig::name::{MixtureName, mixture_name};

/// Columns named in one reason, and characters of each.
const NAMES_SHOWN: usize = 3;
const NAME_SHOWN: usize = 40;

impl Case {
    /// A column that is a mixture reading by its name and holds no value of one is a dead bank: what happened there is not
    /// known. One that only speaks of the mixture may be anything: it is said, and closes
    /// the gate to who wants figures without a reservation.
    pub(super) fn unread(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let read = |name: &str| evidence.is_mixture(name);
        for one in evidence.unread.iter().filter(|one| read(&one.name)) {
            let name = clip(&one.name, NAME_SHOWN);
            let reason = format!("not all that {name} reads could be read: {}", one.why);
            self.weigh(
                !policy.lets_dangers_pass(),
                &reason,
                &format!(
                    "a log in which every cell of {name} is a number alone; `decimal` in the rig file states the mark"
                ),
            );
        }
        let named = |wanted: MixtureName| -> Vec<&str> {
            let judged = evidence.channels.iter().filter(|channel| of(channel) == Some(wanted));
            let unread = evidence
                .unread
                .iter()
                .filter(|one| !read(&one.name) && mixture_name(&one.name) == Some(wanted));
            judged.map(|channel| &*channel.name).chain(unread.map(|one| &*one.name)).collect()
        };
        let dead = named(MixtureName::Reading);
        if let Some(first) = dead.first() {
            let (names, first) = (listed(&dead), clip(first, NAME_SHOWN));
            let why = evidence.unread.iter().find(|one| dead.first() == Some(&&*one.name));
            let why = why.map_or("the values are not", |one| &one.why);
            let reason = format!(
                "of the mixture that {names} should have read nothing is known: the name is that of a mixture reading, {why}"
            );
            self.weigh(
                !policy.lets_dangers_pass(),
                &reason,
                &format!(
                    "a log in which {first} reads; where nothing is connected to it, `\"{first}\" = {{ role = \"other\" }}` under \
                     `[columns]` in the rig file"
                ),
            );
        }
        let spoken = named(MixtureName::Word);
        if let Some(first) = spoken.first() {
            let (names, first) = (listed(&spoken), clip(first, NAME_SHOWN));
            let states = format!(
                "if it reads the mixture of a part of the engine, state `\"{first}\" = {{ role = \"lambda\" }}` under `[columns]` \
                 in the rig file, else `role = \"other\"`"
            );
            // Who wants figures without a reservation is not served by half an engine.
            self.weigh(
                wants_support(policy),
                &format!("{names} was not judged: it speaks of the mixture by name only; {states}"),
                &format!("a word on {names}: {states}"),
            );
        }
    }
}

/// How a column that no test judged speaks of the mixture; null where it has a role, or a unit of something else, or where
/// the rig file says that it is something else.
fn of(channel: &Channel) -> Option<MixtureName> {
    let unjudged = channel.role == Role::Other && !channel.role_reason.starts_with(STATED_BY_RIG);
    let name = mixture_name(&channel.name).filter(|_| unjudged)?;
    // A file may hold numbers as times; an input of the logger reads the volts of a controller.
    let dimension = Unit::parse(&channel.unit).map(|unit| unit.dimension);
    if dimension == Some(Dimension::Time) && name == MixtureName::Reading {
        return Some(MixtureName::Word);
    }
    if matches!(dimension, None | Some(Dimension::Voltage | Dimension::Current | Dimension::Unknown))
        && !channel.unit.is_empty()
    {
        return Some(MixtureName::Word);
    }
    if !matches!(channel.unit.as_str(), "" | "AFR") {
        return None;
    }
    // Values that read as an air/fuel ratio were refused for another reason than being none.
    Some(if channel.unit.is_empty() { name } else { MixtureName::Word })
}

fn listed(names: &[&str]) -> String {
    let shown: Vec<_> = names.iter().take(NAMES_SHOWN).map(|name| clip(name, NAME_SHOWN)).collect();
    let more = names.len().saturating_sub(NAMES_SHOWN);
    let shown = shown.join(", ");
    if more == 0 { shown } else { format!("{shown} and {more} more columns") }
}
