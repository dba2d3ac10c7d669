//! What a column's name alone tells.

use super::guess::MIXTURE_CONFIDENCE;
use super::words::{
    COMMANDED, FORM_OF_READING, FROM_PLACE, MIXTURE, MIXTURE_DEVICE, NOT_A_READING, NOT_MIXTURE,
    OF_THE_MACHINE, POSITION, POSITION_ALONE, POSITION_BESIDE, POSITION_RECEIVER, POSITION_SHORT, RULES,
    Rule,
};
use crate::log::Role;

/// A role read from a name.
#[derive(Clone, Debug, PartialEq)]
pub struct NameHint {
    /// The role.
    pub role: Role,
    /// How sure the words are, 0..1: a rank by which words were met, not a calibrated frequency.
    pub sure: f64,
    /// The words that told, as folded.
    pub words: Vec<&'static str>,
}

/// A name in comparable form.
struct Folded {
    /// Words of the name: cut at anything that is no letter, at a change from lower to upper case, and
    /// between letters and digits; digits alone are dropped.
    words: Vec<String>,
    /// All words in one.
    joined: String,
}

/// Words of four letters or fewer must stand alone; longer ones may stand inside a compound.
const COMPOUND_LETTERS: usize = 5;

/// The role that a column's name tells, or null where it tells none.
pub fn read_name(name: &str) -> Option<NameHint> {
    let folded = fold(name);
    if folded.words.is_empty() {
        return None;
    }
    let mut best: Option<(f64, NameHint)> = None;
    for rule in RULES {
        let Some(hint) = meets(rule, &folded) else { continue };
        // More letters told is a more specific reading: "oil temperature" beats "temperature".
        let letters: usize = hint.words.iter().map(|word| word.len()).sum();
        let score = hint.sure + 0.01 * letters.min(30) as f64;
        if best.as_ref().is_none_or(|(known, _)| score > *known) {
            best = Some((score, hint));
        }
    }
    best.map(|(_, hint)| hint)
}

/// What the name of a column says of the mixture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MixtureName {
    /// It is that of a mixture reading, as surely as one is taken for it by name alone.
    Reading,
    /// It holds a word of the trade for the mixture.
    Word,
}

/// What a name says of the mixture; null where it says nothing, or speaks of what is commanded or of the sensor's device.
pub fn mixture_name(name: &str) -> Option<MixtureName> {
    let folded = fold(name);
    if is_commanded(name) || MIXTURE_DEVICE.iter().any(|word| folded.has_alone(word)) {
        return None;
    }
    match read_name(name) {
        Some(hint) if hint.role.is_mixture() && hint.sure >= MIXTURE_CONFIDENCE => {
            return Some(MixtureName::Reading);
        }
        Some(hint) if !hint.role.is_mixture() && hint.role != Role::Other => return None,
        _ => {}
    }
    let within = |word: &str| !word.is_ascii() && folded.joined.contains(word);
    let speaks = MIXTURE.iter().any(|word| folded.has(word) || within(word));
    let speaks = speaks || name.to_lowercase().contains("a/f");
    let made = |word: &str| folded.has_alone(word) && !FORM_OF_READING.contains(&word);
    (speaks && !NOT_MIXTURE.iter().any(|word| made(word))).then_some(MixtureName::Word)
}

/// Whether a name speaks of a commanded value.
pub fn is_commanded(name: &str) -> bool {
    let folded = fold(name);
    COMMANDED.iter().any(|word| folded.has(word))
}

/// Whether a name speaks of a place on earth: a latitude, a longitude or a grid coordinate.
///
/// Short words count only beside words that say where they come from: "Long Term Fuel Trim" and "Lat G" are no places.
pub fn is_position(name: &str) -> bool {
    let folded = fold(name);
    let own = |word: &String| POSITION_SHORT.contains(&word.as_str());
    let beside = |word: &String| POSITION_BESIDE.contains(&word.as_str());
    let receiver = |word: &String| POSITION_RECEIVER.contains(&word.as_str());
    POSITION.iter().any(|word| folded.has(word) || (!word.is_ascii() && folded.joined.contains(word)))
        || POSITION_ALONE.iter().any(|word| folded.has_alone(word) || folded.joined == *word)
        || (folded.words.iter().any(|word| own(word) || receiver(word))
            && folded.words.iter().all(|word| own(word) || beside(word)))
        || (FROM_PLACE[0].iter().any(|word| folded.has_alone(word))
            && FROM_PLACE[1].iter().any(|word| folded.has_alone(word)))
}

