//! One line while it is read: its words, which of them are understood, and what they meant.

use crate::settings::garden::Garden;

use super::amounts::{self, Measure};
use super::parse::{ParseError, STATE_WORDS};

/// Words that say nothing and may stand anywhere after the verb.
const FILLERS: [&str; 5] = ["bed", "with", "the", "of", "and"];

/// Longest name of a fruit or flower, characters.
const LONGEST_NAME: usize = 32;

/// Whether a word can name a fruit or a flower: lower-case ASCII letters, digits and `-` (upper case is
/// lowered), and no word of the grammar.
fn is_name(word: &str) -> bool {
    word.len() <= LONGEST_NAME
        && word.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-')
        && !FILLERS.iter().chain(&STATE_WORDS).any(|taken| taken.eq_ignore_ascii_case(word))
}

/// The words after the verb.
pub(super) struct Line<'a> {
    words: Vec<&'a str>,
    used: Vec<bool>,
    understood: Vec<String>,
    pub garden: &'a Garden,
}

impl<'a> Line<'a> {
    pub fn new(verb: &str, rest: &'a str, garden: &'a Garden) -> Self {
        let words: Vec<&str> = rest.split_whitespace().collect();
        let used = vec![false; words.len()];
        Self { words, used, understood: vec![verb.to_owned()], garden }
    }

    /// A complaint about `wrong`, with what was understood so far.
    pub fn error(&self, wrong: String) -> ParseError {
        ParseError { understood: self.understood.join(", "), wrong }
    }

    fn note(&mut self, meaning: String) {
        self.understood.push(meaning);
    }

