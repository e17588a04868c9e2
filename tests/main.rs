//! Every test of the service, in one binary.

mod care;
mod outside;
mod rest;
mod statistics;
mod store;
mod tidy;
mod translate;
