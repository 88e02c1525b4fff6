//! Where a plant stands in its season, and when the next steps come.
//!
//! What the grower saw comes first, warmth second, days last. Warmth runs a clock that begins when the plant
//! is set out: degree-days, by whatever convention the requirements were published with; a day of which
//! nothing is known counts as a day of the crop's table, so the clock never stands still. Requirements of one
//! convention never meet degree-days of another (McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291).
//!
//! Degree-days °C·d. Inputs out of range are an [`Error`].

use crate::climate;
use crate::degree_days::{Cutoff, Limits, single_sine};
use crate::error::{Error, within};
use crate::real::{exp, sqrt};

/// Half-width of an interval in standard deviations: 8 of 10 of a bell curve. That the errors here follow one,
/// and so the coverage, is judgement.
pub const HALF_WIDTH_SD: f64 = 1.28;
/// Share by which the warmth of the days to come is off (judgement: a season's sums differ by about a tenth
/// from year to year; vega_datasets seattle-weather, May to September, base 10 °C: 999, 1265, 1263, 1315).
pub const WEATHER_ERROR: f64 = 0.12;
/// Days from pollination after which a fruit slows (trade figure of giant growers; common practice, no source).
pub const SLOWING_DAYS: f64 = 60.0;
/// Days that the flowering of a plant lasts (Cady et al., New York pumpkin trials: three to four weeks).
pub const FLOWERING_DAYS: f64 = 25.0;
/// Furthest that is looked ahead, days.
const HORIZON_DAYS: u32 = 300;
/// How many buds the prior of [`learned`] weighs as, and how many its spread (judgement).
const PRIOR_BUDS: (f64, f64) = (2.0, 3.0);

/// What a step of the season asks for, with one standard deviation from plant to plant in the same unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Requirement {
    /// The most likely amount, 0 to 10,000.
    pub amount: f64,
    /// One standard deviation, 0.01 to 5,000.
    pub sd: f64,
}

impl Requirement {
    /// `amount` 0 to 10,000, `sd` 0.01 to 5,000.
    pub fn new(amount: f64, sd: f64) -> Result<Self, Error> {
        within("amount", amount, 0.0, 10_000.0, "0 to 10000")?;
        within("sd", sd, 0.01, 5_000.0, "0.01 to 5000")?;
        Ok(Self { amount, sd })
    }
}

/// How a crop goes through its season. Degree-days count from sowing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Days of the four stages of FAO-56 table 11 from setting out: initial, development, mid, late.
    pub stage_days: [f64; 4],
    /// Degree-days of a day for which those days hold, 1 to 40.
    pub warm_day: f64,
    /// Degree-days a seedling has had when it is set out, 0 to 1,000.
    pub seedling: f64,
    /// First male flower.
    pub male_flower: Option<Requirement>,
    /// First female flower.
    pub female_flower: Option<Requirement>,
    /// From a female bud that a grower notices to its opening.
    pub bud_to_open: Option<Requirement>,
    /// Days, not degree-days, from pollination to cutting.
    pub harvest_days: Option<Requirement>,
}

impl Course {
    fn check(&self) -> Result<(), Error> {
        for days in self.stage_days {
            within("stage_days", days, 1.0, 400.0, "1 to 400 days")?;
        }
        within("warm_day", self.warm_day, 1.0, 40.0, "1 to 40 degree-days")?;
        within("seedling", self.seedling, 0.0, 1_000.0, "0 to 1000 degree-days")?;
        Ok(())
    }

    /// A requirement from sowing as one from setting out, at least 0.
    fn set_out(&self, from_sowing: Requirement) -> Requirement {
        Requirement { amount: (from_sowing.amount - self.seedling).max(0.0), ..from_sowing }
    }

    /// Degree-days from setting out to the first male flower; without a figure of its own the end of
    /// development (FAO-56 ch. 6 has mid-season begin at full cover, for many crops with the flowers), a
    /// quarter off.
    pub fn male_flower_after(&self) -> Requirement {
        self.male_flower.map_or_else(|| self.full_leaf_after(), |need| self.set_out(need))
    }

    /// Degree-days from setting out to the first female flower; without a figure as
    /// [`Course::male_flower_after`].
    pub fn female_flower_after(&self) -> Requirement {
        self.female_flower.map_or_else(|| self.full_leaf_after(), |need| self.set_out(need))
    }

    /// Degree-days from setting out to full leaf: the initial and development stages of the table at its own
    /// warmth. Off by a seventh (judgement).
    pub fn full_leaf_after(&self) -> Requirement {
        let amount = (self.stage_days[0] + self.stage_days[1]) * self.warm_day;
        Requirement { amount, sd: (amount / 7.0).max(0.01) }
    }
}

