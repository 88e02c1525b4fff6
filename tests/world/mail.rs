//! A made mail server, and the post that brings it letters as the real one does: in order, again and again.

use std::collections::BTreeMap;

use rindwatch::mail::letters::text_of;
use rindwatch::record::{OutboxLetter, PostWord};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mood {
    #[default]
    Takes,
    /// Not reached, or "later".
    Later,
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
    /// What came of them could not be written down: the card was full or locked.
    pub unwritten: BTreeMap<u32, u32>,
    pub refused: BTreeMap<u32, OutboxLetter>,
    waiting: BTreeMap<u32, OutboxLetter>,
    failures: u32,
}

impl Mail {
    /// The daemon hands letters over.
    pub fn bring(&mut self, letters: Vec<OutboxLetter>) {
        self.waiting.extend(letters.into_iter().map(|letter| (letter.number, letter)));
    }

    /// The daemon is gone, and the post with it.
    pub fn forget(&mut self) {
        self.waiting.clear();
        self.failures = 0;
    }

    /// One attempt for all that waits; the word of each.
    pub fn carry(&mut self) -> Vec<PostWord> {
        let mut words = Vec::new();
        while let Some((number, letter)) = self.waiting.pop_first() {
            match self.mood {
                Mood::Takes => {
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
                    self.failures += 1;
                    if self.failures >= LONG {
                        words.push(PostWord::Closed { words: "the mail server is away".to_owned() });
                    }
                    break;
                }
            }
        }
        words
    }

    fn take(&mut self, letter: OutboxLetter) {
        assert!(text_of(&letter.eml).is_some(), "letter {} cannot be read", letter.number);
        self.has.entry(letter.number).or_insert((letter, 0)).1 += 1;
    }

    pub fn is_idle(&self) -> bool {
        self.waiting.is_empty()
    }
}
