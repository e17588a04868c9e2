//! Secrets: what a file holds, or a variable of the environment. None is written into the configuration itself.

use std::path::Path;

/// Before the name of a variable, where the name of a file is expected.
const VARIABLE: &str = "env:";

/// What is kept where `place` says: in a file, whose path starts from `folder`, or, as `env:NAME`, in a variable of the
/// environment.
///
/// # Errors
/// Where it was looked for, and what is wrong.
pub(super) fn bytes(folder: &Path, place: &Path) -> Result<Vec<u8>, String> {
    if let Some(name) = place.to_str().and_then(|place| place.strip_prefix(VARIABLE)) {
        #[allow(clippy::disallowed_methods, reason = "this is how the configuration reads a secret")]
        let set = std::env::var_os(name).ok_or_else(|| format!("the variable {name} is not set"))?;
        return Ok(set.into_encoded_bytes());
    }
    let path = folder.join(place);
    std::fs::read(&path).map_err(|error| format!("{}: {error}", path.display()))
}

/// The same as text of at least `least` characters, without white space around it.
///
/// # Errors
/// As [`bytes`], or it is too short.
pub(super) fn text(folder: &Path, place: &Path, least: usize) -> Result<String, String> {
    let text = String::from_utf8(bytes(folder, place)?).map_err(|_| "expected UTF-8".to_owned())?;
    let text = text.trim();
    if text.chars().count() < least {
        return Err(match least {
            1 => "it is empty".to_owned(),
            _ => format!("expected {least} characters at least"),
        });
    }
    Ok(text.to_owned())
}
