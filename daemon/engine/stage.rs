//! Where the plant of a bed stands in its season, and when the next steps come: the season's warmth, day by day,
//! and what the day book says, put to `agronomy::stage`.

use chrono::{Datelike, Days, NaiveDate};
use serde::{Deserialize, Serialize};

use agronomy::degree_days::Limits;
use agronomy::stage::{self, Basis, Clock, Coming, FLOWERING_DAYS, HALF_WIDTH_SD, Requirement, Seen, Stage};

use crate::settings::garden::Bed;

use super::scene::Scene;

/// Days of warmth that are kept.
const DAYS_KEPT: usize = 400;
/// The garden's own last days that set the pace of the coming ones.
const RECENT_DAYS: u64 = 7;
/// Of the days from a bud to its opening so many must be known by their warmth (judgement).
const KNOWN_SHARE: f64 = 0.8;
/// Share by which a day of which nothing is known may be off the table's (judgement).
const UNKNOWN_DAY_ERROR: f64 = 0.3;

/// Degree-days of each closed day of one bed, for its crop. A day derived anew takes the place of the old one.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Warmth {
    from: Option<NaiveDate>,
    /// To a tenth: the state is written every hour.
    days: Vec<Option<f64>>,
}

impl Warmth {
    /// Keeps a day's degree-days.
    pub fn put(&mut self, date: NaiveDate, degree_days: Option<f64>) {
        let from = *self.from.get_or_insert(date);
        let Ok(at) = usize::try_from((date - from).num_days()) else { return };
        if at >= self.days.len() + DAYS_KEPT {
            *self = Self { from: Some(date), days: Vec::new() };
            return self.put(date, degree_days);
        }
        if at >= self.days.len() {
            self.days.resize(at + 1, None);
        }
        if let Some(day) = self.days.get_mut(at) {
            *day = degree_days.map(|day| (day * 10.0).round() / 10.0);
        }
        let spare = self.days.len().saturating_sub(DAYS_KEPT);
        self.days.drain(..spare);
        self.from = from.checked_add_days(Days::new(spare as u64));
    }

    /// Degree-days of a day, if known.
    pub fn of(&self, date: NaiveDate) -> Option<f64> {
        let at = usize::try_from((date - self.from?).num_days()).ok()?;
        self.days.get(at).copied().flatten()
    }

    /// Forgets days from `date` on: they have not come yet.
    pub fn forget_from(&mut self, date: NaiveDate) {
        if let Some(keep) = self.from.map(|from| (date - from).num_days().max(0)) {
            self.days.truncate(usize::try_from(keep).unwrap_or(0));
        }
    }
}

/// The name a bed's warmth is kept under: another crop has other limits.
pub fn key(bed: &Bed) -> String {
    format!("{} {}", bed.name, bed.crop.name)
}

/// Where a plant stands, for pages and `status`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StageView {
    /// The stage, in words.
    pub stage: String,
    /// What it rests on, in words.
    pub rests_on: String,
    /// Degree-days since setting out, days of which nothing is known counted as days of the crop's table.
    pub degree_days: f64,
    /// The next steps.
    pub ahead: Vec<StepView>,
    /// What the intervals mean, in words.
    pub coverage: String,
}

/// One step to come. A date that is `None` lies beyond this season.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StepView {
    /// What comes, in words.
    pub what: String,
    /// Earliest date of the interval.
    pub from: Option<NaiveDate>,
    /// Most likely date.
    pub likely: Option<NaiveDate>,
    /// Latest date of the interval.
    pub to: Option<NaiveDate>,
    /// What it rests on, in words; empty where the stage's own words say it.
    pub rests_on: String,
}

impl StepView {
    /// When, in words: "4 to 12 July, likely 8 July"; without a year, since none lies further off than one.
    pub fn when(&self) -> String {
        let on = |date: NaiveDate| date.format("%-d %B").to_string();
        match (self.from, self.likely, self.to) {
            (Some(from), _, Some(to)) if from == to => on(to),
            (Some(from), likely, Some(to)) => {
                let first = if from.month() == to.month() { from.day().to_string() } else { on(from) };
                let likely = likely.map_or(String::new(), |likely| format!(", likely {}", on(likely)));
                format!("{first} to {}{likely}", on(to))
            }
            (Some(from), Some(likely), None) => format!("from {} on, likely {}", on(from), on(likely)),
            (Some(from), None, None) => format!("not before {}, perhaps not this season", on(from)),
            (None, ..) => "not this season at its usual warmth".to_owned(),
        }
    }
}

