//! What may stand above the heading: lines that begin with `#`, for readers that pass over such lines.
//!
//! RFC 4180 knows no remarks and most programs choke on them, so they are written only if asked for.

/// Appends a line for each, whatever stands in it.
pub(crate) fn write_preamble(lines: &[String], out: &mut Vec<u8>) {
    for line in lines {
        // A line end in a name must not end the remark.
        let words = line.split(char::is_control).collect::<Vec<_>>();
        out.extend_from_slice(b"# ");
        out.extend_from_slice(words.join(" ").as_bytes());
        out.extend_from_slice(b"\r\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_breaks_out_of_a_remark() {
        let mut out = Vec::new();
        write_preamble(&["object: a, \"b\"\r\n=1+1".to_owned()], &mut out);
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "# object: a, \"b\"  =1+1\r\n"
        );
    }
}
