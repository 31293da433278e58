//! Driftvane watches the CSV results of inspection and test stations.

pub mod alerts;
pub mod block;
pub mod clock;
pub mod command_line;
pub mod commands;
pub mod config;
pub mod engine;
pub mod feeds;
pub mod health;
pub mod host;
pub mod ingest;
mod log;
pub mod output;
pub mod pipeline;
pub mod plant;
pub mod run;
pub mod serve;
pub mod service;
pub mod shifts;
pub mod store;
pub mod words;