/// Warmth since a day.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Clock {
    /// Degree-days, days of which nothing is known counted as days of the table.
    pub degree_days: f64,
    /// Days that went by.
    pub days: u32,
    /// Days of these whose warmth is known.
    pub known_days: u32,
}

impl Clock {
    /// Runs over the days since a date, `None` for a day of which nothing is known; those count `warm_day`.
    ///
    /// A day's degree-days 0 to 60; `warm_day` 1 to 40.
    pub fn run(days: impl Iterator<Item = Option<f64>>, warm_day: f64) -> Result<Self, Error> {
        within("warm_day", warm_day, 1.0, 40.0, "1 to 40 degree-days")?;
        let mut clock = Self::default();
        for day in days {
            clock.days += 1;
            clock.degree_days += match day {
                Some(warmth) => {
                    clock.known_days += 1;
                    within("day", warmth, 0.0, 60.0, "0 to 60 degree-days a day")?
                }
                None => warm_day,
            };
        }
        Ok(clock)
    }

    /// More than half of the days are known by their warmth.
    pub fn is_warmth(&self) -> bool {
        2 * self.known_days > self.days
    }
}

/// A stage of the season, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Set out; roots are few and shallow.
    Establishing,
    /// Vines run, no flower yet.
    Vines,
    /// Flowers, male ones first.
    Flowering,
    /// A flower was pollinated; whether it took is not known yet.
    Pollinated,
    /// The fruit swells.
    Swelling,
    /// It slows.
    Slowing,
    /// Cut.
    Cut,
}

/// What a stage was found by, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The grower saw it.
    DayBook,
    /// Degree-days since setting out.
    DegreeDays,
    /// Days since setting out.
    Days,
}

/// What the grower has seen of the plant.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Seen {
    /// Warmth since the first open or pollinated flower.
    pub first_flower: Option<Clock>,
    /// A bud was seen, no open flower yet.
    pub buds: bool,
    /// Days since the fruit in hand was pollinated.
    pub pollinated_days: Option<f64>,
    /// It took, or a keeper was chosen.
    pub is_set: bool,
    /// The fruit is cut.
    pub is_cut: bool,
}

/// The stage of a plant and what it was found by.
///
/// `clock` since setting out. What was seen stands above what the clock says, which alone makes no more of it
/// than a fruit that swells: cutting is seen. `pollinated_days` 0 to 1,000.
pub fn find(course: &Course, clock: &Clock, seen: &Seen) -> Result<(Stage, Basis), Error> {
    course.check()?;
    let by_clock = if clock.is_warmth() { Basis::DegreeDays } else { Basis::Days };
    let flowering = FLOWERING_DAYS * course.warm_day;
    let by_warmth = match clock.degree_days {
        warmth if warmth >= course.female_flower_after().amount + flowering => Stage::Swelling,
        warmth if warmth >= course.male_flower_after().amount => Stage::Flowering,
        warmth if warmth >= course.stage_days[0] * course.warm_day => Stage::Vines,
        _ => Stage::Establishing,
    };
    let pollinated = match seen.pollinated_days {
        Some(days) => {
            within("pollinated_days", days, 0.0, 1_000.0, "0 to 1000 days")?;
            Some(if days >= SLOWING_DAYS {
                Stage::Slowing
            } else if seen.is_set {
                Stage::Swelling
            } else {
                Stage::Pollinated
            })
        }
        None => seen.is_set.then_some(Stage::Swelling),
    };
    let flowers = (seen.first_flower.is_some() || seen.buds).then_some(Stage::Flowering);
    let by_book = if seen.is_cut { Some(Stage::Cut) } else { pollinated.or(flowers) };
    Ok(by_book.map_or((by_warmth, by_clock), |stage| (stage, Basis::DayBook)))
}

/// Day of the crop's table (the first is 0) that the plant's leaves have reached, for
/// [`crate::crop::StageCurve::kcb`].
///
/// The clock since setting out, in days of the table. A flower seen open moves it on to the table's own day of
/// flowers; never back, since a later flower may be the one that was logged. With `pollinated_days` known the
/// late stage begins no earlier than its length before the cutting: a plant is kept green for its fruit.
pub fn table_day(course: &Course, clock: &Clock, seen: &Seen) -> Result<f64, Error> {
    course.check()?;
    let mut day = clock.degree_days / course.warm_day;
    if let Some(since) = seen.first_flower {
        day = day.max((course.female_flower_after().amount + since.degree_days) / course.warm_day);
    }
    if let (Some(pollinated), Some(harvest)) = (seen.pollinated_days, course.harvest_days) {
        let [ini, dev, mid, late] = course.stage_days;
        let into_late = (pollinated - (harvest.amount - late)).max(0.0);
        day = day.min(ini + dev + mid + into_late);
    }
    Ok(day.min(10_000.0))
}

