//! Under which name a browser keeps a file: `Content-Disposition` (RFC 6266), with the letters of any script (RFC 8187).

use axum::http::{HeaderName, header};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};

/// All but letters, digits and the signs that RFC 8187, section 3.2.1, leaves as they are (`attr-char`).
const OTHERS: &AsciiSet = &NON_ALPHANUMERIC
    .remove(b'!')
    .remove(b'#')
    .remove(b'$')
    .remove(b'&')
    .remove(b'+')
    .remove(b'-')
    .remove(b'.')
    .remove(b'^')
    .remove(b'_')
    .remove(b'`')
    .remove(b'|')
    .remove(b'~');

/// The header: `inline` to be shown, `attachment` to be kept. Names have no quotes (`zonda_model::Name`).
pub(super) fn disposition(how: &str, name: &str) -> (HeaderName, String) {
    let plain: String = name
        .chars()
        .map(|letter| if letter.is_ascii() { letter } else { '_' })
        .collect();
    let mut words = format!("{how}; filename=\"{plain}\"");
    if plain != name {
        words.push_str("; filename*=UTF-8''");
        words.extend(utf8_percent_encode(name, OTHERS));
    }
    (header::CONTENT_DISPOSITION, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The second name is the example of RFC 8187, section 3.2.3, in our place for it.
    #[test]
    fn letters_of_any_script_arrive() {
        let words = |name| disposition("attachment", name).1;
        assert_eq!(
            words("zonda_a-1.csv"),
            "attachment; filename=\"zonda_a-1.csv\""
        );
        assert_eq!(
            words("£ and € rates"),
            "attachment; filename=\"_ and _ rates\"; filename*=UTF-8''%C2%A3%20and%20%E2%82%AC%20rates"
        );
    }
}
