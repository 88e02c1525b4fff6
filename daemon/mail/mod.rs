//! Letters and the post: wording what the engine decided, and handing it to a mail server.
//!
//! [`letters`] is pure: the same draft and garden give the same bytes. All words stand in [`catalogue`].
//! [`post`] alone touches the network. Nothing here judges: who is told what and when is the engine's.

pub mod amounts;
pub mod catalogue;
pub mod letters;
mod paper;
mod table;
