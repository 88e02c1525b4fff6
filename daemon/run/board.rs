//! The board, looked at every few minutes: to the core, which judges, and one line to the service manager.

use std::path::PathBuf;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use super::core::Core;
use super::hand_in;
use super::talk::Inward;
use crate::board::{self, Places};
use crate::local::{Answer, Desk, Request, Status};
use crate::notify::Notify;
use crate::record::{Board, MatterKey};

/// Between two looks.
const EVERY: Duration = Duration::from_secs(300);
/// The first line waits until the broker had time to answer.
const FIRST: Duration = Duration::from_secs(5);

/// Looks after the board until the end.
pub(super) async fn look_after(data: PathBuf, inward: SyncSender<Inward>, desk: Desk) {
    let notify = Notify::from_env();
    let mut wait = FIRST;
    loop {
        let places = Places::of(&data);
        if let Ok(board) = tokio::task::spawn_blocking(move || board::look(&places)).await {
            // Without room for it the next one will do.
            let _ = hand_in(&inward, Inward::Board(board));
        }
        tokio::time::sleep(wait).await;
        wait = EVERY;
        if let Answer::Status(status) = desk.ask(Request::Status).await {
            notify.status(&worst(&status));
        }
    }
}

/// The worst there is, in one line for `systemctl status`.
fn worst(status: &Status) -> String {
    let of_the_box = status.survey.matters.iter().find(|matter| matter.matter == MatterKey::Box);
    let links = [("store", &status.store), ("broker", &status.broker), ("mail", &status.mail)];
    let mut links = links.iter().filter_map(|(name, words)| Some(format!("{name}: {}", words.as_ref()?)));
    if let Some(words) = status.store.as_ref().and_then(|_| links.next()) {
        return words;
    }
    if let Some(matter) = of_the_box {
        return format!("box: {}", matter.why);
    }
    if let Some(words) = links.next() {
        return words;
    }
    if !status.clock_trusted {
        return format!("clock: {}", status.clock);
    }
    let counts = &status.counts;
    format!("well: {} readings since the start, {} refused", counts.readings, counts.refused)
}

impl Core {
    /// The box in lines: what the board says, and what waits here.
    pub(super) fn box_lines(&self) -> Vec<String> {
        let mut lines = self.board.as_ref().map(board_lines).unwrap_or_default();
        let (heard, taken) = (self.backlog.len(), self.pending.messages);
        lines.push(format!(
            "queues: {heard} messages not looked at, {taken} not stored, {} not acknowledged",
            self.pending.tickets.len()
        ));
        lines.push(format!("mail: {} letters wait", self.letters_under_way));
        lines.push(format!("time: {}", self.clock_words()));
        lines
    }
}

fn board_lines(board: &Board) -> Vec<String> {
    let mb = |bytes: u64| bytes / 1_000_000;
    let of = |(free, whole): (u64, u64)| format!("{} of {} MB free", mb(free), mb(whole));
    let unknown = || "not known".to_owned();
    let errors = |count: u64| match count {
        0 => "no errors counted".to_owned(),
        count => format!("{count} errors counted"),
    };
    vec![
        format!("space: {}", board.space.map_or_else(unknown, of)),
        format!("card: {}", board.card_errors.map_or_else(unknown, errors)),
        format!("heat: {}", board.hottest_c.map_or_else(unknown, |c| format!("{c:.0} °C"))),
        format!("memory: {}", board.memory.map_or_else(unknown, of)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_says_the_worst() {
        let mut status = Status { clock_trusted: true, ..Status::default() };
        assert!(worst(&status).starts_with("well: "));
        status.mail = Some("nobody listens".to_owned());
        assert_eq!(worst(&status), "mail: nobody listens");
        status.broker = Some("refused".to_owned());
        assert_eq!(worst(&status), "broker: refused");
        status.store = Some("disk is full".to_owned());
        assert_eq!(worst(&status), "store: disk is full");
    }

    #[test]
    fn what_is_not_known_is_said_so() {
        assert_eq!(board_lines(&Board::default())[1], "card: not known");
        let board =
            Board { card_errors: Some(0), space: Some((1_500_000_000, 29_000_000_000)), ..Board::default() };
        assert_eq!(board_lines(&board)[..2], ["space: 1500 of 29000 MB free", "card: no errors counted"]);
    }
}
