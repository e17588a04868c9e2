//! A small language in which a stay is told and its ledger is shown.
//!
//! One thing a line; `#` begins a comment. The year is 2026. A time without a day is on the day named last, `24:00` is
//! the midnight that ends it, and where the wall clock shows a time twice the first is meant unless an offset says
//! which (`01:30-05:00`). Lengths are `2h`, `30m`, `1h30m`, `5s`.
//!
//! ```text
//! zone America/New_York                      shifts early 06:00 late 14:00 night 22:00
//! set allowance 30m                          (bridge, regrace, hold, allowance, ahead, lead)
//! census 06:00
//!
//! protocol standard                          the requirements that follow belong to it; the first is the default
//! require clean every 2h-4h                  due after 2 h, missed after 4 h
//! require brush 2 a day                      told again, a requirement is replaced
//! require session at 08:00 20:00 +-60m
//! require moisten within 30m after clean
//! require clean every 4h by clean brush if teeth      either care credits it; only while `teeth` holds
//! scope B none                               no protocol in unit B;  scope B gentle: another one
//!
//! stay 03-07 10:00 - 03-10 12:00 discharged  (died, cancelled; open without an end)
//! ventilated 03-07 12:00 - day 03-09         (as a Procedure says it)
//! ventilated (device use) 03-07 12:00 -      or (device status)
//! row invasive 03-07 12:00                   a flowsheet row of the airway; row other 14:00: another airway
//! extubated 03-09 12:00
//! unit A 03-07 10:00 -
//! away 03-08 09:00 - 11:00
//! condition teeth 03-07 00:00 -
//! care clean 13:00 17:00                     care clean+brush 13:00: one record of two activities
//! care brush day 03-08
//! excuse clean 05:30 refused
//! reject clean 05:30 refused                 a Task that asked for the requirement `clean`; clean+brush: for both
//!
//! feed live to 05:00                         feed silent since 05:00; feed live: nothing is held back
//! now 03-08 06:00                            several: the ledger is shown for each, under the feed told before it
//! show counts misses                         else: counts, misses, lapses, doubts
//! ```
//!
//! Any fact may go on with `charted 15:10` (it is not known before) and `withdrawn 16:00` (it is not known from then on).
//! What can be shown: `state counts misses mets lapses now by-unit by-day by-shift patient-days census doubts wake`.

use std::sync::Arc;

use chrono::{Duration, FixedOffset, NaiveDate, NaiveTime, Offset, TimeZone, Utc};
use chrono_tz::Tz;
use terce::care::facts::{
    AirwayRow, AwaySpan, CareEvent, Code, ConditionSpan, Ending, Excuse, Extubation, Facts, Proof, Source,
    StayEnd, UnitSpan, Ventilated, When,
};
use terce::care::ledger::Feed;
use terce::care::protocol::{Kind, Protocol, Requirement, Rules, Shift, Unit, UnitProtocol};
use terce::care::time::{Instant, Length, Span, TICK, local_instant};

/// What a script says, before it is known at which instant one looks.
pub(crate) struct Script {
    /// The protocols and the settings.
    pub(crate) rules: Rules,
    /// When one looks, and what is known of the feed then.
    pub(crate) looks: Vec<(Instant, Feed)>,
    /// What one wants to see; empty: the usual.
    pub(crate) show: Vec<String>,
    told: Vec<Told>,
    /// The day named last.
    day: Option<NaiveDate>,
    feed: Feed,
}

/// A fact, and while it is known.
struct Told {
    known: Span,
    fact: Fact,
}

#[derive(Clone)]
enum Fact {
    Stay(Instant, Option<StayEnd>),
    Ventilated(Ventilated),
    Row(AirwayRow),
    Extubated(Extubation),
    Unit(UnitSpan),
    Away(AwaySpan),
    Care(CareEvent),
    Excuse(Excuse),
    Condition(ConditionSpan),
}

type Words<'a> = std::iter::Peekable<std::str::SplitWhitespace<'a>>;

