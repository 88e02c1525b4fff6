//! What the day book says that judgement uses: water given, areas, dates, sheets, absences.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::daybook::{Entry, Feel, FlowerState, FruitState};
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden};

use super::HOURS_KEPT_MS;
use super::calendar::{Calendar, next_day};

/// Water given to a bed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Given {
    /// The bed.
    pub bed: String,
    /// When.
    pub at_ms: Millis,
    /// How much.
    pub litres: f64,
}

/// An absence of the grower.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Absence {
    /// First day away.
    pub from: NaiveDate,
    /// Last day away.
    pub to: NaiveDate,
}

/// What the day book has said so far.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Water given in the last fifteen days.
    pub given: Vec<Given>,
    /// Rain read by eye in the last fifteen days.
    pub rain_by_eye: Vec<(Millis, f64)>,
    /// Finger tests of the last fifteen days.
    #[serde(default)]
    felt: Vec<(String, Millis, Feel)>,
    /// Beds fed in the last fifteen days, and when.
    #[serde(default)]
    fed: Vec<(String, Millis)>,
    leafed: BTreeMap<String, BTreeMap<NaiveDate, f64>>,
    rooted: BTreeMap<String, BTreeMap<NaiveDate, f64>>,
    planted: BTreeMap<String, NaiveDate>,
    /// As states before flowers had a life of their own kept it; read, no longer written.
    pollinated: BTreeMap<String, NaiveDate>,
    cut: BTreeMap<String, NaiveDate>,
    /// Flowers and the fruits they became, by their name.
    #[serde(default)]
    flowers: BTreeMap<String, Flower>,
    /// When a line last showed that the plant of a bed lives.
    #[serde(default)]
    alive: BTreeMap<String, NaiveDate>,
    /// When the core of a bed was felt to be hot.
    #[serde(default)]
    core_hot: BTreeMap<String, NaiveDate>,
    /// The fruit that is kept, by bed.
    keeper: BTreeMap<String, String>,
    /// Since when, and whether it stands: the last line by when it happened counts.
    shaded: BTreeMap<String, (Millis, bool)>,
    covered: BTreeMap<String, (Millis, bool)>,
    /// Share of held water used at which to refill, set by hand.
    refill_share_used: BTreeMap<String, f64>,
    absences: Vec<Absence>,
    /// When leaves were last looked under.
    #[serde(default)]
    scouted_ms: Vec<Millis>,
    /// Nodes buried, by date; kept while they may still root.
    #[serde(default)]
    pub buried: BTreeMap<String, BTreeMap<NaiveDate, u32>>,
    /// Soil that buried nodes have rooted, m², by the date from which it counts.
    #[serde(default)]
    joined: BTreeMap<String, BTreeMap<NaiveDate, f64>>,
}

/// The bed, flower or fruit of a line that nobody writes of a dead plant.
fn tended(entry: &Entry) -> Option<&str> {
    match entry {
        Entry::Flower { state: FlowerState::Lost, .. } => None,
        Entry::Flower { flower: what, .. }
        | Entry::Covered { what, on: true }
        | Entry::Shaded { what, on: true }
        | Entry::Leafed { bed: what, .. }
        | Entry::Buried { bed: what, .. }
        | Entry::Fed { bed: what, .. }
        | Entry::VineWork { bed: what, .. }
        | Entry::Planted { bed: what } => Some(what),
        _ => None,
    }
}

/// Life of a flower and of the fruit it became: the date of each step that was logged.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Flower {
    /// The bed it stands on.
    pub bed: Option<String>,
    /// Seen as a bud.
    pub bud: Option<NaiveDate>,
    /// Open.
    pub open: Option<NaiveDate>,
    /// Pollinated.
    pub pollinated: Option<NaiveDate>,
    /// It took, or was chosen as keeper.
    pub set: Option<NaiveDate>,
    /// Lost or culled.
    pub gone: Option<NaiveDate>,
}

