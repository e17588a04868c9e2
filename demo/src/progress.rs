//! How far the ward is, for whoever watches: one line that is written over on a terminal, a line now and then elsewhere.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use crate::time::{HOUR, Minute, spoken};

/// What there is to tell.
#[derive(Clone, Copy, Debug, Default)]
pub struct Figures {
    /// Patients in.
    pub patients: usize,
    /// Resources sent in this run.
    pub sent: u64,
    /// Tasks open.
    pub open_tasks: usize,
    /// DetectedIssues that stand.
    pub issues: usize,
    /// The feed is down.
    pub silent: bool,
}

/// The teller.
pub struct Progress {
    quiet: bool,
    terminal: bool,
    begun: Instant,
    told: Option<Instant>,
    hour: Minute,
}

impl Progress {
    /// Tells nothing if `quiet`.
    pub fn new(quiet: bool) -> Progress {
        let terminal = std::io::stderr().is_terminal();
        Progress { quiet, terminal, begun: Instant::now(), told: None, hour: 0 }
    }

    /// Tells, if it is time to.
    pub fn tell(&mut self, now: Minute, figures: Figures) {
        let often = Duration::from_millis(200);
        let soon = self.told.is_some_and(|t| t.elapsed() < often);
        let same = now / (6 * HOUR) == self.hour;
        if self.quiet || (self.terminal && soon) || (!self.terminal && same) {
            return;
        }
        (self.told, self.hour) = (Some(Instant::now()), now / (6 * HOUR));
        let rate = figures.sent as f64 / self.begun.elapsed().as_secs_f64().max(0.001);
        let line = format!(
            "{}  {} patients  {} sent ({rate:.0}/s)  {} Tasks open  {} issues{}",
            spoken(now),
            figures.patients,
            figures.sent,
            figures.open_tasks,
            figures.issues,
            if figures.silent { "  FEED DOWN" } else { "" },
        );
        if self.terminal {
            eprint!("\r\x1b[2K{line}");
            // A terminal that cannot be written to is no reason to stop the ward.
            let _ = std::io::stderr().flush();
        } else {
            eprintln!("{line}");
        }
    }

    /// Leaves the line, so that something else can be written.
    pub fn leave(&self) {
        if !self.quiet && self.terminal {
            eprintln!();
        }
    }
}