impl Script {
    /// Reads `own` after `common`, whose `now` lines hold only if `own` has none.
    pub(crate) fn read(common: &str, own: &str) -> Result<Script, String> {
        let mut script = Script {
            rules: Rules::standard(Tz::UTC),
            told: Vec::new(),
            looks: Vec::new(),
            show: Vec::new(),
            day: None,
            feed: Feed::unwatched(),
        };
        script.lines(common)?;
        let common_looks = std::mem::take(&mut script.looks);
        script.lines(own)?;
        if script.looks.is_empty() {
            script.looks = common_looks;
        }
        if script.looks.is_empty() { Err("no `now` line".into()) } else { Ok(script) }
    }

    fn lines(&mut self, text: &str) -> Result<(), String> {
        for line in
            text.lines().map(|l| l.split('#').next().unwrap_or_default().trim()).filter(|l| !l.is_empty())
        {
            let mut words = line.split_whitespace().peekable();
            self.line(&mut words).map_err(|why| format!("`{line}`: {why}"))?;
            if let Some(extra) = words.next() {
                return Err(format!("`{line}`: `{extra}` is one word too many"));
            }
        }
        Ok(())
    }

    fn line(&mut self, words: &mut Words) -> Result<(), String> {
        let kind = next(words)?;
        match kind {
            "zone" => self.rules.zone = next(words)?.parse().map_err(|_| "no such zone")?,
            "census" => self.rules.census_at = clock(next(words)?)?,
            "set" => self.setting(words)?,
            "shifts" => {
                self.rules.shifts.clear();
                while let Some(name) = words.next() {
                    self.rules.shifts.push(Shift { name: name.into(), from: clock(next(words)?)? });
                }
            }
            "protocol" => self.protocol(next(words)?),
            "require" => self.requirement(words)?,
            "scope" => self.scope(next(words)?, next(words)?)?,
            "feed" => self.feed(words)?,
            "now" => {
                let now = self.instant(words)?;
                self.looks.push((now, self.feed));
            }
            "show" => self.show = words.map(str::to_owned).collect(),
            "care" | "excuse" | "reject" => self.done_or_not(kind, words)?,
            _ => {
                let fact = self.fact(kind, words)?;
                let known = self.known(words)?;
                self.told.push(Told { known, fact });
            }
        }
        Ok(())
    }

    fn setting(&mut self, words: &mut Words) -> Result<(), String> {
        let rules = &mut self.rules;
        let setting = match next(words)? {
            "bridge" => &mut rules.bridge,
            "regrace" => &mut rules.regrace,
            "hold" => &mut rules.hold,
            "allowance" => &mut rules.allowance,
            "ahead" => &mut rules.ahead,
            "lead" => &mut rules.lead,
            other => return Err(format!("no setting `{other}`")),
        };
        *setting = length(next(words)?)?;
        Ok(())
    }

    fn protocol(&mut self, name: &str) {
        let protocol =
            Protocol { name: name.into(), version: "1".into(), title: name.into(), requirements: vec![] };
        self.rules.protocols.push(protocol);
        self.rules.default_protocol = Some(0);
    }

