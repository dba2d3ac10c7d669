//! Text of a file cut to what people read.

/// At most `most` characters of a text; a longer one ends in how much was left out.
pub(crate) fn clip(text: &str, most: usize) -> String {
    match text.char_indices().nth(most) {
        None => text.to_owned(),
        Some((end, _)) => {
            let (shown, rest) = text.split_at(end);
            format!("{shown}.. ({} characters more)", rest.chars().count())
        }
    }
}

/// Marks that change the direction of the text around them (Unicode Standard Annex 9).
pub(crate) const fn turns(c: char) -> bool {
    matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_shown_whole_or_its_rest_is_counted() {
        assert_eq!(clip("AFR", 3), "AFR");
        assert_eq!(clip("Größe 7", 4), "Größ.. (3 characters more)");
    }
}
