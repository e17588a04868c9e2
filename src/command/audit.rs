//! `terce audit`: whether the chain of audit rows is as it was written.

use std::process::ExitCode;

use clap::{Args, ValueEnum};

use super::{Common, say};
use crate::config::Config;
use crate::store::{Break, ChainHead, Store};

/// Rows that are read at a time.
const ROWS: usize = 10_000;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// What to do.
    what: What,
    /// A head that was printed or logged earlier and kept elsewhere, as number:hash; may be given again.
    #[arg(long = "head", value_parser = head)]
    heads: Vec<ChainHead>,
    #[command(flatten)]
    pub(super) common: Common,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum What {
    /// Walk along the chain and say where it is broken. Exit code 0: nowhere; 1: somewhere; 2: it cannot be read.
    Verify,
    /// Walk along the chain and print only its head. Keep it where whoever can write the database cannot: a chain that was
    /// made anew is whole by itself and shows only against a head.
    Head,
}

fn head(text: &str) -> Result<ChainHead, String> {
    text.parse().map_err(|()| "expected number:hash, as terce audit head prints it".to_owned())
}

/// Walks along the chain.
pub(super) async fn run(config: &Config, asked: &Arguments) -> ExitCode {
    match walk(config, asked).await {
        Ok((head, broken)) if broken.is_empty() => {
            let text = match asked.what {
                What::Verify => format!("{} rows, each as it was written; head {head}", head.number),
                What::Head => head.to_string(),
            };
            say(&text, false);
            ExitCode::SUCCESS
        }
        Ok((_, broken)) => {
            let lines: Vec<String> = broken.iter().map(ToString::to_string).collect();
            say(&format!("the chain is broken:\n{}", lines.join("\n")), true);
            ExitCode::FAILURE
        }
        Err(error) => {
            say(&format!("{error:#}"), true);
            ExitCode::from(2)
        }
    }
}

async fn walk(config: &Config, asked: &Arguments) -> anyhow::Result<(ChainHead, Vec<Break>)> {
    let path = config.database();
    if !path.exists() {
        anyhow::bail!("there is no database at {}", path.display());
    }
    let store = Store::open_sqlite(Some(&path)).await?;
    Ok(store.walk_audits(asked.heads.clone(), ROWS).await?)
}
