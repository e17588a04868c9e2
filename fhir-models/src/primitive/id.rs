//! R4's `id`.

/// Whether `text` can be the logical id of a resource: 1 to 64 of `A-Z a-z 0-9 - .`
///
/// `.` and `..` match R4's pattern and are refused all the same: an id is a segment of a URL's path.
pub fn is_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'.')
        && text != "."
        && text != ".."
}
