//! What a column's name says about being the time.

/// How well a name fits the time of the rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fit {
    /// Nothing but words for time, its unit and its origin: `Time`, `Zeit [s]`, `timestamp_ms`.
    Plain,
    /// Such a word among others: `GPS Time`, `Time Master`.
    Qualified,
    /// A time, but of something: `Injection time`, `Lap time`.
    Duration,
    /// No such word.
    None,
}

/// Words for time in names, lower case.
const TIME: &[&str] = &[
    "time",
    "timestamp",
    "datetime",
    "stamp",
    "clock",
    "epoch",
    "t",
    "elapsed",
    "utc",
    "unix",
    "posix", // English
    "zeit",
    "uhrzeit",
    "zeitstempel",
    "datum",
    "messzeit",
    "zeitpunkt", // German
    "temps",
    "heure",
    "horodatage", // French
    "tiempo",
    "hora",
    "fecha", // Spanish
    "tempo",
    "ora",
    "orario",
    "tempos",
    "data", // Italian, Portuguese
    "tijd",
    "tijdstip", // Dutch
    "tid",
    "tidpunkt",
    "tidsstempel",
    "klokkeslett", // Scandinavian
    "aika",
    "aikaleima", // Finnish
    "czas",
    "čas",
    "cas",
    "vreme",
    "idő",
    "ido",
    "zaman",
    "время",
    "час", // Slavic, Hungarian, Turkish
    "時間",
    "時刻",
    "时间",
    "시간", // East Asian
];

/// Words that say where a time starts or what kind it is, without making it another quantity.
const COMPANIONS: &[&str] = &[
    "log",
    "logger",
    "logging",
    "local",
    "system",
    "since",
    "start",
    "of",
    "day",
    "date",
    "relative",
    "rel",
    "abs",
    "absolute",
    "total",
    "record",
    "recording",
    "sample",
    "master",
    "from",
    "the",
    "in",
    "and",
    "pst",
    "gmt",
    "cet",
    "session",
    "seit",
    "start",
    "ab",
    "millis",
    "micros",
];

/// Words that make a time the length or the moment of something else.
const DURATIONS: &[&str] = &[
    "injection",
    "injector",
    "inj",
    "injektor",
    "einspritz",
    "dwell",
    "spark",
    "coil",
    "lap",
    "sector",
    "pulse",
    "response",
    "delay",
    "open",
    "opening",
    "close",
    "closing",
    "lag",
    "dead",
    "best",
    "last",
    "ignition",
    "burn",
    "hold",
    "remaining",
    "reaction",
    "settling",
    "loop",
    "execution",
    "cycle",
    "runde",
    "runden",
    "predicted",
];

/// Units in names and their length in seconds.
const UNITS: &[(&str, f64)] = &[
    ("s", 1.0),
    ("sec", 1.0),
    ("secs", 1.0),
    ("second", 1.0),
    ("seconds", 1.0),
    ("sek", 1.0),
    ("sekunden", 1.0),
    ("secondes", 1.0),
    ("segundos", 1.0),
    ("secondi", 1.0),
    ("ms", 1e-3),
    ("msec", 1e-3),
    ("millis", 1e-3),
    ("millisecond", 1e-3),
    ("milliseconds", 1e-3),
    ("millisekunden", 1e-3),
    ("us", 1e-6),
    ("usec", 1e-6),
    ("µs", 1e-6),
    ("μs", 1e-6),
    ("micros", 1e-6),
    ("microseconds", 1e-6),
    ("ns", 1e-9),
    ("nanos", 1e-9),
    ("nanoseconds", 1e-9),
    ("min", 60.0),
    ("mins", 60.0),
    ("minutes", 60.0),
    ("h", 3600.0),
    ("hours", 3600.0),
];

/// Words of a name: split at signs and where small letters meet capitals (`TimeStamp`).
fn words(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut small = false;
    for sign in name.chars() {
        if !sign.is_alphanumeric() {
            words.push(String::new());
            small = false;
            continue;
        }
        if small && sign.is_uppercase() {
            words.push(String::new());
        }
        small = sign.is_lowercase();
        if let Some(word) = words.last_mut() {
            word.extend(sign.to_lowercase());
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

/// How well a name fits.
pub(super) fn fit(name: &str) -> Fit {
    let words = words(name);
    let is_unit = |word: &str| UNITS.iter().any(|(unit, _)| *unit == word);
    let is_time =
        |word: &str| TIME.contains(&word) || matches!(word, "seconds" | "millis" | "milliseconds" | "micros");
    if !words.iter().any(|word| is_time(word)) {
        return Fit::None;
    }
    if words.iter().any(|word| DURATIONS.contains(&word.as_str())) {
        return Fit::Duration;
    }
    if words.iter().all(|word| is_time(word) || is_unit(word) || COMPANIONS.contains(&word.as_str())) {
        return Fit::Plain;
    }
    // A single letter among other words is an abbreviation of anything.
    if words.iter().any(|word| word.chars().count() > 1 && is_time(word) && word != "data") {
        Fit::Qualified
    } else {
        Fit::None
    }
}

/// The unit that a name ends with or holds, and its length in seconds.
pub(super) fn unit(name: &str) -> Option<(&'static str, f64)> {
    let words = words(name);
    words.iter().rev().find_map(|word| UNITS.iter().find(|(unit, _)| unit == word).copied())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_time_are_known_in_several_languages() {
        for name in [
            "Time",
            "time_ms",
            "TimeStamp",
            "Zeit",
            "Uhrzeit",
            "temps",
            "Tiempo",
            "elapsed time",
            "Log Time",
            "t",
            "'time PST",
        ] {
            assert_eq!(fit(name), Fit::Plain, "{name}");
        }
        assert_eq!(fit("GPS Time"), Fit::Qualified);
    }

    #[test]
    fn times_of_something_are_not_the_time() {
        for name in ["Injection time", "Lap Time", "Dwell time (ms)", "InjTime"] {
            assert_eq!(fit(name), Fit::Duration, "{name}");
        }
        for name in ["Sample", "index", "rpm", "T1", "Engine data", "Coolant T"] {
            assert_eq!(fit(name), Fit::None, "{name}");
        }
    }

    #[test]
    fn units_in_names_are_read() {
        assert_eq!(unit("time_ms"), Some(("ms", 1e-3)));
        assert_eq!(unit("TimeSec"), Some(("sec", 1.0)));
        assert_eq!(unit("Time"), None);
    }
}