impl Scene<'_> {
    /// Warmth of `from..to` on a bed.
    pub fn clock(&self, bed: &Bed, from: NaiveDate, to: NaiveDate) -> Option<Clock> {
        let warmth = self.warmths.get(&key(bed));
        let days = from.iter_days().take_while(|date| *date < to).take(1000);
        let days = days.map(|date| warmth.and_then(|warmth| warmth.of(date)));
        Clock::run(days, bed.crop.course.warm_day).ok()
    }

    /// What the day book has seen of a bed's plant up to a date.
    fn seen(&self, bed: &Bed, date: NaiveDate) -> Seen {
        let up_to = |seen: Option<NaiveDate>| seen.filter(|seen| *seen <= date);
        let pollinated = up_to(self.facts.pollinated(bed));
        let flowers = || self.facts.flowers_of(&bed.name).map(|(_, flower)| flower);
        let opened = flowers().filter_map(|flower| up_to(flower.open).or(up_to(flower.pollinated))).min();
        let first = [opened, pollinated].into_iter().flatten().min();
        let keeper = self.facts.keeper(&bed.name).is_some();
        let took = |flower: &super::facts::Flower| flower.gone.is_none() && up_to(flower.set).is_some();
        Seen {
            first_flower: first.and_then(|first| self.clock(bed, first, date)),
            buds: flowers().any(|flower| up_to(flower.bud).is_some()),
            pollinated_days: pollinated.map(|pollinated| (date - pollinated).num_days() as f64),
            is_set: keeper || flowers().any(took),
            is_cut: self.facts.is_cut(bed, date),
        }
    }

    /// Day of the crop's table that the leaves have reached, the first being 0; `None` where no setting out is
    /// known.
    pub fn table_day(&self, bed: &Bed, date: NaiveDate) -> Option<f64> {
        let clock = self.clock(bed, self.facts.planted(bed)?, date)?;
        stage::table_day(&bed.crop.course, &clock, &self.seen(bed, date)).ok()
    }

    /// Where the plant of a bed stands and what comes next; `None` where none was set out yet.
    pub fn stage_view(&self, bed: &Bed) -> Option<StageView> {
        let date = self.date();
        let planted = self.facts.planted(bed).filter(|planted| *planted <= date)?;
        let clock = self.clock(bed, planted, date)?;
        let seen = self.seen(bed, date);
        let (found, basis) = stage::find(&bed.crop.course, &clock, &seen).ok()?;
        let ahead =
            if found == Stage::Cut { Vec::new() } else { self.ahead(bed, date, &clock, &seen, found) };
        Some(StageView {
            stage: words(found).to_owned(),
            rests_on: rests_on(basis, &clock),
            degree_days: clock.degree_days,
            coverage: if ahead.is_empty() {
                String::new()
            } else {
                "intervals meant to hold 8 times of 10 (judgement)".to_owned()
            },
            ahead,
        })
    }

    fn ahead(&self, bed: &Bed, date: NaiveDate, clock: &Clock, seen: &Seen, found: Stage) -> Vec<StepView> {
        let course = &bed.crop.course;
        let pace = self.pace(bed, date);
        let unknown = f64::from(clock.days - clock.known_days) * UNKNOWN_DAY_ERROR * course.warm_day;
        let since_planting = |need: Requirement| {
            let sd = need.sd.hypot(unknown).min(5000.0);
            stage::coming(need.amount - clock.degree_days, sd, |ahead| pace.on(ahead)).ok()
        };
        let mut steps = Vec::new();
        let male = course.male_flower.and_then(|_| since_planting(course.male_flower_after()));
        if found < Stage::Flowering {
            steps.extend(male.and_then(|coming| step("first male flowers", date, coming)));
        }
        let female = course.female_flower.and_then(|_| since_planting(course.female_flower_after()));
        if found <= Stage::Flowering && seen.first_flower.is_none() {
            steps.extend(female.and_then(|coming| step("first female flowers", date, coming)));
        }
        steps.extend(self.buds(bed, date, &pace));
        if found <= Stage::Flowering {
            let until = |late: Option<f64>| late.map(|late| late + FLOWERING_DAYS);
            let window = female.map(|female| Coming { late: until(female.late), ..female });
            steps.extend(window.and_then(|window| step("pollination", date, window)));
        }
        let leaf = course.full_leaf_after();
        if self.table_day(bed, date).is_some_and(|day| day < course.stage_days[0] + course.stage_days[1]) {
            steps.extend(since_planting(leaf).and_then(|coming| step("full leaf", date, coming)));
        }
        if let Some(days) = course.harvest_days {
            let half = HALF_WIDTH_SD * days.sd;
            let after = |from: Option<f64>, days: f64| from.map(|from| from + days);
            let from = match seen.pollinated_days {
                Some(gone) => Some(Coming { early: Some(-gone), likely: Some(-gone), late: Some(-gone) }),
                None => female,
            };
            let cutting = from.map(|from| Coming {
                early: after(from.early, days.amount - half),
                likely: after(from.likely, days.amount),
                late: after(from.late, days.amount + half),
            });
            steps.extend(cutting.and_then(|cutting| step("cutting", date, cutting)));
        }
        steps
    }

    /// Buds that were logged and have not opened: by the garden's own buds, and the crop's figure before them.
    fn buds(&self, bed: &Bed, date: NaiveDate, pace: &Pace) -> Vec<StepView> {
        let Some(prior) = bed.crop.course.bud_to_open else { return Vec::new() };
        let own = self.own_buds(bed);
        let Ok(need) = stage::learned(&prior, &own) else { return Vec::new() };
        let rests_on = match own.len() {
            0 => "by the crop's profile, no bud of this garden yet".to_owned(),
            1 => "by the crop's profile and one bud of this garden".to_owned(),
            n => format!("by the crop's profile and {n} buds of this garden"),
        };
        let closed = self.facts.flowers_of(&bed.name).filter_map(|(name, flower)| {
            let bud = flower.bud.filter(|bud| *bud <= date)?;
            let is_done =
                flower.pollinated.or(flower.gone).is_some() || flower.open.is_some_and(|open| open <= date);
            (!is_done).then_some((name, flower, bud))
        });
        closed
            .filter_map(|(name, flower, bud)| {
                let what = format!("flower {name} opens");
                if let Some(open) = flower.open {
                    let said = Some(open);
                    let rests_on = "by the day book".to_owned();
                    return Some(StepView { what, from: said, likely: said, to: said, rests_on });
                }
                let had = self.clock(bed, bud, date)?.degree_days;
                let coming = stage::coming(need.amount - had, need.sd, |ahead| pace.on(ahead)).ok()?;
                Some(StepView { rests_on: rests_on.clone(), ..step(&what, date, coming)? })
            })
            .collect()
    }

    /// Degree-days from bud to open flower of the garden's own buds of this crop, where their warmth is known.
    pub fn own_buds(&self, bed: &Bed) -> Vec<f64> {
        let beds = self.garden.beds.iter().filter(|other| other.crop.name == bed.crop.name);
        let flowers =
            beds.flat_map(|bed| self.facts.flowers_of(&bed.name).map(move |(_, flower)| (bed, flower)));
        flowers
            .filter_map(|(bed, flower)| {
                let open = flower.open.or(flower.pollinated).filter(|open| *open <= self.date())?;
                let clock = self.clock(bed, flower.bud.filter(|bud| *bud < open)?, open)?;
                let known = f64::from(clock.known_days) >= KNOWN_SHARE * f64::from(clock.days);
                known.then_some(clock.degree_days)
            })
            .collect()
    }

    /// What the coming days may bring: the last week of this garden beside what is usual there.
    fn pace(&self, bed: &Bed, date: NaiveDate) -> Pace {
        let usual = self.usual_year(bed, date);
        let days = (1..=RECENT_DAYS).filter_map(|ago| date.checked_sub_days(Days::new(ago)));
        let warmth = self.warmths.get(&key(bed));
        let known: Vec<(f64, f64)> =
            days.filter_map(|day| Some((warmth?.of(day)?, self.usual_on(bed, day)?))).collect();
        let mean = |sum: f64| sum / known.len().max(1) as f64;
        Pace {
            usual,
            recent: (!known.is_empty()).then(|| mean(known.iter().map(|(own, _)| own).sum())),
            recent_usual: mean(known.iter().map(|(_, usual)| usual).sum()),
        }
    }

    fn usual_on(&self, bed: &Bed, date: NaiveDate) -> Option<f64> {
        let limits = Limits::new(bed.crop.base_c, bed.crop.upper_c).ok()?;
        let day_of_year = u16::try_from(date.ordinal()).ok()?;
        stage::usual_day(self.garden.place.latitude_deg, day_of_year, &limits).ok()
    }

    fn usual_year(&self, bed: &Bed, date: NaiveDate) -> Vec<f64> {
        date.iter_days().take(300).map(|day| self.usual_on(bed, day).unwrap_or(0.0)).collect()
    }
}