    fn free(&self) -> impl Iterator<Item = (usize, &'a str)> + '_ {
        self.words.iter().copied().enumerate().filter(|(at, _)| !self.used[*at])
    }

    /// Takes the words of `phrase` where they stand one behind the other.
    pub fn phrase(&mut self, phrase: &str) -> bool {
        let wanted: Vec<&str> = phrase.split(' ').collect();
        let found = self.words.windows(wanted.len()).zip(0..).find_map(|(there, at)| {
            let same = there.iter().zip(&wanted).all(|(word, want)| word.eq_ignore_ascii_case(want));
            (same && !self.used[at..at + wanted.len()].contains(&true)).then_some(at)
        });
        if let Some(at) = found {
            self.used[at..at + wanted.len()].fill(true);
            self.note(phrase.to_owned());
        }
        found.is_some()
    }

    /// Takes the first of several phrases that stands there; longer ones must be listed first.
    pub fn one_of<T: Copy>(&mut self, choices: &[(&str, T)], what: &str) -> Result<T, ParseError> {
        for (phrase, meaning) in choices {
            if self.phrase(phrase) {
                return Ok(*meaning);
            }
        }
        let listed: Vec<_> = choices.iter().map(|(phrase, _)| *phrase).collect();
        Err(self.error(format!("{what} is missing: one of {}{}", listed.join(", "), self.left_over())))
    }

    /// Takes the bed; where the garden has only one it need not be named.
    pub fn bed(&mut self) -> Result<String, ParseError> {
        let garden = self.garden;
        let names: Vec<&str> = garden.beds.iter().map(|bed| bed.name.as_str()).collect();
        if let Some(name) = self.known(&names) {
            self.note(format!("bed {name}"));
            return Ok(name.to_owned());
        }
        match names.as_slice() {
            // A wrong name is not lost here: it stays over and `end` complains of it.
            [only] => {
                self.note(format!("bed {only}"));
                Ok((*only).to_owned())
            }
            _ => Err(self.error(format!(
                "no bed named: the beds are {}{}",
                names.join(", "),
                self.left_over()
            ))),
        }
    }

    /// Takes the bed if one is named.
    pub fn bed_if_named(&mut self) -> Option<String> {
        let garden = self.garden;
        let names: Vec<&str> = garden.beds.iter().map(|bed| bed.name.as_str()).collect();
        self.known(&names).map(str::to_owned)
    }

    /// Takes "on" and the bed behind it, or the bed's name alone where it is none that a fruit could have been
    /// meant by: a fruit may bear the name of a bed.
    pub fn bed_behind_on(&mut self) -> Result<Option<String>, ParseError> {
        let Some((at, _)) = self.free().find(|(_, word)| word.eq_ignore_ascii_case("on")) else {
            let names_left = self.free().filter(|(_, word)| is_name(word)).count();
            return Ok(if names_left > 1 { self.bed_if_named() } else { None });
        };
        self.used[at] = true;
        let garden = self.garden;
        let behind = self.free().find(|(next, word)| *next > at && is_name(word));
        let bed = behind.and_then(|(next, word)| {
            Some((next, garden.beds.iter().find(|bed| bed.name.eq_ignore_ascii_case(word))?))
        });
        match bed {
            Some((next, bed)) => {
                self.used[next] = true;
                self.note(format!("on bed {}", bed.name));
                Ok(Some(bed.name.clone()))
            }
            None => {
                let names: Vec<&str> = garden.beds.iter().map(|bed| bed.name.as_str()).collect();
                Err(self.error(format!("no bed stands behind \"on\": the beds are {}", names.join(", "))))
            }
        }
    }

    /// Takes the probe.
    pub fn probe(&mut self) -> Result<String, ParseError> {
        let garden = self.garden;
        let names: Vec<&str> = garden.probes.iter().map(|probe| probe.name.as_str()).collect();
        match self.known(&names) {
            Some(name) => {
                self.note(format!("probe {name}"));
                Ok(name.to_owned())
            }
            None => Err(self.error(format!(
                "no probe named: the probes are {}{}",
                names.join(", "),
                self.left_over()
            ))),
        }
    }

    fn known<'n>(&mut self, names: &[&'n str]) -> Option<&'n str> {
        let found = self.free().find_map(|(at, word)| {
            names.iter().find(|name| name.eq_ignore_ascii_case(word)).map(|name| (at, *name))
        });
        found.map(|(at, name)| {
            self.used[at] = true;
            name
        })
    }

    /// Takes the name of a fruit or flower: the first word left over. The garden does not know these.
    pub fn name(&mut self, what: &str) -> Result<String, ParseError> {
        let found = self.free().find(|(_, word)| is_name(word));
        match found {
            Some((at, word)) => {
                self.used[at] = true;
                let name = word.to_ascii_lowercase();
                self.note(format!("{what} {name}"));
                Ok(name)
            }
            None => {
                Err(self.error(format!("the name of the {what} is missing (like f1){}", self.left_over())))
            }
        }
    }

    /// Takes an amount, in the kept unit of its measure, that must lie in `from..=to`.
    pub fn amount(&mut self, measure: &Measure, (from, to): (f64, f64)) -> Result<f64, ParseError> {
        self.amount_from(0, measure, (from, to))
    }

    /// Takes the amount behind a key word, if the word stands there.
    pub fn amount_behind(
        &mut self,
        key: &str,
        measure: &Measure,
        range: (f64, f64),
    ) -> Result<Option<f64>, ParseError> {
        let Some((at, _)) = self.free().find(|(_, word)| word.eq_ignore_ascii_case(key)) else {
            return Ok(None);
        };
        self.used[at] = true;
        self.note(key.to_owned());
        self.amount_from(at + 1, measure, range).map(Some)
    }

    fn amount_from(
        &mut self,
        start: usize,
        measure: &Measure,
        (from, to): (f64, f64),
    ) -> Result<f64, ParseError> {
        let mut wrong = None;
        for at in start..self.words.len() {
            if self.used[at] {
                continue;
            }
            let word = self.words[at];
            let read = amounts::number(word).map_err(|question| self.error(question))?;
            let Some((number, glued)) = read else { continue };
            let next = self.words.get(at + 1).copied().filter(|_| !self.used[at + 1]).unwrap_or("");
            let unit = if glued.is_empty() { next } else { glued };
            let Some(worth) = measure.worth(unit) else {
                let lacking = measure.lacking.iter().find(|(word, _)| word.eq_ignore_ascii_case(unit));
                wrong = wrong.or(Some(match lacking {
                    Some((_, why)) => format!("\"{number} {unit}\": {why}"),
                    None => format!(
                        "\"{}\" is no amount of {} (units: {})",
                        format!("{number} {unit}").trim(),
                        measure.name,
                        measure.listed()
                    ),
                }));
                continue;
            };
            self.used[at] = true;
            if glued.is_empty() {
                self.used[at + 1] = true;
            }
            let kept = Measure::kept(number, worth);
            let said = format!("{number} {unit}");
            if kept < from || kept > to {
                return Err(self.error(format!(
                    "{said}? That is {kept} {unit}, and {from} to {to} {unit} is what happens at once; \
                     please look again, or write it in parts",
                    unit = measure.kept_in
                )));
            }
            self.note(said);
            return Ok(kept);
        }
        let wrong = wrong.unwrap_or_else(|| {
            format!(
                "an amount of {} is missing (units: {}){}",
                measure.name,
                measure.listed(),
                self.left_over()
            )
        });
        Err(self.error(wrong))
    }

    /// Takes a whole number of `what` in `from..=to`, with or without one of `units` behind it.
    pub fn whole(&mut self, what: &str, units: &[&str], (from, to): (u32, u32)) -> Result<u32, ParseError> {
        let is_unit = |word: &str| units.iter().any(|unit| unit.eq_ignore_ascii_case(word));
        let found = self.free().find_map(|(at, word)| {
            let digits = word.bytes().take_while(u8::is_ascii_digit).count();
            let (number, glued) = word.split_at(digits);
            let number: u32 = number.parse().ok()?;
            (glued.is_empty() || is_unit(glued)).then_some((at, number, glued))
        });
        let Some((at, number, glued)) = found else {
            return Err(self.error(format!("the number of {what} is missing{}", self.left_over())));
        };
        self.used[at] = true;
        if glued.is_empty() && self.words.get(at + 1).is_some_and(|next| !self.used[at + 1] && is_unit(next))
        {
            self.used[at + 1] = true;
        }
        if !(from..=to).contains(&number) {
            return Err(self.error(format!("{number} {what}? {from} to {to} is expected; please look again")));
        }
        self.note(format!("{what} {number}"));
        Ok(number)
    }

    /// Takes the first word left over that `read` understands.
    pub fn word<T>(&mut self, what: &str, read: impl Fn(&str) -> Option<T>) -> Result<T, ParseError> {
        let found = self.free().find_map(|(at, word)| read(word).map(|meaning| (at, meaning)));
        match found {
            Some((at, meaning)) => {
                self.used[at] = true;
                self.note(self.words[at].to_owned());
                Ok(meaning)
            }
            None => Err(self.error(format!("{what} is missing{}", self.left_over()))),
        }
    }

    /// Takes all words left over, as they stand.
    pub fn rest(&mut self) -> String {
        let rest: Vec<&str> = self.free().map(|(_, word)| word).collect();
        self.used.fill(true);
        rest.join(" ")
    }

    /// Every word must have found its meaning.
    pub fn end(self) -> Result<(), ParseError> {
        let left = self.left_words();
        if left.is_empty() { Ok(()) } else { Err(self.error(format!("\"{left}\" means nothing here"))) }
    }

    fn left_words(&self) -> String {
        let filler = |word: &str| FILLERS.iter().any(|filler| filler.eq_ignore_ascii_case(word));
        let left: Vec<&str> = self.free().map(|(_, word)| word).filter(|word| !filler(word)).collect();
        left.join(" ")
    }

    fn left_over(&self) -> String {
        match self.left_words() {
            left if left.is_empty() => String::new(),
            left => format!("; \"{left}\" is not that"),
        }
    }
}
