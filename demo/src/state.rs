//! What the ward must remember to go on where it was: the seed, and how far it has lived.
//!
//! Everything else follows from the seed. A minute that was half told when the process ended is told again; that does
//! no harm, for each resource goes out under its own id or identifier.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use serde::{Deserialize, Serialize};

use crate::time::Minute;

/// The simulation, as kept between runs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct State {
    /// Everything follows from it.
    pub seed: u64,
    /// How many days are lived at full speed.
    pub fast_days: u32,
    /// The last minute told to the service, since 1970.
    pub told: Minute,
    /// Resources sent over all runs.
    pub sent: u64,
}

/// Where the state is kept.
pub fn path(data: &Path) -> PathBuf {
    data.join("ward.json")
}

/// Reads it; none if there is none.
pub fn load(data: &Path) -> Result<Option<State>> {
    let path = path(data);
    match std::fs::read(&path) {
        Ok(bytes) => {
            let state = serde_json::from_slice(&bytes);
            state.map(Some).with_context(|| format!("{} is not the state of a ward", path.display()))
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error).with_context(|| format!("cannot read {}", path.display())),
    }
}

/// Writes it, whole or not at all.
pub fn save(data: &Path, state: &State) -> Result<()> {
    let (path, new) = (path(data), data.join("ward.json.new"));
    let written =
        std::fs::write(&new, serde_json::to_vec_pretty(state)?).and_then(|()| std::fs::rename(&new, &path));
    written.with_context(|| format!("cannot write {}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_saved_is_loaded() {
        let dir = std::env::temp_dir().join(format!("demo-state-{}", std::process::id()));
        std::fs::create_dir_all(&dir).unwrap();
        assert_eq!(load(&dir).unwrap(), None);
        let state = State { seed: 7, fast_days: 2, told: 29_000_000, sent: 5 };
        save(&dir, &state).unwrap();
        assert_eq!(load(&dir).unwrap(), Some(state));
        std::fs::remove_dir_all(&dir).unwrap();
    }
}
