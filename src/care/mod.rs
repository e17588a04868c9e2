//! The decision core: from the facts of a stay and a protocol to the ledger, and from the ledger to what must be said.
//!
//! Pure: no FHIR, no clock, no I/O, no randomness, no hash order. It cannot fail; what it could not use it returns
//! as a [`Doubt`](ledger::Doubt). In reading order:
//!
//! * [`time`]: instants, half-open spans, sets of spans, local days;
//! * [`facts`]: what the record says of one stay;
//! * [`protocol`]: what must happen and how often, and the site's own settings;
//! * [`ledger`]: what follows from the two;
//! * [`reconcile`]: `facts + rules + feed + now -> ledger`. Its parts: [`record`] (what does not depend on now), [`airway`]
//!   (when the patient was ventilated), [`place`] (where), [`deeds`] and [`line`](self::line) (what was done for a
//!   requirement, when it applied and what credited it), one file for each kind of requirement in [`kinds`], [`lapse`],
//!   [`attribute`] (to whom a count belongs), [`cells`] (the counts added up) and [`ahead`](self::ahead) (the hours that
//!   go on by themselves);
//! * [`plan`]: `ledger + what has been said -> changes`;
//! * [`history`]: what would have been said of a stay, and when, in one pass;
//! * [`tally`]: ledgers added up over stays and days, [`totals`]: and over days; [`delays`]: how late care was charted;
//!   [`statistics`]: what the sums mean: intervals, charts, what must be hidden;
//! * [`compare`]: two readings of a stay, what one counts and the other does not;
//! * [`surveillance`]: ventilator-associated events and their denominators, for the infection-prevention team to confirm;
//! * [`explain`]: the arithmetic of an item, in words; [`picture`]: a stay as it can be drawn.

pub mod ahead;
mod airway;
mod attribute;
mod cells;
pub mod compare;
mod deeds;
pub mod delays;
pub mod explain;
pub mod facts;
pub mod history;
mod kinds;
mod lapse;
pub mod ledger;
mod line;
pub mod picture;
mod place;
pub mod plan;
pub mod protocol;
pub mod reconcile;
mod record;
pub mod statistics;
pub mod surveillance;
pub mod tally;
pub mod time;
pub mod totals;
