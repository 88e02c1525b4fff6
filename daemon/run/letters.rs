//! Letters between engine, store and post. A letter leaves only when it is down, and what the post says of it is
//! stored before anything else is made of it. A fate that cannot be stored goes down with the next batch, before any
//! other letter leaves: only who ends before that sends the letter once more, under the same message id.

use tracing::{info, warn};

use super::core::Core;
use crate::engine::Event;
use crate::mail;
use crate::mail::post::Errand;
use crate::record::{LetterDraft, PostWord};
use crate::store::LetterFate;

impl Core {
    /// Words a letter that the engine decided.
    pub(super) fn word(&mut self, draft: &LetterDraft) {
        let letter = mail::letters::render(draft, &self.garden);
        info!(number = letter.number, person = %letter.person, subject = %letter.subject, "letter");
        self.pending.batch.letters.push(letter);
        self.pending.urgent = true;
        self.pending.with_state = true;
    }

    /// A waiting letter is not sent any more.
    pub(super) fn overtaken(&mut self, number: u32, words: String) {
        info!(number, %words, "letter not needed any more");
        self.pending.batch.sifted.overtaken.push((number, words));
        self.pending.urgent = true;
        self.pending.with_state = true;
    }

    pub(super) fn hear_post(&mut self, word: PostWord) {
        let at_ms = self.now().ms;
        match word {
            PostWord::Asks { address } => self.asked.push(address),
            PostWord::Untouched { numbers } => {
                if let Err(error) = self.store.mark_untouched(&numbers) {
                    // They count as perhaps sent: nothing is merged that should not be.
                    warn!(%error, "that letters had to wait could not be stored");
                }
            }
            PostWord::PutOff { words } => self.mail_words = Some(words),
            PostWord::Closed { words } => {
                if self.mail_words.as_ref() != Some(&words) {
                    warn!("{words}");
                }
                self.mail_words = Some(words.clone());
                self.judge(Event::Post(Some(words)));
            }
            PostWord::Accepted { number } => {
                info!(number, "letter accepted by the mail server");
                self.settled(LetterFate { number, at_ms, refused: None });
            }
            PostWord::Refused { number, words } => {
                warn!(number, %words, "letter refused by the mail server for good");
                self.settled(LetterFate { number, at_ms, refused: Some(words) });
            }
        }
    }

    /// A letter has met its fate.
    fn settled(&mut self, fate: LetterFate) {
        if let Err(error) = self.store.mark_fate(&fate) {
            warn!(%error, "a letter's fate could not be stored; no other leaves until it is");
            self.pending.batch.fates.push(fate.clone());
            self.pending.urgent = true;
            self.touch();
        }
        let LetterFate { number, refused, .. } = fate;
        self.mail_words = None;
        self.letters_under_way = self.letters_under_way.saturating_sub(1);
        match self.store.reader().receiver(number) {
            Ok(Some(person)) => self.judge(Event::Letter { number, person, refused }),
            Ok(None) => {}
            Err(error) => warn!(%error, "whose letter it was could not be read"),
        }
    }

    /// Before letters that had to wait are sent the engine says which are still worth it. What it decides is down
    /// before the post hears of it. While the time is not known nobody knows what is past.
    pub(super) fn look_through_letters(&mut self) {
        if self.asked.is_empty() || !self.trusted || self.store_trouble.is_some() {
            return;
        }
        // Letters decided but not stored yet would be missed, and one whose fate is not down would seem to wait.
        if !self.pending.batch.letters.is_empty() || !self.pending.batch.fates.is_empty() {
            self.commit();
            if self.store_trouble.is_some() {
                return;
            }
        }
        for address in std::mem::take(&mut self.asked) {
            match self.store.reader().waiting_for(&address) {
                Ok(waiting) => self.judge(Event::Waiting(waiting)),
                Err(error) => warn!(%error, "waiting letters go out as they are"),
            }
            self.pending.batch.sifted.addresses.push(address);
            self.pending.urgent = true;
            self.touch();
        }
    }

    /// What was committed goes to the post, which is gone only when we end.
    pub(super) fn post_letters(&mut self) {
        let sifted = std::mem::take(&mut self.pending.batch.sifted);
        let gone: Vec<u32> = sifted.overtaken.into_iter().map(|(number, _)| number).collect();
        self.letters_under_way = self.letters_under_way.saturating_sub(gone.len());
        for letter in self.pending.batch.letters.drain(..) {
            self.letters_under_way += usize::from(self.garden.mail.is_some());
            let _ = self.out.post.send(Errand::Carry(letter));
        }
        for address in sifted.addresses {
            let _ = self.out.post.send(Errand::Sifted { address, gone: gone.clone() });
        }
        if !gone.is_empty() && self.letters_under_way == 0 {
            // The server served us, and nothing is left that it could take.
            self.mail_words = None;
        }
    }

    /// Letters of earlier runs that the mail server has not taken.
    pub(super) fn send_waiting_letters(&mut self) {
        if self.garden.mail.is_none() || std::mem::replace(&mut self.letters_sent, true) {
            return;
        }
        let reader = self.store.reader();
        match reader.letters_waiting().and_then(|letters| Ok((letters, reader.maybe_there()?))) {
            Ok((letters, maybe_there)) => {
                for letter in letters {
                    self.letters_under_way += 1;
                    let maybe_there = maybe_there.contains(&letter.number);
                    let _ = self.out.post.send(Errand::Held { letter, maybe_there });
                }
            }
            Err(error) => {
                self.letters_sent = false;
                warn!(%error, "letters of earlier runs could not be read");
            }
        }
    }
}
