//! The run: the first days at full speed, the verdict, and then the pace of the clock.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use chrono::TimeDelta;
use clap::Parser;
use tokio::sync::watch::Receiver;

use crate::feed::Feed;
use crate::house::fixtures;
use crate::progress::{Figures, Progress};
use crate::service::Service;
use crate::state::{self, State};
use crate::time::{DAY, Minute, instant, opening, spoken};
use crate::verdict::{Told, truth, verdict};
use crate::ward::{Ward, outages};
use crate::watch::Watch;

/// How often, in the ward's minutes, Tasks and issues are read.
const READING: Minute = 10;

/// A simulated 24-bed critical-care ward that charts into Terce.
#[derive(Parser, Clone, Debug)]
#[command(version)]
pub struct Args {
    /// Where the service's database and the ward's state are kept; a second run with it goes on.
    #[arg(long, default_value = "demo-data")]
    pub data: PathBuf,
    /// Port of the service on 127.0.0.1; 0: any free one.
    #[arg(long, default_value_t = 8080)]
    pub port: u16,
    /// Everything that happens follows from it.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Days lived at full speed before the table.
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=60))]
    pub fast_days: u32,
    /// Seconds of the ward in a second, after the fast days.
    #[arg(long, default_value_t = 1.0, value_parser = speed)]
    pub speed: f64,
    /// Stop after the table; exit code 1 if Terce and the ward differ.
    #[arg(long)]
    pub no_realtime: bool,
    /// Only the table.
    #[arg(long)]
    pub quiet: bool,
}

/// A ward that charts into a running service.
pub struct Run {
    args: Args,
    state: State,
    ward: Ward,
    service: Service,
    feed: Feed,
    watch: Watch,
    progress: Progress,
    stop: Receiver<bool>,
}

impl Run {
    /// Starts the service and puts the ward where it was, or at its first morning.
    pub async fn start(args: Args, stop: Receiver<bool>) -> Result<Run> {
        std::fs::create_dir_all(&args.data)?;
        let fresh = State { seed: args.seed, fast_days: args.fast_days, told: opening(), sent: 0 };
        let mut state = state::load(&args.data)?.unwrap_or_else(|| fresh.clone());
        ensure!(
            (state.seed, state.fast_days) == (fresh.seed, fresh.fast_days),
            "{} holds a ward of seed {} with {} fast days: give the same, or another --data",
            args.data.display(),
            state.seed,
            state.fast_days,
        );
        let service = Service::start(&args.data, args.port, instant(state.told)).await?;
        let base = service.base();
        let mut feed = Feed::new(&base)?;
        for body in fixtures() {
            feed.put(&body).await?;
        }
        state.sent += feed.sent;
        let mut ward = Ward::new(state.seed, outages(state.fast_days));
        for minute in opening() + 1..=state.told {
            ward.tick(minute);
        }
        let (watch, progress) = (Watch::new(&base)?, Progress::new(args.quiet));
        Ok(Run { args, state, ward, service, feed, watch, progress, stop })
    }

    /// Lives the first days, gives the verdict, goes on until told to stop. True: the verdict is good or not reached.
    pub async fn live(mut self) -> Result<bool> {
        self.guide();
        let end = opening() + Minute::from(self.state.fast_days) * DAY;
        let begun = Instant::now();
        while self.state.told < end && !self.stopped() {
            self.minute().await?;
        }
        let mut good = true;
        if !self.stopped() {
            self.progress.leave();
            good = self.judge(begun.elapsed()).await?;
            if !self.args.no_realtime {
                self.real_time().await?;
            }
        }
        self.progress.leave();
        println!("stopped at {}; the same command goes on from there", spoken(self.state.told));
        self.service.stop().await?;
        Ok(good || !self.args.no_realtime)
    }

    fn stopped(&self) -> bool {
        *self.stop.borrow()
    }