impl Flower {
    fn take(&mut self, state: FlowerState, bed: Option<String>, date: NaiveDate) {
        if self.gone.is_some_and(|gone| gone < date) && state != FlowerState::Lost {
            *self = Self { bed: self.bed.take(), ..Self::default() }; // the name is used again
        }
        self.bed = bed.or(self.bed.take());
        // Of a step that is logged twice the first counts, in whatever order the lines are typed in.
        let first = |known: &mut Option<NaiveDate>, date: NaiveDate| {
            *known = Some(known.map_or(date, |known| known.min(date)));
        };
        match state {
            FlowerState::Bud => first(&mut self.bud, date),
            FlowerState::OpenTomorrow => first(&mut self.open, next_day(date)),
            FlowerState::Open => first(&mut self.open, date),
            FlowerState::Pollinated { .. } => first(&mut self.pollinated, date),
            FlowerState::Set => first(&mut self.set, date),
            FlowerState::Lost => first(&mut self.gone, date),
        }
    }

    fn take_fruit(&mut self, state: FruitState, bed: &str, date: NaiveDate) {
        self.bed = Some(bed.to_owned());
        match state {
            FruitState::Keeper | FruitState::Spare => self.set = self.set.or(Some(date)),
            FruitState::Culled | FruitState::Lost => self.gone = self.gone.or(Some(date)),
            FruitState::Cut => {}
        }
    }

    /// When it was pollinated, if it was not lost since.
    fn bears(&self) -> Option<NaiveDate> {
        self.pollinated.filter(|_| self.gone.is_none())
    }

    /// The last date known of it.
    fn last(&self) -> Option<NaiveDate> {
        [self.bud, self.open, self.pollinated, self.set, self.gone].into_iter().flatten().max()
    }
}

/// The line that happened last counts, in whatever order they are typed in.
fn set_latest(map: &mut BTreeMap<String, (Millis, bool)>, bed: String, happened_ms: Millis, stands: bool) {
    let known = map.entry(bed).or_insert((happened_ms, stands));
    if happened_ms >= known.0 {
        *known = (happened_ms, stands);
    }
}

impl Facts {
    /// Takes one line that says how the bed and its plant are. Answers to letters are the business of the
    /// matters.
    pub fn take(
        &mut self,
        entry: &Entry,
        happened_ms: Millis,
        now_ms: Millis,
        garden: &Garden,
        calendar: &Calendar,
    ) {
        let date = calendar.date(happened_ms);
        if let Entry::Flower { flower: name, bed: Some(bed), .. }
        | Entry::Fruit { fruit: name, bed: Some(bed), .. } = entry
        {
            self.flowers.entry(name.clone()).or_default().bed = Some(bed.clone());
        }
        let lives = tended(entry).and_then(|what| self.bed_of(garden, what));
        if let Some(bed) = lives {
            let last = self.alive.entry(bed.name.clone()).or_insert(date);
            *last = date.max(*last);
        }
        let on = |what: &str| self.bed_of(garden, what).map(|bed| bed.name.clone());
        match entry {
            Entry::Watered { bed, litres } => self.give(bed, happened_ms, *litres),
            Entry::Felt { bed, feel } => self.felt.push((bed.clone(), happened_ms, *feel)),
            Entry::Fed { bed, .. } => self.fed.push((bed.clone(), happened_ms)),
            Entry::Scouted { .. } => self.scouted_ms.push(happened_ms),
            Entry::Rain { depth_mm } => self.rain_by_eye.push((happened_ms, *depth_mm)),
            Entry::Leafed { bed, area_m2 } => {
                self.leafed.entry(bed.clone()).or_default().insert(date, *area_m2);
            }
            Entry::Rooted { bed, area_m2 } => {
                self.rooted.entry(bed.clone()).or_default().insert(date, *area_m2);
            }
            Entry::Planted { bed } => {
                self.plant_anew(bed, date);
            }
            Entry::Flower { flower, state, .. } => {
                let bed = on(flower);
                self.flowers.entry(flower.clone()).or_default().take(*state, bed, date);
            }
            Entry::Fruit { fruit, state, .. } => {
                if let Some(bed) = on(fruit) {
                    self.take_fruit(bed, fruit, *state, date);
                }
            }
            Entry::CoreHot { bed } => {
                for name in garden.beds.iter().map(|bed| &bed.name) {
                    if bed.as_ref().is_none_or(|named| named == name) {
                        self.core_hot.insert(name.clone(), date);
                    }
                }
            }
            Entry::Shaded { what, on: put } => {
                if let Some(bed) = on(what) {
                    set_latest(&mut self.shaded, bed, happened_ms, *put);
                }
            }
            Entry::Covered { what, on: put } => {
                if let Some(bed) = on(what) {
                    set_latest(&mut self.covered, bed, happened_ms, *put);
                }
            }
            Entry::Marks { bed, refill_share_used } => {
                self.refill_share_used.insert(bed.clone(), *refill_share_used);
            }
            Entry::Buried { bed, nodes } => {
                *self.buried.entry(bed.clone()).or_default().entry(date).or_insert(0) += nodes;
            }
            Entry::Away { from, to, .. } => self.absences.push(Absence { from: *from, to: *to }),
            _ => {}
        }
        let oldest = now_ms - HOURS_KEPT_MS;
        self.given.retain(|given| given.at_ms >= oldest);
        self.rain_by_eye.retain(|(at_ms, _)| *at_ms >= oldest);
        self.scouted_ms.retain(|at_ms| *at_ms >= oldest);
        self.felt.retain(|(_, at_ms, _)| *at_ms >= oldest);
        self.fed.retain(|(_, at_ms)| *at_ms >= oldest);
        let oldest_date = calendar.date(oldest);
        self.buried.values_mut().for_each(|nodes| nodes.retain(|date, _| *date >= oldest_date));
    }

