//! A simulated critical-care ward that charts into Terce over HTTP, and checks what Terce says against what was done.
//!
//! In reading order: [`time`]; [`house`] and [`people`] (who and where); [`course`] (what happens to a patient) and
//! [`charting`] (what is written about it, in the shapes of [`fhir`]), as [`chart`]s that say something; [`ward`] (beds,
//! minute by minute); [`feed`] (out over HTTP) and [`watch`] (back); [`service`] (Terce in this process); [`truth`] (the
//! ward's own reckoning) and [`verdict`] (the two side by side); [`run`], [`state`], [`progress`].

pub mod chart;
pub mod charting;
pub mod course;
pub mod feed;
pub mod fhir;
pub mod house;
pub mod people;
pub mod progress;
pub mod run;
pub mod service;
pub mod state;
pub mod time;
pub mod truth;
pub mod verdict;
pub mod ward;
pub mod watch;