    /// One minute of the ward: what is written in it reaches the service before the clock says that it is over, and
    /// the sign of life comes last, for it says that everything has been told.
    async fn minute(&mut self) -> Result<()> {
        let now = self.state.told + 1;
        let before = self.feed.sent;
        let charts = self.ward.tick(now);
        // Half a minute earlier: deadlines lie on whole minutes, and no charting shall tie with one.
        self.service.set(instant(now) - TimeDelta::seconds(30));
        self.feed.send(&charts).await?;
        self.service.set(instant(now));
        if self.ward.outages.heartbeat(now) {
            self.feed.heartbeat().await?;
        }
        self.service.settle().await?;
        if now % READING == 0 {
            self.watch.poll(now).await?;
        }
        self.state.told = now;
        self.state.sent += self.feed.sent - before;
        state::save(&self.args.data, &self.state)?;
        let stands = |s: &str| matches!(s, "preliminary" | "final");
        let figures = Figures {
            patients: self.ward.patients(),
            sent: self.feed.sent,
            open_tasks: self.watch.open_tasks,
            issues: self.watch.issues.values().filter(|i| stands(&i.status)).count(),
            silent: self.ward.outages.during(now).is_some(),
        };
        self.progress.tell(now, figures);
        Ok(())
    }

    async fn judge(&mut self, took: Duration) -> Result<bool> {
        let now = self.state.told;
        self.feed.heartbeat().await?;
        self.service.settle().await?;
        self.watch.poll(now).await?;
        let told = Told {
            issues: self.watch.issues.values().cloned().collect(),
            unread: self.watch.unread,
            counts: self.watch.timeliness(opening(), now).await?,
            open_tasks: self.watch.open_tasks,
            tasks: self.watch.task_total().await?,
            most_open: self.watch.most_open,
            polls: self.watch.polls,
        };
        let (table, good) = verdict(&truth(&self.ward, now), &told);
        let stays = self.ward.stays().count();
        println!(
            "\n{} to {}: {stays} stays, {} resources sent, {} of them in {:.1} s now\n\n{table}",
            spoken(opening()),
            spoken(now),
            self.state.sent,
            self.feed.sent,
            took.as_secs_f64(),
        );
        Ok(good)
    }

    /// Goes on at the pace of the wall clock (or a multiple), from where the fast days ended.
    async fn real_time(&mut self) -> Result<()> {
        println!("the ward goes on, {} s of it each second; Ctrl-C stops", self.args.speed);
        let (begun, from) = (Instant::now(), self.state.told);
        while !self.stopped() {
            let lived = begun.elapsed().as_secs_f64() * self.args.speed;
            let minutes = from + (lived / 60.0) as Minute;
            while self.state.told < minutes && !self.stopped() {
                self.minute().await?;
            }
            // Between two minutes the clock goes on, but not so far that the next minute would put it back.
            let now = instant(from) + TimeDelta::milliseconds((lived * 1000.0) as i64);
            let told = instant(self.state.told);
            self.service.set(now.clamp(told, told + TimeDelta::seconds(29)));
            tokio::select! {
                () = tokio::time::sleep(Duration::from_millis(250)) => {}
                _ = self.stop.changed() => {}
            }
        }
        Ok(())
    }

    fn guide(&self) {
        if self.args.quiet {
            return;
        }
        let base = self.service.base();
        println!(
            "Harrowmere Infirmary, an invented hospital: units Larkfield and Quillgate, 24 beds, seed {}.\n\
             The ward charts into Terce at {base}/fhir; its clock shows {}. Look with a browser at {base}, or from another \
             terminal:\n  \
             curl '{base}/fhir/Task?status=ready&_count=5'                  what to do, for whom, by when\n  \
             curl '{base}/fhir/DetectedIssue?patient=Patient/pt-0001'           what was missed\n  \
             curl -H 'Accept: text/plain' '{base}/fhir/Encounter/en-0001/$explain'   the arithmetic of one stay\n  \
             curl '{base}/fhir/Measure/timeliness/$evaluate-measure?periodStart=2026-03-27&periodEnd=2026-03-31'\n  \
             curl '{}/metrics'\n",
            self.state.seed,
            spoken(self.state.told),
            self.service.admin(),
        );
    }
}

fn speed(text: &str) -> Result<f64, String> {
    let speed = text.parse::<f64>().map_err(|e| e.to_string())?;
    if (0.01..=3600.0).contains(&speed) { Ok(speed) } else { Err("must be between 0.01 and 3600".into()) }
}
