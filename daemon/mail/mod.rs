//! Letters and the post: wording what the engine decided, and handing it to a mail server.
//!
//! [`letters`] is pure: the same draft and garden give the same bytes. All words stand in [`catalogue`].
//! [`post`] and [`smtp`] alone touch the network. Nothing here judges: who is told what and when is the engine's.

pub mod amounts;
pub mod catalogue;
mod diagnosis;
pub mod letters;
mod paper;
pub mod post;
pub mod smtp;
mod table;
