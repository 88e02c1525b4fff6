//! What the edges and the core tell each other.

use tokio::sync::mpsc::UnboundedSender;

use crate::broker::{Said, Ticket};
use crate::local::Call;
use crate::mail::post::Errand;
use crate::record::{Board, PostWord};

/// What the edges tell the core.
#[derive(Debug)]
pub enum Inward {
    /// From the broker task.
    Broker(Said),
    /// From the local socket or a page.
    Call(Call),
    /// From the post.
    Post(PostWord),
    /// What a night's work brought.
    Night(super::nightly::Night),
    /// The mirror has everything up to this place.
    Mirrored(i64),
    /// How the board is.
    Board(Board),
    /// Commit what was taken, then end.
    Stop,
}

/// What the core tells the edges.
#[derive(Debug)]
pub(super) struct Outward {
    pub(super) stored: UnboundedSender<Vec<Ticket>>,
    pub(super) post: UnboundedSender<Errand>,
}