    /// When a fruit of this name was pollinated.
    pub fn fruit_pollinated(&self, name: &str) -> Option<NaiveDate> {
        self.flowers.get(name)?.pollinated
    }

    /// The bed that a fruit or flower stands on: the one it was named with, else the garden's only one. A bed's
    /// own name stands for itself.
    pub fn bed_of<'g>(&self, garden: &'g Garden, what: &str) -> Option<&'g Bed> {
        let named = || self.flowers.get(what)?.bed.as_deref().and_then(|bed| garden.bed(bed));
        garden.bed(what).or_else(named).or(match garden.beds.as_slice() {
            [only] => Some(only),
            _ => None,
        })
    }

    /// A new plant stands in the bed: what the last one bore is no longer on it.
    fn plant_anew(&mut self, bed: &str, date: NaiveDate) {
        self.planted.insert(bed.to_owned(), date);
        self.cut.remove(bed);
        self.core_hot.remove(bed);
        if self.pollinated.get(bed).is_some_and(|pollinated| *pollinated < date) {
            self.pollinated.remove(bed);
        }
        self.flowers.retain(|_, flower| {
            flower.bed.as_deref() != Some(bed) || flower.last().is_none_or(|last| last >= date)
        });
        let flowers = &self.flowers;
        if self.keeper.get(bed).is_some_and(|kept| !flowers.contains_key(kept)) {
            self.keeper.remove(bed);
        }
    }

    /// Only the cutting of the keeper ends the season of a bed; where none is named, that of any fruit.
    fn take_fruit(&mut self, bed: String, fruit: &str, state: FruitState, date: NaiveDate) {
        if bed != fruit {
            self.flowers.entry(fruit.to_owned()).or_default().take_fruit(state, &bed, date);
        }
        let kept = self.keeper.get(&bed);
        match state {
            FruitState::Keeper => {
                self.keeper.insert(bed, fruit.to_owned());
            }
            FruitState::Cut if kept.is_none_or(|kept| kept == fruit || bed == fruit) => {
                self.cut.insert(bed, date);
            }
            FruitState::Culled | FruitState::Lost if kept.is_some_and(|kept| kept == fruit) => {
                self.keeper.remove(&bed);
            }
            _ => {}
        }
    }

    /// Water was given.
    pub fn give(&mut self, bed: &str, at_ms: Millis, litres: f64) {
        self.given.push(Given { bed: bed.to_owned(), at_ms, litres });
    }

    /// When leaves were last looked under, up to `now_ms`, within fifteen days.
    pub fn scouted_ms(&self, now_ms: Millis) -> Option<Millis> {
        self.scouted_ms.iter().copied().filter(|at_ms| *at_ms <= now_ms).max()
    }

    /// Litres given to a bed in `from_ms..to_ms`.
    pub fn given_litres(&self, bed: &str, from_ms: Millis, to_ms: Millis) -> f64 {
        self.given
            .iter()
            .filter(|given| given.bed == bed && (from_ms..to_ms).contains(&given.at_ms))
            .map(|given| given.litres)
            // The sum of nothing is -0.0, and would be written so.
            .fold(0.0, |sum, litres| sum + litres)
    }

    /// On how many civil days before `date`, of the last `days`, at least `litres` were given to a bed.
    pub fn days_given(&self, bed: &str, date: NaiveDate, days: u64, litres: f64, calendar: &Calendar) -> u32 {
        let given_on =
            |day: NaiveDate| self.given_litres(bed, calendar.day_start(day), calendar.day_end(day)) >= litres;
        let before = (1..=days).filter_map(|ago| date.checked_sub_days(chrono::Days::new(ago)));
        before.filter(|day| given_on(*day)).count() as u32
    }

    /// When water was last given to a bed, up to `now_ms`: a line may name a time that has not come.
    pub fn last_given_ms(&self, bed: &str, now_ms: Millis) -> Option<Millis> {
        let of_bed = self.given.iter().filter(|given| given.bed == bed && given.at_ms <= now_ms);
        of_bed.map(|given| given.at_ms).max()
    }

    /// Finger tests of a bed in `from_ms..to_ms`, as they were entered.
    pub fn felt(&self, bed: &str, from_ms: Millis, to_ms: Millis) -> impl Iterator<Item = (Millis, Feel)> {
        let within = move |at_ms: Millis| (from_ms..to_ms).contains(&at_ms);
        let of_bed = self.felt.iter().filter(move |(of, at_ms, _)| of == bed && within(*at_ms));
        of_bed.map(|(_, at_ms, feel)| (*at_ms, *feel))
    }

    /// A bed was fed within `span_ms` before an instant, or at it.
    pub fn fed_within(&self, bed: &str, at_ms: Millis, span_ms: Millis) -> bool {
        self.fed.iter().any(|(of, fed_ms)| of == bed && (0..span_ms).contains(&(at_ms - fed_ms)))
    }

    /// Rooted area on a date: the last entry up to then, else the settings', and what buried nodes have rooted
    /// since.
    pub fn rooted_m2(&self, bed: &Bed, date: NaiveDate) -> f64 {
        let entry = self.rooted.get(&bed.name).and_then(|entries| entries.range(..=date).next_back());
        let since = entry.map(|(since, _)| *since);
        let joined = self.joined.get(&bed.name).map_or(0.0, |joined| {
            joined.range(..=date).filter(|(on, _)| Some(**on) > since).map(|(_, m2)| m2).sum()
        });
        entry.map_or(bed.rooted_m2, |(_, m2)| *m2) + joined
    }

    /// From a date on a bed has so much more rooted soil from buried nodes; 0 takes it back.
    pub fn join(&mut self, bed: &str, date: NaiveDate, m2: f64) {
        if m2 > 0.0 {
            self.joined.entry(bed.to_owned()).or_default().insert(date, m2);
        } else if let Some(joined) = self.joined.get_mut(bed) {
            joined.remove(&date);
        }
    }

    /// Leafed area on a date, if it is known: between two entries on the straight line, after the last it
    /// follows `kcb`, the profile's curve, through it; before the first the settings' figure. `None` when
    /// neither the day book nor the settings know it.
    pub fn leafed_m2(&self, bed: &Bed, date: NaiveDate, kcb: impl Fn(NaiveDate) -> f64) -> Option<f64> {
        let Some(entries) = self.leafed.get(&bed.name).filter(|entries| !entries.is_empty()) else {
            return bed.leafed_m2;
        };
        let before = entries.range(..=date).next_back();
        let after = entries.range(date..).next();
        match (before, after) {
            (Some((from, m2)), Some((to, later_m2))) if to > from => {
                let share = (date - *from).num_days() as f64 / (*to - *from).num_days() as f64;
                Some(m2 + share * (later_m2 - m2))
            }
            (Some((from, m2)), _) => {
                let then = kcb(*from);
                Some(if then > 0.0 { m2 * kcb(date) / then } else { *m2 })
            }
            (None, Some((_, m2))) => Some(bed.leafed_m2.unwrap_or(*m2)),
            (None, None) => bed.leafed_m2,
        }
    }

    /// When it was set out.
    pub fn planted(&self, bed: &Bed) -> Option<NaiveDate> {
        self.planted.get(&bed.name).copied().or(bed.planted)
    }

    /// When the keeper was pollinated; where none is named, the oldest flower that took and was not lost since.
    pub fn pollinated(&self, bed: &Bed) -> Option<NaiveDate> {
        let kept = self.keeper(&bed.name).and_then(|kept| self.pollinated_of(kept));
        let oldest = || self.flowers_of(&bed.name).filter_map(|(_, flower)| flower.bears()).min();
        kept.or_else(oldest).or_else(|| self.pollinated.get(&bed.name).copied()).or(bed.pollinated)
    }

    /// The fruit that is kept on a bed.
    pub fn keeper(&self, bed: &str) -> Option<&str> {
        self.keeper.get(bed).map(String::as_str)
    }

    /// When a flower, or the flower that a fruit came from, was pollinated.
    pub fn pollinated_of(&self, flower: &str) -> Option<NaiveDate> {
        self.flowers.get(flower)?.pollinated
    }

    /// The flowers of a bed by their names, and the fruits they became.
    pub fn flowers_of(&self, bed: &str) -> impl Iterator<Item = (&str, &Flower)> {
        let of_bed = move |flower: &Flower| flower.bed.as_deref() == Some(bed);
        let named = self.flowers.iter().map(|(name, flower)| (name.as_str(), flower));
        named.filter(move |(_, flower)| of_bed(flower))
    }

    /// When the core of a bed was last felt to be hot.
    pub fn core_hot(&self, bed: &str) -> Option<NaiveDate> {
        self.core_hot.get(bed).copied()
    }

    /// When a line last showed that the plant of a bed lives.
    pub fn alive(&self, bed: &str) -> Option<NaiveDate> {
        self.alive.get(bed).copied()
    }

    /// Somebody has measured its leaves.
    pub fn is_leafed(&self, bed: &Bed) -> bool {
        bed.leafed_m2.is_some() || self.leafed.get(&bed.name).is_some_and(|entries| !entries.is_empty())
    }

    /// The fruit is cut.
    pub fn is_cut(&self, bed: &Bed, date: NaiveDate) -> bool {
        self.cut.get(&bed.name).is_some_and(|cut| *cut <= date)
    }

    /// A shade stands over the fruit.
    pub fn is_shaded(&self, bed: &Bed) -> bool {
        self.shaded.get(&bed.name).is_some_and(|(_, stands)| *stands)
    }

    /// The plant is covered by what was laid since `from_ms`: sheets come off in the morning, often without a
    /// line about it.
    pub fn is_covered(&self, bed: &Bed, from_ms: Millis) -> bool {
        self.covered.get(&bed.name).is_some_and(|(since_ms, stands)| *stands && *since_ms >= from_ms)
    }

    /// The refill mark set by hand, as share of held water used.
    pub fn refill_share_used(&self, bed: &Bed) -> Option<f64> {
        self.refill_share_used.get(&bed.name).copied()
    }

    /// The grower is away on a date.
    pub fn is_away(&self, date: NaiveDate) -> bool {
        self.absences.iter().any(|absence| (absence.from..=absence.to).contains(&date))
    }

    /// The last day of an absence that is under way on a date or begins within so many days.
    pub fn absence_near(&self, date: NaiveDate, days: i64) -> Option<NaiveDate> {
        let near = |absence: &&Absence| absence.to >= date && (absence.from - date).num_days() <= days;
        self.absences.iter().filter(near).map(|absence| absence.to).max()
    }

    /// The plant stands in the bed: not before its setting out (if that is known), not after the cutting.
    pub fn is_growing(&self, bed: &Bed, date: NaiveDate) -> bool {
        self.planted(bed).is_none_or(|planted| planted <= date) && !self.is_cut(bed, date)
    }
}
