//! The outputs of a split input, added up.

use std::path::{Path, PathBuf};

use anyhow::bail;

use super::files::{self, Manifest, REJECTED, ROWS, Setup};
use super::rows::Runs;
use crate::care::tally::Tally;
use crate::care::time::Instant;

/// Adds the folders `parts`, each written by a replay of some of the stays, into `out`: the same bytes as one replay of
/// all of them.
///
/// # Errors
/// A folder that no replay has finished; folders that were counted differently (their maps of codes may differ) or up to
/// different instants; `out` cannot be written, or is one of the folders.
pub fn merge(parts: &[PathBuf], out: &Path) -> anyhow::Result<Manifest> {
    let mut whole: Option<Manifest> = None;
    let mut tally = Tally::default();
    for part in parts {
        let manifest = files::manifest(part)?;
        whole = Some(match whole {
            None => manifest,
            Some(sum) => add(sum, &manifest, part)?,
        });
        files::read_sums(part, &mut tally)?;
    }
    let Some(whole) = whole else { bail!("nothing to merge") };
    std::fs::create_dir_all(out)?;
    let target = out.canonicalize()?;
    for part in parts {
        if part.canonicalize()? == target {
            bail!("{} cannot be both added up and written", part.display());
        }
    }
    let site = whole.setup.site()?;
    let until: chrono::DateTime<chrono::Utc> = whole.until.parse()?;
    for name in ROWS {
        let present: Vec<PathBuf> = parts.iter().map(|p| p.join(name)).filter(|p| p.exists()).collect();
        if present.is_empty() {
            continue;
        }
        if present.len() < parts.len() {
            bail!("{name} is in some of the folders and not in others");
        }
        let runs = Runs::new(out, 0);
        present.iter().try_for_each(|path| runs.add_file(path))?;
        runs.write(&out.join(name))?;
    }
    // by file and line, as each part has them
    let mut rejected = std::fs::File::create(out.join(REJECTED))?;
    for path in parts.iter().map(|p| p.join(REJECTED)).filter(|p| p.exists()) {
        std::io::copy(&mut std::fs::File::open(path)?, &mut rejected)?;
    }
    files::write_sums(out, &tally, &site, Instant::from(until))?;
    files::write_manifest(out, &whole)?;
    Ok(whole)
}

fn add(mut sum: Manifest, other: &Manifest, part: &Path) -> anyhow::Result<Manifest> {
    if sum.until != other.until {
        let (a, b) = (&sum.until, &other.until);
        bail!("{} was counted up to {b}, the others up to {a}: give --until to each replay", part.display());
    }
    // each hospital of a region has codes of its own; by what is counted is the same
    let (mine, theirs) = (sum.setup.clone(), other.setup.clone());
    if (Setup { maps: Vec::new(), ..mine }) != (Setup { maps: Vec::new(), ..theirs })
        || sum.terce != other.terce
    {
        bail!("{} was counted by another configuration, protocol or version", part.display());
    }
    for map in &other.setup.maps {
        if !sum.setup.maps.contains(map) {
            sum.setup.maps.push(map.clone());
        }
    }
    sum.stays += other.stays;
    sum.open += other.open;
    Ok(sum)
}
