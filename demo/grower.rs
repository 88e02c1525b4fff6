//! The one who reads the letters: does what they say some hours later, and overlooks one now and then.

use crate::letter::{Head, Letter};
use crate::season_maker::{BEDS, Chance, Season};

/// One letter in so many is overlooked; the reminder is not.
const OVERLOOKED: f64 = 0.08;
const HOUR_MS: i64 = 3_600_000;

/// What the grower has in mind to do.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Job {
    Water { bed: usize, litres: f64 },
    Shade { bed: usize },
    Cover { bed: usize },
    Gear { number: u32 },
}

/// Reads and does.
#[derive(Debug)]
pub struct Grower {
    chance: Chance,
    jobs: Vec<(i64, Job)>,
    shaded: [bool; 2],
    covered: [bool; 2],
    /// Litres carried in all.
    pub carried_l: f64,
}

impl Grower {
    /// A grower whose days differ by chance.
    pub fn new(chance: Chance) -> Self {
        Self { chance, jobs: Vec::new(), shaded: [false; 2], covered: [false; 2], carried_l: 0.0 }
    }

    /// Reads a letter and makes up their mind.
    pub fn read(&mut self, letter: &Letter, now_ms: i64) {
        let reminder = letter.subject.contains("still to do") || letter.subject.contains("drier now");
        if !reminder && self.chance.unit() < OVERLOOKED {
            return;
        }
        for head in letter.heads() {
            if let Some(what) = head.words.strip_prefix("no ") {
                self.jobs
                    .retain(|(_, job)| !(bed_of(*job) == place(&head.title) && what.starts_with(word(*job))));
            } else if let Some((delay_h, job)) = job(&head) {
                let late_h = f64::from(delay_h) + self.chance.between(0.0, 2.0);
                self.jobs.retain(|(_, known)| (bed_of(*known), word(*known)) != (bed_of(job), word(job)));
                self.jobs.push((now_ms + (late_h * HOUR_MS as f64) as i64, job));
            }
        }
    }

    /// Does what is due and possible at this hour of the day; gives the lines for the day book.
    pub fn work(&mut self, now_ms: i64, season: &mut Season) -> Vec<String> {
        let hour = now_ms.div_euclid(HOUR_MS).rem_euclid(24);
        let mut book = self.tidy_up(hour);
        if hour == 8 && now_ms.div_euclid(24 * HOUR_MS).rem_euclid(7) == 0 {
            for (bed, name) in BEDS.iter().enumerate() {
                let leafed_m2 = season.paced_leaves_m2(bed).filter(|leafed_m2| *leafed_m2 > 0.0);
                book.extend(leafed_m2.map(|leafed_m2| format!("leafed {name} {leafed_m2} m2")));
            }
        }
        let in_garden = (6..=10).contains(&hour) || (17..=20).contains(&hour);
        let (due, later) = self.jobs.iter().copied().partition(|(at_ms, _)| in_garden && *at_ms <= now_ms);
        self.jobs = later;
        let due: Vec<(i64, Job)> = due;
        for (_, job) in due {
            book.extend(self.done(job, season));
        }
        book
    }

    fn done(&mut self, job: Job, season: &mut Season) -> Option<String> {
        match job {
            Job::Water { bed, litres } => {
                season.pour(bed, litres);
                self.carried_l += litres;
                BEDS.get(bed).map(|name| format!("watered {name} {litres:.0} L"))
            }
            Job::Shade { bed } => {
                *self.shaded.get_mut(bed)? = true;
                BEDS.get(bed).map(|name| format!("shaded {name}"))
            }
            Job::Cover { bed } => {
                *self.covered.get_mut(bed)? = true;
                BEDS.get(bed).map(|name| format!("covered {name}"))
            }
            Job::Gear { number } => {
                season.mend_nodes();
                Some(format!("done {number}"))
            }
        }
    }

    /// Sheets come off in the morning, shade in the evening.
    fn tidy_up(&mut self, hour: i64) -> Vec<String> {
        let (what, word) = match hour {
            9 => (&mut self.covered, "uncovered"),
            20 => (&mut self.shaded, "unshaded"),
            _ => return Vec::new(),
        };
        let on = std::mem::take(what);
        BEDS.iter().zip(on).filter(|(_, on)| *on).map(|(name, _)| format!("{word} {name}")).collect()
    }
}

/// The bed a title speaks of.
fn place(title: &str) -> Option<usize> {
    BEDS.iter().position(|name| title.to_lowercase().starts_with(name))
}

fn bed_of(job: Job) -> Option<usize> {
    match job {
        Job::Water { bed, .. } | Job::Shade { bed } | Job::Cover { bed } => Some(bed),
        Job::Gear { .. } => None,
    }
}

fn word(job: Job) -> &'static str {
    match job {
        Job::Water { .. } => "water",
        Job::Shade { .. } => "shade",
        Job::Cover { .. } => "cover",
        Job::Gear { .. } => "gear",
    }
}

/// What a line of a letter asks for, and after how many hours at least it gets done.
fn job(head: &Head) -> Option<(u32, Job)> {
    let bed = place(&head.title);
    if head.words.starts_with("shade") {
        Some((0, Job::Shade { bed: bed? }))
    } else if head.words.starts_with("cover") {
        Some((1, Job::Cover { bed: bed? }))
    } else if let Some((litres, _)) = head.words.split_once(" L").filter(|_| bed.is_some()) {
        Some((1, Job::Water { bed: bed?, litres: litres.parse().ok()? }))
    } else {
        Some((6, Job::Gear { number: head.number }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the letters of the tests ask for, as this reader understands them.
    fn understood(raw: &str) -> Vec<Option<Job>> {
        let letter = Letter::open(&raw.replace("\r\n", "\n"));
        letter.heads().iter().map(|head| job(head).map(|(_, job)| job)).collect()
    }

    #[test]
    fn the_letters_are_understood() {
        let water = understood(include_str!("../tests/golden/letters/water.eml"));
        assert_eq!(water, [Some(Job::Water { bed: 0, litres: 64.0 })]);
        let again = understood(include_str!("../tests/golden/letters/water-again.eml"));
        assert_eq!(again, water);
        let bundle = understood(include_str!("../tests/golden/letters/bundle.eml"));
        let expected = [Job::Shade { bed: 0 }, Job::Water { bed: 0, litres: 64.0 }, Job::Gear { number: 8 }];
        assert_eq!(bundle, expected.map(Some));
        assert_eq!(
            understood(include_str!("../tests/golden/letters/cover.eml")),
            [Some(Job::Cover { bed: 0 })]
        );
        let large = understood(include_str!("../tests/golden/letters/water-large.eml"));
        assert_eq!(large, [Some(Job::Water { bed: 0, litres: 160.0 })]);
        let whole = Letter::open(&include_str!("../tests/golden/letters/water.eml").replace("\r\n", "\n"));
        assert!(whole.text.contains("Last 24 hours"), "cut short at a rule of dashes: {}", whole.text);
    }
}