/// Degree-days of the usual day of a latitude: the single sine with horizontal cut-off through the mean and
/// range of [`climate::usual`].
pub fn usual_day(latitude_deg: f64, day_of_year: u16, limits: &Limits) -> Result<f64, Error> {
    let usual = climate::usual(latitude_deg, day_of_year)?;
    let half_c = usual.air_range_c / 2.0;
    single_sine(usual.air_mean_c - half_c, usual.air_mean_c + half_c, limits, Cutoff::Horizontal)
}

/// Degree-days to reckon with on a coming day: the usual ones, and how far this garden's last days lay from
/// theirs: half of it is the place and stays, half is the weather and fades within ten days (judgement).
///
/// `usual`, `recent` and `recent_usual` (the usual of the same last days) 0 to 60, never below 0 in sum.
pub fn coming_day(usual: f64, recent: Option<f64>, recent_usual: f64, days_ahead: u32) -> Result<f64, Error> {
    let rule = "0 to 60 degree-days a day";
    within("usual", usual, 0.0, 60.0, rule)?;
    within("recent_usual", recent_usual, 0.0, 60.0, rule)?;
    let Some(recent) = recent else { return Ok(usual) };
    let off = within("recent", recent, 0.0, 60.0, rule)? - recent_usual;
    let fades = 0.5 + 0.5 * exp(-f64::from(days_ahead) / 10.0);
    Ok((usual + off * fades).max(0.0))
}

/// When something comes, days from now; `None` = not within 300 days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coming {
    /// Earliest of the interval.
    pub early: Option<f64>,
    /// Most likely.
    pub likely: Option<f64>,
    /// Latest of the interval.
    pub late: Option<f64>,
}

/// When the `missing` degree-days will have come, with the days ahead as `coming_day(days_ahead)` has them.
///
/// The interval is [`HALF_WIDTH_SD`] of the requirement's `sd` and of [`WEATHER_ERROR`] of what is missing,
/// together. `missing` -10,000 to 10,000: what is over-due comes now (0). `sd` 0 to 5,000; `coming_day` 0 to 60.
pub fn coming(missing: f64, sd: f64, coming_day: impl Fn(u32) -> f64) -> Result<Coming, Error> {
    within("missing", missing, -10_000.0, 10_000.0, "-10000 to 10000 degree-days")?;
    within("sd", sd, 0.0, 5_000.0, "0 to 5000 degree-days")?;
    let weather = WEATHER_ERROR * missing.max(0.0);
    let half = HALF_WIDTH_SD * sqrt(sd * sd + weather * weather);
    let targets = [missing - half, missing, missing + half];
    let mut when = targets.map(|target| if target <= 0.0 { Some(0.0) } else { None });
    let mut sum = 0.0;
    for ahead in 0..HORIZON_DAYS {
        let day = within("coming_day", coming_day(ahead), 0.0, 60.0, "0 to 60 degree-days a day")?;
        for (target, when) in targets.into_iter().zip(&mut when) {
            if when.is_none() && sum + day >= target {
                *when = Some(f64::from(ahead) + (target - sum) / day);
            }
        }
        sum += day;
    }
    let [early, likely, late] = when;
    Ok(Coming { early, likely, late })
}

/// A requirement learned from this garden's own `seen` amounts, none or more, each 0 to 10,000.
///
/// Conjugate normal with unknown mean and spread (textbook, from memory: Gelman et al., Bayesian Data Analysis,
/// ch. 3): the prior weighs as two buds for the mean and as three for the spread (judgement). With none seen it
/// is the prior; the spread is that of the next one.
pub fn learned(prior: &Requirement, seen: &[f64]) -> Result<Requirement, Error> {
    let prior = Requirement::new(prior.amount, prior.sd)?;
    for amount in seen {
        within("seen", *amount, 0.0, 10_000.0, "0 to 10000")?;
    }
    let (weight, freedom) = PRIOR_BUDS;
    let n = seen.len() as f64;
    let mean = if seen.is_empty() { prior.amount } else { seen.iter().sum::<f64>() / n };
    let scatter: f64 = seen.iter().map(|amount| (amount - mean) * (amount - mean)).sum();
    let off = mean - prior.amount;
    let one = prior.sd * prior.sd / (1.0 + 1.0 / weight);
    let variance = (freedom * one + scatter + weight * n / (weight + n) * off * off) / (freedom + n);
    Ok(Requirement {
        amount: (weight * prior.amount + n * mean) / (weight + n),
        sd: sqrt(variance * (1.0 + 1.0 / (weight + n))).max(0.01),
    })
}

