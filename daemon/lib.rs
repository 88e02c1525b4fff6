//! rindwatch: watches the bed of one very large fruit and mails only when someone must act.
//!
//! A pure middle that judges and a thin shell that touches the world:
//!
//! - [`broker`] hears a message, [`run`] takes it on one thread: [`intake`] makes it a reading, [`engine`]
//!   judges, [`mail`] words letters, [`store`] keeps all of it in one transaction, and only then is the
//!   message acknowledged and the letter sent.
//! - The science is a crate of its own, `agronomy`, without files, clocks or threads; [`growth`] fits its curves.
//! - [`replay`] feeds a recording through the same intake and engine.
//! - [`commands`] are what a person types; [`local`] and [`web`] ask the one writer.
//! - [`settings`], [`quantities`], [`daybook`] and [`record`] say what things are; [`clock`] alone asks the
//!   time; [`board`] looks at the machine.
//! - [`ping`] tells one address outside that we are well; [`authorities`] are whom TLS trusts.
//!
//! DEVELOPERS.md maps every room, the words used here, and where each new thing goes.

pub mod authorities;
pub mod board;
pub mod broker;
pub mod clock;
pub mod commands;
pub mod daybook;
pub mod engine;
pub mod growth;
pub mod intake;
pub mod local;
pub mod mail;
#[cfg(feature = "mirror")]
pub mod mirror;
pub mod notify;
pub mod ping;
pub mod quantities;
pub mod record;
pub mod replay;
pub mod rfc3339;
pub mod run;
pub mod settings;
pub mod store;
pub mod web;
