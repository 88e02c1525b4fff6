//! Growers of several kinds, who read the letters and do what they are like.

use rindwatch::daybook::Entry;
use rindwatch::record::{Content, LetterDraft, Millis, Telling};

use super::play::{HOUR, START_MS, Setup};
use super::season_maker::{BEDS, Chance, Plot, Season};

/// What a grower is like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Does in the window what a letter asks, and writes it down.
    Diligent,
    /// Does it, and never writes it down.
    Silent,
    /// Gives this share of what is asked, and writes down what was given.
    Partly(f64),
    /// Gives the same each evening and writes it down; `share` of what a hot day takes. A letter brings what
    /// it asks for in place of that evening's.
    Routine { share: f64 },
    /// Diligent, but three times a season for five days at a stretch nothing is done.
    Forgets,
}

impl Kind {
    /// Litres a day of who waters by routine; a hot day takes about 6 mm a square metre of leaves.
    pub fn routine_litres(self, plot: &Plot) -> f64 {
        match self {
            Kind::Routine { share } => (share * 6.0 * plot.leafed_m2).round().max(1.0),
            _ => 0.0,
        }
    }
}

/// Something a grower does.
#[derive(Debug, Clone, PartialEq)]
pub struct Deed {
    /// Bed and litres.
    pub pour: Option<(usize, f64)>,
    /// The line of the day book, if one is written.
    pub entry: Option<Entry>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Job {
    Water { bed: usize, litres: f64 },
    Shade { bed: usize },
    Cover { bed: usize },
}

/// Reads and does.
pub struct Grower {
    kind: Kind,
    windows: Vec<[u32; 2]>,
    paces: bool,
    routine_litres: [f64; 2],
    chance: Chance,
    jobs: Vec<(Millis, Job)>,
    shaded: [bool; 2],
    covered: [bool; 2],
    away_from_day: [i64; 3],
}

impl Grower {
    pub fn new(setup: &Setup) -> Self {
        let mut chance = Chance::new(setup.seed ^ 0x9E0);
        let away_from_day = [40.0, 75.0, 110.0].map(|day| (day + chance.between(0.0, 25.0)) as i64);
        Self {
            kind: setup.grower,
            windows: setup.windows.clone(),
            paces: setup.paces,
            routine_litres: setup.make().plots.map(|plot| setup.grower.routine_litres(&plot)),
            chance,
            jobs: Vec::new(),
            shaded: [false; 2],
            covered: [false; 2],
            away_from_day,
        }
    }

    /// Reads a letter and makes up their mind.
    pub fn read(&mut self, letter: &LetterDraft, now_ms: Millis) {
        for task in &letter.tasks {
            let Some(bed) = BEDS.iter().position(|name| *name == task.subject) else { continue };
            let (delay_h, job) = match &task.content {
                Content::Water(dose) => {
                    (1.0, Job::Water { bed, litres: dose.today_litres.unwrap_or(dose.litres) })
                }
                Content::Shade { .. } => (0.0, Job::Shade { bed }),
                Content::Cover { .. } => (1.0, Job::Cover { bed }),
                _ => continue,
            };
            self.jobs.retain(|(_, known)| kind(*known) != kind(job));
            if task.telling == Telling::Withdrawn {
                continue;
            }
            let late_h = delay_h + self.chance.between(0.0, 2.0);
            self.jobs.push((now_ms + (late_h * HOUR as f64) as Millis, job));
        }
    }

    /// What is done at this hour.
    pub fn work(&mut self, now_ms: Millis, season: &Season) -> Vec<Deed> {
        let hour = u32::try_from(now_ms.div_euclid(HOUR).rem_euclid(24)).unwrap();
        let day = (now_ms - START_MS).div_euclid(24 * HOUR);
        let mut deeds = self.tidy_up(hour);
        if hour == 8 && self.paces && day % 7 == 0 {
            for (bed, name) in BEDS.iter().enumerate() {
                if let Some(area_m2) = season.paced_leaves_m2(bed).filter(|area_m2| *area_m2 > 0.0) {
                    deeds.push(said(Entry::Leafed { bed: (*name).to_owned(), area_m2 }));
                }
            }
        }
        let away = self.kind == Kind::Forgets
            && self.away_from_day.iter().any(|from| (*from..from + 5).contains(&day));
        // Whoever comes at the last whole hour of a window still gets it done.
        let in_garden = self.windows.iter().any(|[from, to]| (*from..*to).contains(&hour));
        if away || !in_garden {
            return deeds;
        }
        let (due, later) = self.jobs.iter().copied().partition(|(at_ms, _)| *at_ms <= now_ms);
        self.jobs = later;
        let due: Vec<(Millis, Job)> = due;
        let asked: Vec<usize> = due
            .iter()
            .filter_map(|(_, job)| match job {
                Job::Water { bed, .. } => Some(*bed),
                _ => None,
            })
            .collect();
        deeds.extend(due.into_iter().map(|(_, job)| self.done(job)));
        if hour == 18 && matches!(self.kind, Kind::Routine { .. }) && day > 20 {
            for bed in [0, 1].into_iter().filter(|bed| !asked.contains(bed)) {
                // In a wet bed nobody empties the can.
                let grown = season.truth(bed).is_some_and(|truth| truth.leafed_m2 > 0.5);
                let dry = season.share_used(bed).is_some_and(|used| used > 0.05);
                if grown && dry {
                    deeds.push(self.watered(bed, self.routine_litres[bed]));
                }
            }
        }
        deeds
    }

    fn done(&mut self, job: Job) -> Deed {
        let name = |bed: usize| BEDS[bed].to_owned();
        match job {
            Job::Water { bed, litres } => self.watered(bed, litres),
            Job::Shade { bed } => {
                self.shaded[bed] = true;
                said(Entry::Shaded { what: name(bed), on: true })
            }
            Job::Cover { bed } => {
                self.covered[bed] = true;
                said(Entry::Covered { what: name(bed), on: true })
            }
        }
    }

    fn watered(&self, bed: usize, litres: f64) -> Deed {
        let share = if let Kind::Partly(share) = self.kind { share } else { 1.0 };
        let litres = (share * litres).round();
        let entry = Entry::Watered { bed: BEDS[bed].to_owned(), litres };
        Deed { pour: Some((bed, litres)), entry: (self.kind != Kind::Silent).then_some(entry) }
    }

    /// Sheets come off in the morning, shade in the evening.
    fn tidy_up(&mut self, hour: u32) -> Vec<Deed> {
        let on = match hour {
            9 => std::mem::take(&mut self.covered),
            20 => std::mem::take(&mut self.shaded),
            _ => return Vec::new(),
        };
        let off = |bed: usize| {
            let what = BEDS[bed].to_owned();
            if hour == 9 { Entry::Covered { what, on: false } } else { Entry::Shaded { what, on: false } }
        };
        [0, 1].into_iter().filter(|bed| on[*bed]).map(|bed| said(off(bed))).collect()
    }
}

fn said(entry: Entry) -> Deed {
    Deed { pour: None, entry: Some(entry) }
}

/// A new letter takes the place of an older job of the same kind on the same bed.
fn kind(job: Job) -> (u8, usize) {
    match job {
        Job::Water { bed, .. } => (0, bed),
        Job::Shade { bed } => (1, bed),
        Job::Cover { bed } => (2, bed),
    }
}