    fn requirement(&mut self, words: &mut Words) -> Result<(), String> {
        if self.rules.protocols.is_empty() {
            self.protocol("standard");
        }
        let Some(protocol) = self.rules.protocols.last_mut() else { return Err("no protocol".into()) };
        let id = next(words)?;
        let kind = match next(words)? {
            "every" => {
                let range = next(words)?;
                let (target, limit) = range.split_once('-').unwrap_or((range, range));
                Kind::Every { target: length(target)?, limit: length(limit)? }
            }
            "at" => {
                let mut times = Vec::new();
                loop {
                    let word = next(words)?;
                    match word.strip_prefix("+-") {
                        None => times.push(clock(word)?),
                        Some(tolerance) => break Kind::At { times, tolerance: length(tolerance)? },
                    }
                }
            }
            "within" => {
                let within = length(next(words)?)?;
                expect(words, "after")?;
                let other = next(words)?;
                let requirement =
                    protocol.requirements.iter().position(|r| &*r.id == other).ok_or("after what?")?;
                Kind::After { requirement, within }
            }
            times => {
                expect(words, "a")?;
                expect(words, "day")?;
                Kind::PerDay { times: times.parse().map_err(|_| format!("`{times}` is no kind"))? }
            }
        };
        let (mut activities, mut condition) = (vec![Code::new(id)], None);
        if words.next_if_eq(&"by").is_some() {
            activities = std::iter::from_fn(|| words.next_if(|w| *w != "if")).map(Code::new).collect();
        }
        if words.next_if_eq(&"if").is_some() {
            condition = Some(Code::new(next(words)?));
        }
        let requirement =
            Requirement { id: id.into(), title: id.into(), activities, kind, condition, steps: vec![] };
        match protocol.requirements.iter_mut().find(|r| r.id == requirement.id) {
            Some(earlier) => *earlier = requirement,
            None => protocol.requirements.push(requirement),
        }
        Ok(())
    }

    fn scope(&mut self, unit: &str, name: &str) -> Result<(), String> {
        let named = self.rules.protocols.iter().position(|p| &*p.name == name).map(UnitProtocol::Named);
        let protocol =
            if name == "none" { UnitProtocol::Nowhere } else { named.ok_or("no such protocol")? };
        self.rules.units.insert(unit.into(), Unit { name: None, protocol });
        Ok(())
    }

    fn feed(&mut self, words: &mut Words) -> Result<(), String> {
        self.feed = match (next(words)?, words.next()) {
            ("live", None) => Feed::unwatched(),
            ("live", Some("to")) => Feed::Live { watermark: self.instant(words)? },
            ("silent", Some("since")) => Feed::Silent { watermark: self.instant(words)? },
            _ => return Err("a feed is `live`, `live to ..` or `silent since ..`".into()),
        };
        Ok(())
    }

    fn fact(&mut self, kind: &str, words: &mut Words) -> Result<Fact, String> {
        // What a source is called must tell the facts apart: the line with its days spelt out.
        let zone = self.rules.zone;
        let source = |what: &str, from| Source::new(&format!("{kind} {what}{}", told_when(from, zone)));
        let fact = match kind {
            "stay" => {
                let (from, to) = self.span(words)?;
                let end = match to {
                    None => None,
                    Some(at) => {
                        Some(StayEnd { at, how: ending(next(words)?)?, source: source("", When::At(from)) })
                    }
                };
                Fact::Stay(from, end)
            }
            "ventilated" => self.ventilated(words)?,
            "row" => {
                let what = next(words)?;
                let at = self.instant(words)?;
                let source = source(&format!("{what} "), When::At(at));
                Fact::Row(AirwayRow { at, invasive: what == "invasive", source })
            }
            "extubated" => {
                let at = self.instant(words)?;
                Fact::Extubated(Extubation { at, source: source("", When::At(at)) })
            }
            "unit" | "condition" => {
                let name = next(words)?;
                let (from, to) = self.span(words)?;
                let source = source(&format!("{name} "), When::At(from));
                match kind {
                    "unit" => Fact::Unit(UnitSpan { unit: name.into(), from, to, source }),
                    _ => Fact::Condition(ConditionSpan { name: Code::new(name), from, to, source }),
                }
            }
            "away" => {
                let (from, to) = self.span(words)?;
                Fact::Away(AwaySpan { from, to, source: source("", When::At(from)) })
            }
            other => return Err(format!("`{other}` begins no line")),
        };
        Ok(fact)
    }

    fn ventilated(&mut self, words: &mut Words) -> Result<Fact, String> {
        let (mut proof, mut what) = (Proof::Procedure, "");
        if words.next_if_eq(&"(device").is_some() {
            (proof, what) = match next(words)? {
                "use)" => (Proof::DeviceUse, "(device use) "),
                "status)" => (Proof::DeviceStatus, "(device status) "),
                other => return Err(format!("`{other}` is no proof")),
            };
        }
        let from = self.when(words)?;
        expect(words, "-")?;
        let to = if more(words) { Some(self.when(words)?) } else { None };
        let source = Source::new(&format!("ventilated {what}{}", told_when(from, self.rules.zone)));
        Ok(Fact::Ventilated(Ventilated { from, to, proof, source }))
    }

