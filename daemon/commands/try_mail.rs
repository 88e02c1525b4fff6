//! `try-mail`: one real letter to each person named in the settings.

use std::io::{self, Write};

use crate::mail::letters;
use crate::mail::post::{Carrier, Outcome};
use crate::mail::smtp::{LIMIT, Smtp};
use crate::record::Millis;
use crate::settings::garden::Garden;

/// Sends the letters, dated `now_ms`, and writes one line a person to `out`. The exit code is 0 if the
/// server accepted all of them, else 1.
pub fn try_mail(garden: &Garden, now_ms: Millis, out: &mut dyn Write) -> io::Result<u8> {
    let Some(server) = &garden.mail else {
        writeln!(out, "no mail server in the settings: letters are kept and shown on the page, not sent")?;
        return Ok(1);
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let carrier = Smtp::new(server.clone(), LIMIT);
    let mut all_accepted = true;
    for person in &garden.people {
        let letter = letters::trial(person, garden, now_ms);
        let outcome = runtime.block_on(carrier.carry(&letter));
        all_accepted &= outcome == Outcome::Accepted;
        let fate = match outcome {
            Outcome::Accepted => format!("accepted by {}:{}; see that it arrives", server.host, server.port),
            Outcome::Later { words }
            | Outcome::Unsure { words }
            | Outcome::Away { words }
            | Outcome::Unfit { words }
            | Outcome::Never { words }
            | Outcome::Closed { words } => {
                format!("not sent: {words}")
            }
        };
        writeln!(out, "{} <{}>: {fate}", person.name, person.address)?;
    }
    Ok(if all_accepted { 0 } else { 1 })
}