/// Degree-days of Fahrenheit in those of Celsius: ÷ 1.8. -100,000 to 100,000.
pub fn from_fahrenheit_days(degree_days_f: f64) -> Result<f64, Error> {
    let rule = "-100000 to 100000";
    Ok(within("degree_days_f", degree_days_f, -100_000.0, 100_000.0, rule)? / 1.8)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course() -> Course {
        let need = |amount| Requirement::new(amount, 80.0).ok();
        Course {
            stage_days: [20.0, 35.0, 65.0, 20.0],
            warm_day: 10.0,
            seedling: 200.0,
            male_flower: need(600.0),
            female_flower: need(700.0),
            bud_to_open: need(130.0),
            harvest_days: Requirement::new(100.0, 10.0).ok(),
        }
    }

    fn clock(degree_days: f64, known_days: u32) -> Clock {
        Clock { degree_days, days: 50, known_days }
    }

    #[test]
    fn the_book_stands_above_warmth_and_warmth_above_days() {
        let none = Seen::default();
        let at = |warmth, known| find(&course(), &clock(warmth, known), &none).unwrap();
        assert_eq!(at(150.0, 50), (Stage::Establishing, Basis::DegreeDays));
        assert_eq!(at(250.0, 50), (Stage::Vines, Basis::DegreeDays));
        assert_eq!(at(450.0, 10), (Stage::Flowering, Basis::Days));
        assert_eq!(at(800.0, 50), (Stage::Swelling, Basis::DegreeDays));
        let seen = |seen: Seen| find(&course(), &clock(150.0, 50), &seen).unwrap();
        assert_eq!(seen(Seen { buds: true, ..none }), (Stage::Flowering, Basis::DayBook));
        let set = Seen { pollinated_days: Some(9.0), is_set: true, ..none };
        assert_eq!(seen(set), (Stage::Swelling, Basis::DayBook));
        assert_eq!(seen(Seen { pollinated_days: Some(61.0), ..none }).0, Stage::Slowing);
        assert_eq!(seen(Seen { is_cut: true, ..set }).0, Stage::Cut);
        assert!(find(&course(), &clock(1.0, 1), &Seen { pollinated_days: Some(-1.0), ..none }).is_err());
    }

    #[test]
    fn a_flower_moves_the_table_on_and_never_back() {
        let seen = |warmth| Seen { first_flower: Some(clock(warmth, 50)), ..Seen::default() };
        let day = |clock_warmth, seen: &Seen| table_day(&course(), &clock(clock_warmth, 50), seen).unwrap();
        assert!((day(300.0, &Seen::default()) - 30.0).abs() < 1e-12);
        assert!((day(300.0, &seen(20.0)) - 52.0).abs() < 1e-12); // (500 + 20) / 10
        assert!((day(900.0, &seen(20.0)) - 90.0).abs() < 1e-12);
        // 1,500 degree-days would be the end of the table; the fruit is 60 days old and is cut at 100.
        let fruit = Seen { pollinated_days: Some(60.0), ..Seen::default() };
        assert!((day(1500.0, &fruit) - 120.0).abs() < 1e-12);
        let old = Seen { pollinated_days: Some(95.0), ..Seen::default() };
        assert!((day(1500.0, &old) - 135.0).abs() < 1e-12);
    }

    #[test]
    fn an_unknown_day_counts_as_one_of_the_table() {
        let clock = Clock::run([Some(5.0), None, Some(15.0), None].into_iter(), 11.0).unwrap();
        assert_eq!((clock.degree_days, clock.days, clock.known_days), (42.0, 4, 2));
        assert!(!clock.is_warmth());
        assert!(Clock::run([Some(f64::NAN)].into_iter(), 11.0).is_err());
    }

    #[test]
    fn own_buds_narrow_the_interval_and_move_its_middle() {
        let prior = Requirement::new(130.0, 50.0).unwrap();
        let none = learned(&prior, &[]).unwrap();
        assert!((none.amount - 130.0).abs() < 1e-12 && (none.sd - 50.0).abs() < 1e-12);
        let mut last = none.sd;
        for n in 1..12 {
            let seen = &[92.0, 108.0, 96.0, 104.0, 99.0, 101.0, 95.0, 105.0, 98.0, 102.0, 100.0][..n];
            let now = learned(&prior, seen).unwrap();
            assert!(now.sd < last, "{n}: {} after {last}", now.sd);
            last = now.sd;
        }
        let now = learned(&prior, &[100.0; 11]).unwrap();
        assert!((now.amount - 104.615).abs() < 1e-3 && now.sd < 25.0, "{now:?}");
    }

    #[test]
    fn what_is_overdue_comes_now_and_what_never_comes_is_none() {
        let late = coming(-50.0, 20.0, |_| 10.0).unwrap();
        assert_eq!(late, Coming { early: Some(0.0), likely: Some(0.0), late: Some(0.0) });
        let never = coming(500.0, 20.0, |ahead| if ahead < 20 { 10.0 } else { 0.0 }).unwrap();
        assert_eq!(never, Coming { early: None, likely: None, late: None });
        assert!(coming(500.0, 20.0, |_| f64::NAN).is_err());
    }
}