    fn done_or_not(&mut self, kind: &str, words: &mut Words) -> Result<(), String> {
        let (zone, what) = (self.rules.zone, next(words)?);
        let mut times = Vec::new();
        while words.peek().is_some_and(|w| w.contains(|c: char| c.is_ascii_digit()) || *w == "day") {
            times.push(self.when(words)?);
        }
        let reason = if kind == "care" { "" } else { next(words)? };
        let known = self.known(words)?;
        let (activities, asked): (Arc<[Code]>, Vec<Arc<str>>) = match kind {
            "reject" => (Arc::default(), what.split('+').map(Arc::from).collect()),
            _ => (what.split('+').map(Code::new).collect(), Vec::new()),
        };
        for at in times {
            let done = match at {
                When::At(at) => at,
                When::Day(day) => Span::day(day, zone).from,
            };
            let (late, recorded) = match known.from {
                Instant::EARLIEST => (String::new(), done),
                charted => (format!(" charted {}", told(charted, zone)), charted),
            };
            let source = Source::new(&format!("{kind} {what} {}{late}", told_when(at, zone)));
            let (activities, received) = (activities.clone(), recorded);
            let fact = if kind == "care" {
                Fact::Care(CareEvent { at, activities, recorded, received, source })
            } else {
                let (asked, reason) = (asked.clone(), Code::new(reason));
                Fact::Excuse(Excuse { at, activities, asked, reason, recorded, received, source })
            };
            self.told.push(Told { known, fact });
        }
        Ok(())
    }

    /// The facts that are known at `now`, as told or `backwards` and doubled.
    pub(crate) fn known_at(&self, now: Instant, backwards: bool) -> Facts {
        let mut facts = Facts { stay: Arc::from("Encounter/1"), ..Facts::default() };
        let mut known: Vec<&Fact> =
            self.told.iter().filter(|t| t.known.contains(now)).map(|t| &t.fact).collect();
        // Of several versions of the stay the one told last is the current one.
        if let Some(Fact::Stay(begins, ends)) = known.iter().rfind(|f| matches!(f, Fact::Stay(..))) {
            (facts.begins, facts.ends) = (Some(*begins), ends.clone());
        }
        if backwards {
            known.reverse();
            known.extend(known.clone());
        }
        for fact in known {
            match fact.clone() {
                Fact::Stay(..) => {}
                Fact::Ventilated(ventilated) => facts.ventilated.push(ventilated),
                Fact::Row(row) => facts.airway_rows.push(row),
                Fact::Extubated(extubation) => facts.extubations.push(extubation),
                Fact::Unit(unit) => facts.units.push(unit),
                Fact::Away(away) => facts.away.push(away),
                Fact::Care(care) => facts.care.push(care),
                Fact::Excuse(excuse) => facts.excuses.push(excuse),
                Fact::Condition(condition) => facts.conditions.push(condition),
            }
        }
        facts
    }

    fn known(&mut self, words: &mut Words) -> Result<Span, String> {
        let mut known = Span::new(Instant::EARLIEST, Instant::LATEST);
        if words.next_if_eq(&"charted").is_some() {
            known.from = self.instant(words)?;
        }
        if words.next_if_eq(&"withdrawn").is_some() {
            known.to = self.instant(words)?;
        }
        Ok(known)
    }

    fn span(&mut self, words: &mut Words) -> Result<(Instant, Option<Instant>), String> {
        let from = self.instant(words)?;
        expect(words, "-")?;
        Ok((from, if more(words) { Some(self.instant(words)?) } else { None }))
    }

    fn when(&mut self, words: &mut Words) -> Result<When, String> {
        if words.next_if_eq(&"day").is_none() {
            return self.instant(words).map(When::At);
        }
        let day = day(next(words)?)?;
        self.day = Some(day);
        Ok(When::Day(day))
    }

