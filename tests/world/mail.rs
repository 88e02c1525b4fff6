//! A made mail server, and the post that brings it letters as the real one does: in order, again and again.

use std::collections::{BTreeMap, BTreeSet};

use rindwatch::mail::letters::text_of;
use rindwatch::mail::post::Errand;
use rindwatch::record::{OutboxLetter, PostWord};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mood {
    #[default]
    Takes,
    /// Not reached, or "later".
    Later,
    /// Takes a letter so slowly that much may happen before it has.
    Slow,
    /// No letter from us, ever.
    Never,
    /// Takes the letter, and the line breaks before it has said so.
    TakesAndBreaks,
}

/// Failures in a row after which the post says that nothing gets out.
const LONG: u32 = 7;

#[derive(Debug, Default)]
pub struct Mail {
    pub mood: Mood,
    /// What the server has: by number, the letter and how often it came.
    pub has: BTreeMap<u32, (OutboxLetter, u32)>,
    /// Came although it was there already, and why that may be.
    pub again_excused: BTreeMap<u32, u32>,
    /// What came of them was said and is not in the store yet: the card takes nothing.
    pub unwritten: BTreeSet<u32>,
    pub refused: BTreeMap<u32, OutboxLetter>,
    /// Words of the post that the store would not take when they came.
    pub heard_in_vain: u32,
    waiting: BTreeMap<u32, OutboxLetter>,
    /// Letters had to wait: none goes out before the daemon has looked through them.
    held: bool,
    asked: bool,
    /// Handed over since the last attempt.
    fresh: bool,
    failures: u32,
}

impl Mail {
    /// The daemon hands letters over, or says which of those that had to wait are gone. All go to one address.
    pub fn bring(&mut self, errand: Errand) {
        self.fresh = true;
        match errand {
            Errand::Carry(letter) => drop(self.waiting.insert(letter.number, letter)),
            Errand::Held { letter, .. } => {
                self.held = true;
                self.waiting.insert(letter.number, letter);
            }
            Errand::Sifted { gone, .. } => {
                self.waiting.retain(|number, _| !gone.contains(number));
                (self.held, self.asked) = (false, false);
            }
        }
    }

    /// The daemon is gone, and the post with it. A letter whose fate it has heard and could not write goes out once
    /// more, under the same message id: once for each such end, never without one.
    pub fn forget(&mut self) {
        self.waiting.clear();
        (self.held, self.asked, self.failures) = (false, false, 0);
        for number in std::mem::take(&mut self.unwritten) {
            *self.again_excused.entry(number).or_default() += 1;
        }
    }

    /// One attempt for all that waits; the word of each.
    pub fn carry(&mut self) -> Vec<PostWord> {
        let mut words = Vec::new();
        if std::mem::take(&mut self.fresh) && self.mood == Mood::Slow {
            return words;
        }
        if let (true, Some(letter)) = (self.held, self.waiting.values().next()) {
            if self.mood == Mood::Later {
                self.fails(&mut words);
            } else if !std::mem::replace(&mut self.asked, true) {
                words.push(PostWord::Asks { address: letter.address.clone() });
            }
            return words;
        }
        while let Some((number, letter)) = self.waiting.pop_first() {
            match self.mood {
                Mood::Takes | Mood::Slow => {
                    self.take(letter);
                    words.push(PostWord::Accepted { number });
                }
                Mood::Never => {
                    self.refused.insert(number, letter);
                    words.push(PostWord::Refused { number, words: "550 no such user".to_owned() });
                }
                Mood::Later | Mood::TakesAndBreaks => {
                    if self.mood == Mood::TakesAndBreaks {
                        self.take(letter.clone());
                        *self.again_excused.entry(number).or_default() += 1;
                    }
                    self.waiting.insert(number, letter);
                    self.held = true;
                    let numbers = self.waiting.keys().filter(|number| !self.has.contains_key(number));
                    words.push(PostWord::Untouched { numbers: numbers.copied().collect() });
                    self.fails(&mut words);
                    break;
                }
            }
        }
        words
    }

    fn fails(&mut self, words: &mut Vec<PostWord>) {
        self.failures += 1;
        if self.failures >= LONG {
            words.push(PostWord::Closed { words: "the mail server is away".to_owned() });
        }
    }

    /// The server takes what may go, and the daemon is killed before it has heard of it.
    pub fn carry_unheard(&mut self) {
        if self.mood == Mood::Takes && !self.held {
            while let Some((number, letter)) = self.waiting.pop_first() {
                self.take(letter);
                *self.again_excused.entry(number).or_default() += 1;
            }
        }
    }

    fn take(&mut self, letter: OutboxLetter) {
        assert!(text_of(&letter.eml).is_some(), "letter {} cannot be read", letter.number);
        self.has.entry(letter.number).or_insert((letter, 0)).1 += 1;
    }

    pub fn is_idle(&self) -> bool {
        self.waiting.is_empty()
    }
}