/// Degree-days to reckon with on the days ahead.
struct Pace {
    usual: Vec<f64>,
    recent: Option<f64>,
    recent_usual: f64,
}

impl Pace {
    fn on(&self, ahead: u32) -> f64 {
        let usual = self.usual.get(ahead as usize).copied().unwrap_or(0.0);
        stage::coming_day(usual, self.recent, self.recent_usual, ahead).unwrap_or(usual)
    }
}

/// A step as dates; `None` when its whole interval has gone by.
fn step(what: &str, date: NaiveDate, coming: Coming) -> Option<StepView> {
    if coming.late.is_some_and(|late| late <= 0.0) {
        return None;
    }
    let on = |days: Option<f64>| {
        let whole = days.map(|days| days.max(0.0).floor() as u64)?;
        date.checked_add_days(Days::new(whole))
    };
    let [from, likely, to] = [coming.early, coming.likely, coming.late].map(on);
    Some(StepView { what: what.to_owned(), from, likely, to, rests_on: String::new() })
}

fn words(stage: Stage) -> &'static str {
    match stage {
        Stage::Establishing => "taking root",
        Stage::Vines => "vines running",
        Stage::Flowering => "flowering",
        Stage::Pollinated => "pollinated, not yet seen to set",
        Stage::Swelling => "fruit swelling",
        Stage::Slowing => "fruit slowing",
        Stage::Cut => "cut",
    }
}

fn rests_on(basis: Basis, clock: &Clock) -> String {
    match basis {
        Basis::DayBook => "the day book".to_owned(),
        Basis::DegreeDays => format!("{:.0} degree-days since setting out", clock.degree_days),
        Basis::Days => format!("{} days since setting out, the warmth of most of them not known", clock.days),
    }
}
