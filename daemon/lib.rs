//! rindwatch: watches the bed of one very large fruit and mails only when someone must act.

pub mod broker;
pub mod clock;
pub mod commands;
pub mod daybook;
pub mod engine;
pub mod intake;
pub mod local;
pub mod mail;
#[cfg(feature = "mirror")]
pub mod mirror;
pub mod notify;
pub mod quantities;
pub mod record;
pub mod replay;
pub mod rfc3339;
pub mod run;
pub mod settings;
pub mod store;
pub mod web;