/// Whether a name may mean an axis of the earth, or of the machine: `G_LAT`.
pub(super) fn names_axis(name: &str) -> bool {
    fold(name).words.iter().any(|word| POSITION_SHORT.contains(&word.as_str()))
}

/// Whether a name speaks of the machine, though it may tell no role.
pub(super) fn names_machine(name: &str) -> bool {
    let folded = fold(name);
    OF_THE_MACHINE.iter().any(|word| folded.has(word))
}

fn meets(rule: &Rule, name: &Folded) -> Option<NameHint> {
    let mut words = Vec::with_capacity(rule.groups.len());
    for group in rule.groups {
        // The longest word that is met: "drehzahl" and "motordrehzahl" may both stand there.
        words.push(*group.iter().filter(|word| name.has(word)).max_by_key(|word| word.len())?);
    }
    if rule.veto.iter().any(|word| name.has(word)) {
        return None;
    }
    if rule.role.is_mixture() && NOT_MIXTURE.iter().any(|word| name.has_alone(word)) {
        return None;
    }
    let voltage = matches!(rule.role, Role::BatteryVoltage | Role::SupplyVoltage);
    if !voltage && NOT_A_READING.iter().any(|word| name.has_alone(word)) {
        return None;
    }
    Some(NameHint { role: rule.role, sure: rule.sure, words })
}

impl Folded {
    fn has(&self, word: &str) -> bool {
        self.has_alone(word) || (word.chars().count() >= COMPOUND_LETTERS && self.joined.contains(word))
    }

    fn has_alone(&self, word: &str) -> bool {
        self.words.iter().any(|own| own == word)
    }
}

fn fold(name: &str) -> Folded {
    let mut words: Vec<String> = Vec::new();
    let mut word = String::new();
    let mut previous: Option<char> = None;
    let mut chars = name.chars().peekable();
    while let Some(c) = chars.next() {
        let camel = c.is_uppercase() && previous.is_some_and(char::is_lowercase);
        // "RPMLimit": the last capital of a run belongs to the next word.
        let capital_run = c.is_uppercase()
            && previous.is_some_and(char::is_uppercase)
            && chars.peek().is_some_and(|next| next.is_lowercase());
        let ends = !c.is_alphabetic() || camel || capital_run;
        if ends && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        if c.is_alphabetic() {
            push_plain(c, &mut word);
        } else if c == '2' && words.last().is_some_and(|last| last == "o") {
            // Oxygen keeps its digit: "O2", "WBO2".
            words.pop();
            words.push("o2".to_owned());
        } else if c == '2' && words.last().is_some_and(|last| last == "wbo") {
            words.pop();
            words.push("wbo2".to_owned());
        }
        previous = Some(c);
    }
    if !word.is_empty() {
        words.push(word);
    }
    // A capital run before a word ("MAPkPa") may have left single letters: they stay words of their own.
    let joined = words.concat();
    Folded { words, joined }
}

/// Lower case without diacritics, for the Latin letters that log headers use.
fn push_plain(c: char, word: &mut String) {
    for c in c.to_lowercase() {
        match c {
            'ä' | 'à' | 'á' | 'â' | 'ã' | 'å' => word.push('a'),
            'ö' | 'ò' | 'ó' | 'ô' | 'õ' | 'ø' => word.push('o'),
            'ü' | 'ù' | 'ú' | 'û' => word.push('u'),
            'é' | 'è' | 'ê' | 'ë' => word.push('e'),
            'í' | 'ì' | 'î' | 'ï' => word.push('i'),
            'ç' => word.push('c'),
            'ñ' => word.push('n'),
            'ß' => word.push_str("ss"),
            'æ' => word.push_str("ae"),
            'œ' => word.push_str("oe"),
            other => word.push(other),
        }
    }
}
