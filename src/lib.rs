//! Dawnledger: a headless clerk for a night of deep-sky imaging.
//!
//! Data flows one way: folders are watched, files become [`facts::Frame`]s in the catalogue, the
//! pure [`plan`] turns the catalogue into tasks and waits, [`make`] carries tasks out, and
//! [`night`] writes up what became of every file. `DEVELOPERS.md` has the map.

pub mod catalogue;
pub mod cli;
pub mod combine;
pub mod config;
pub mod daemon;
pub mod facts;
pub mod fits;
pub mod frame;
pub mod judge;
pub mod make;
pub mod measure;
pub mod night;
pub mod page;
pub mod plan;
pub mod publish;
pub mod scan;
pub mod settle;
pub mod simulate;
pub mod watch;