    fn instant(&mut self, words: &mut Words) -> Result<Instant, String> {
        let mut word = next(words)?;
        if !word.contains(':') {
            self.day = Some(day(word)?);
            word = next(words)?;
        }
        let day = self.day.ok_or("no day was named yet")?;
        if word == "24:00" {
            return Ok(Span::day(day, self.rules.zone).to);
        }
        let (time, offset) = word.split_at(word.find(['+', '-']).unwrap_or(word.len()));
        if offset.is_empty() {
            return Ok(local_instant(day, clock(time)?, self.rules.zone));
        }
        let offset: FixedOffset = offset.parse().map_err(|_| format!("`{offset}` is no offset"))?;
        let local = offset.from_local_datetime(&day.and_time(clock(time)?)).single().ok_or("no such time")?;
        Ok(local.with_timezone(&Utc).into())
    }
}

/// How a script tells an instant: with its offset only where the wall clock shows that time twice.
pub(crate) fn told(at: Instant, zone: Tz) -> String {
    let (local, part) = (at.utc().with_timezone(&zone), at.micros().rem_euclid(1_000_000));
    match part {
        1 => return format!("just after {}", told(at - TICK, zone)),
        999_999 => return format!("just before {}", told(at + TICK, zone)),
        _ => {}
    }
    let to_the = if at.micros() % 60_000_000 == 0 { "%m-%d %H:%M" } else { "%m-%d %H:%M:%S" };
    let twice = zone.from_local_datetime(&local.naive_local()).single().is_none();
    format!(
        "{}{}",
        local.format(to_the),
        if twice { local.offset().fix().to_string() } else { String::new() }
    )
}

fn told_when(at: When, zone: Tz) -> String {
    match at {
        When::At(at) => told(at, zone),
        When::Day(day) => format!("day {}", day.format("%m-%d")),
    }
}

fn next<'a>(words: &mut Words<'a>) -> Result<&'a str, String> {
    words.next().ok_or_else(|| "the line ends too early".into())
}

fn expect(words: &mut Words, word: &str) -> Result<(), String> {
    let found = next(words)?;
    if found == word { Ok(()) } else { Err(format!("`{found}` stands where `{word}` should")) }
}

/// True if a time follows, not the end of the line or what may follow a fact.
fn more(words: &mut Words) -> bool {
    words.peek().is_some_and(|w| !matches!(*w, "charted" | "withdrawn"))
}

fn ending(word: &str) -> Result<Ending, String> {
    match word {
        "discharged" => Ok(Ending::Discharged),
        "died" => Ok(Ending::Died),
        "cancelled" => Ok(Ending::Cancelled),
        other => Err(format!("no stay ends `{other}`")),
    }
}

fn day(word: &str) -> Result<NaiveDate, String> {
    NaiveDate::parse_from_str(&format!("2026-{word}"), "%Y-%m-%d").map_err(|_| format!("`{word}` is no day"))
}

fn clock(word: &str) -> Result<NaiveTime, String> {
    let parsed =
        NaiveTime::parse_from_str(word, "%H:%M").or_else(|_| NaiveTime::parse_from_str(word, "%H:%M:%S%.f"));
    parsed.map_err(|_| format!("`{word}` is no time"))
}

fn length(word: &str) -> Result<Length, String> {
    let (mut total, mut number) = (Duration::zero(), 0);
    for c in word.chars() {
        match (c, c.to_digit(10)) {
            (_, Some(digit)) => number = number * 10 + i64::from(digit),
            ('h', None) => (total, number) = (total + Duration::hours(number), 0),
            ('m', None) => (total, number) = (total + Duration::minutes(number), 0),
            ('s', None) => (total, number) = (total + Duration::seconds(number), 0),
            _ => return Err(format!("`{word}` is no length")),
        }
    }
    // Without a unit letter a number is hours, as in `every 2-4h`.
    Ok(Length::micros((total + Duration::hours(number)).num_microseconds().unwrap_or(0)))
}
