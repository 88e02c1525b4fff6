//! What a matter's file may look at: the garden at one turn.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use agronomy::crop::{self, StageCurve};
use agronomy::water::Marks;

use crate::quantities::Quantity;
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden, Person, Probe, Role};

use super::Trust;
use super::book::{self, Balance, Book, Ground};
use super::calendar::{Calendar, HOUR_MS, MINUTE_MS, next_day};
use super::daylight;
use super::facts::Facts;
use super::foresee::Foresee;
use super::hours::Hours;
use super::marks::{self, Known};
use super::people;
use super::poured::{self, Watering};
use super::rain::{self, Gauge};
use super::sounding::{self, Measured};
use super::stage::Warmth;
use super::thirst::Outlook;
use super::watch::{Watch, weight};
use super::weather::{BothWays, Day, PatchProbes, expected_et0, shallowest};
use super::winter::Ended;

/// Days after setting out when a fruit may be about that nobody logged (set 60-70 days from seed: common
/// practice, no source).
const UNLOGGED_FRUIT_DAYS: i64 = 60;
/// Soil that reads so little may hold ice, °C: thawing ground stands near 0 for days, and a cheap thermometer
/// is half a degree off (judgement).
const FROZEN_C: f64 = 1.0;
/// So long after feeding salts make a moisture probe read wetter than the soil is (common practice, no source).
const SALTS_MS: Millis = 48 * HOUR_MS;
/// Days after setting out from which a fruit counts as exposed where no pollination is logged.
const EXPOSED_DAYS: i64 = 40;

/// One bed at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Depletion, mm over the rooted area, and its standard deviation.
    pub depletion_mm: f64,
    /// One standard deviation, mm.
    pub sd_mm: f64,
    /// The same without the error of a mark from a table, which no probe would lessen, mm.
    pub book_sd_mm: f64,
    /// The marks.
    pub marks: Marks,
    /// Use of a usual day, mm over the rooted area.
    pub use_mm: f64,
    /// Use of a hot day, mm.
    pub use_hot_mm: f64,
    /// Use of the day that most of what is still to come falls in, mm: as expected, and if it is a hot one.
    pub coming_mm: (f64, f64),
    /// Rooted m².
    pub rooted_m2: f64,
    /// How many trusted moisture probes spoke.
    pub probes: usize,
    /// The probe that stands for its depth because its siblings disagree.
    pub drier_probe: Option<String>,
    /// Begun from a soaking and not yet corrected by a probe.
    pub rough: bool,
    /// Closed days in a row past the refill mark.
    pub dry_days: u32,
    /// The same of a spell that ended, or was being ended, within the last two days.
    pub spell_days: u32,
    /// Rain of the last 24 h, mm; `None` without a gauge and with nobody looking.
    pub rain_24h_mm: Option<f64>,
    /// Every probe has read above the full mark for so many hours, if for 24 or more.
    pub over_full_hours: Option<f64>,
}

impl Estimate {
    /// Share of the held water used, 0 at the full mark, 1 at the wilt mark.
    pub fn share_used(&self) -> f64 {
        (self.depletion_mm / self.marks.taw_mm).clamp(0.0, 1.0)
    }
}

/// The garden at one turn.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// Settings, with the marks that count.
    pub garden: &'a Garden,
    /// What counts for each probe.
    pub known: &'a [Known],
    /// What is remembered of the marks.
    pub marks: &'a marks::Marks,
    /// Civil time.
    pub calendar: &'a Calendar,
    /// Hourly sums.
    pub hours: &'a Hours,
    /// Day-book facts.
    pub facts: &'a Facts,
    /// Waterings of late.
    pub poured: &'a [Watering],
    /// Trust of each probe.
    pub trusts: &'a [Trust],
    /// What is remembered of each probe.
    pub watches: &'a [Watch],
    /// What is remembered of each gauge.
    pub gauges: &'a [Gauge],
    /// Closed days, oldest first.
    pub days: &'a [Day],
    /// Forecasts.
    pub foresee: &'a Foresee,
    /// Beds whose plant can no longer be alive; asked through [`Scene::ended`].
    pub ended: &'a BTreeMap<String, Ended>,
    /// The season's warmth, by bed and crop.
    pub warmths: &'a BTreeMap<String, Warmth>,
    /// Probes of the patch.
    pub patch: &'a PatchProbes,
    /// Days whose ET0 could be had both ways.
    pub both_ways: &'a BothWays,
    /// Since when messages could come: the record began, the box was started, the broker came back.
    pub listening_ms: Millis,
    /// The turn.
    pub now_ms: Millis,
}

impl<'a> Scene<'a> {
    /// The civil date.
    pub fn date(&self) -> NaiveDate {
        self.calendar.date(self.now_ms)
    }

    /// The grower.
    pub fn grower(&self) -> Option<&'a Person> {
        self.garden.person(Role::Grower).or_else(|| self.garden.people.first())
    }

    /// Who is asked today.
    pub fn asked(&self) -> Option<&'a Person> {
        self.asked_on(self.date())
    }

    /// Who is asked for work on a date.
    pub fn asked_on(&self, date: NaiveDate) -> Option<&'a Person> {
        people::asked(self.garden, self.facts, date)
    }

    /// It is in the quiet hours.
    pub fn is_quiet(&self) -> bool {
        self.calendar.within(self.garden.quiet, self.now_ms)
    }

    /// The last closed day.
    pub fn yesterday(&self) -> Option<&'a Day> {
        self.days.last()
    }

    /// A probe of the same bed and kind as `probe`, other than it, has moved by `amount` since.
    pub fn others_moved(&self, ix: usize, probe: &Probe, since_ms: Millis, amount: f64) -> bool {
        self.garden.probes.iter().enumerate().any(|(at, other)| {
            at != ix
                && other.quantity == probe.quantity
                && other.bed == probe.bed
                && self
                    .hours
                    .extremes(at, since_ms, self.now_ms)
                    .is_some_and(|(low, high)| high - low >= amount)
        })
    }

    /// The sun is down, or has not yet been up for as long as a probe may be silent: a sun sensor that sends
    /// nothing in the dark is not missing.
    pub fn dark_within(&self, patience_ms: Millis) -> bool {
        let (rise, set) = daylight::sun_up(self.garden.place, self.date(), self.calendar);
        self.now_ms < rise + patience_ms || self.now_ms > set
    }

    /// The value of a probe now, if it spoke within 95 minutes.
    pub fn value_now(&self, probe: usize) -> Option<f64> {
        let (at_ms, value) = self.hours.last(probe, self.now_ms - 3 * HOUR_MS, self.now_ms + 1)?;
        (self.now_ms - at_ms <= 95 * MINUTE_MS).then_some(value)
    }

    /// The fruit is in the time when uneven water splits it. Where neither date is known it may be.
    pub fn split_time(&self, bed: &Bed) -> bool {
        let date = self.date();
        if self.facts.is_cut(bed, date) {
            return false;
        }
        match (self.facts.pollinated(bed), self.facts.planted(bed)) {
            (Some(pollinated), _) => (date - pollinated).num_days() >= i64::from(bed.crop.split_from_days),
            (None, Some(planted)) => (date - planted).num_days() >= UNLOGGED_FRUIT_DAYS,
            (None, None) => true,
        }
    }

    /// A fruit stands exposed: from pollination, or 40 days after setting out if none is logged, until the day
    /// book says shaded or cut.
    pub fn fruit_exposed(&self, bed: &Bed) -> bool {
        !self.facts.is_shaded(bed) && self.has_fruit(bed)
    }

    /// A fruit is about: from pollination, or 40 days after setting out if none is logged, until it is cut.
    pub fn has_fruit(&self, bed: &Bed) -> bool {
        let date = self.date();
        if !self.facts.is_growing(bed, date) {
            return false;
        }
        match (self.facts.pollinated(bed), self.facts.planted(bed)) {
            (Some(pollinated), _) => pollinated <= date,
            (None, Some(planted)) => (date - planted).num_days() >= EXPOSED_DAYS,
            (None, None) => true,
        }
    }

    /// Basal crop coefficient of the stage curve, at the stage the plant was found in on a date; mid-season where no
    /// setting out is known (the thirstiest guess).
    pub fn kcb(&self, bed: &Bed, date: NaiveDate) -> f64 {
        let [kcb_ini, kcb_mid, kcb_end] = bed.crop.kcb;
        let curve = StageCurve { stage_days: bed.crop.course.stage_days, kcb_ini, kcb_mid, kcb_end };
        self.table_day(bed, date).map_or(kcb_mid, |day| curve.kcb(day + 1.0).unwrap_or(kcb_mid))
    }

    /// What the balance needs to know of a bed on a date.
    pub fn ground(&self, bed: &Bed, date: NaiveDate) -> Ground {
        let (wind_m_s, rh_min_pct) = self.recent_air();
        let height_m = bed.crop.height_m;
        let kcb_mid = bed.crop.kcb[1];
        let kcb_full = crop::climate_adjusted(kcb_mid, wind_m_s, rh_min_pct, height_m).unwrap_or(kcb_mid);
        let rooted_m2 = self.facts.rooted_m2(bed, date);
        let curve = self.kcb(bed, date);
        let known = self.facts.leafed_m2(bed, date, |on| self.kcb(bed, on));
        let leafed_m2 = known.unwrap_or(rooted_m2 * curve / kcb_mid.max(0.01));
        let kc_max = crop::kc_max(curve, wind_m_s, rh_min_pct, height_m).unwrap_or(1.2);
        let exposed_m2 = match known {
            Some(leafed_m2) => (rooted_m2 - leafed_m2).max(0.0),
            None => {
                let cover = crop::cover(curve, kc_max, height_m).unwrap_or(0.5);
                rooted_m2 * (1.0 - cover)
            }
        };
        let refill_share = self.refill_share(bed);
        Ground {
            rooted_m2,
            leafed_m2,
            exposed_m2: exposed_m2.clamp(0.0, rooted_m2),
            kcb_full,
            kc_max,
            refill_share,
            leaves_guessed: known.is_none(),
            usual_share: self.usual_share(date),
        }
    }

    /// The refill mark as a share of the stress mark; a mark set by hand is given as share of held water used
    /// and never stands drier than stress.
    fn refill_share(&self, bed: &Bed) -> f64 {
        match self.facts.refill_share_used(bed) {
            Some(used) => (used / bed.crop.depletion_share).clamp(0.05, 1.0),
            None => bed.refill_share,
        }
    }

    /// Mean wind at 2 m and lowest humidity of the last ten days; FAO's 2 m/s and 45 % where not measured.
    fn recent_air(&self) -> (f64, f64) {
        let last = &self.days[self.days.len().saturating_sub(10)..];
        let mean = |values: Vec<f64>, usual: f64| {
            if values.is_empty() { usual } else { values.iter().sum::<f64>() / values.len() as f64 }
        };
        let height_m = self.garden.place.wind_height_m;
        let at_2m = |wind| agronomy::evapotranspiration::wind_at_2m(wind, height_m).ok();
        let wind = last.iter().filter_map(|day| day.wind_mean_m_s).filter_map(at_2m).collect();
        let humidity = last.iter().filter_map(|day| day.rh_min_pct).collect();
        (mean(wind, 2.0).clamp(1.0, 6.0), mean(humidity, 45.0).clamp(20.0, 80.0))
    }

    /// What is believed of a bed now; `None` until its book has begun.
    pub fn estimate(&self, bed: &Bed, bed_book: &Book) -> Option<Estimate> {
        let date = self.date();
        let (_, midnight) = bed_book.midnights.range(..=date).next_back()?;
        let ground = self.ground(bed, date);
        let tonight = self.tonight(date);
        let days: Vec<&Day> = self.days.iter().chain(&tonight).collect();
        let (et0_mm, et0_hot_mm) = expected_et0(&days, self.garden.place, date);
        let Outlook { today_mm, today_sd_mm, coming_mm, coming_hot_mm } =
            self.outlook(date, tonight.as_ref(), et0_mm, et0_hot_mm);
        let et0_hot_mm = et0_hot_mm.max(today_mm);
        let passed = daylight::demand_days(self.garden.place, self.calendar, midnight.at_ms, self.now_ms);
        let inflow = self.inflow(bed, &ground, midnight.at_ms, self.now_ms);
        let use_of = |et0: f64| self.daily_use(bed, &ground, midnight, et0).unwrap_or(0.0);
        // What the probes say is a mean of hours, and speaks of its middle.
        let since = daylight::demand_days(
            self.garden.place,
            self.calendar,
            self.now_ms - sounding::NOW_HOURS * HOUR_MS / 2,
            self.now_ms,
        );
        let measured = self.measure(bed, self.now_ms).map(|measured| Measured {
            depletion_mm: measured.depletion_mm + use_of(today_mm) * since,
            ..measured
        });
        let span_days = ((self.now_ms - midnight.at_ms) as f64 / (24.0 * HOUR_MS as f64)).max(1e-3);
        // The share of the day's demand is not the share of its hours; the drain goes by hours.
        let demand = book::Demand { et0_mm: today_mm * passed, sd_mm: today_sd_mm * passed };
        let part = Part { demand, et0_day_mm: et0_mm, days: span_days };
        let mut now = self.carry(bed, &ground, midnight, part, inflow, measured.as_ref())?;
        self.feel(bed, &ground, midnight.at_ms, self.now_ms + 1, &mut now);
        let (use_mm, use_hot_mm) = (use_of(et0_mm), use_of(et0_hot_mm));
        Some(Estimate {
            depletion_mm: now.end.depletion_mm,
            sd_mm: now.sd_mm,
            book_sd_mm: now.end.p[0][0].max(0.0).sqrt(),
            marks: book::marks(bed, &ground, midnight.leaf_share(&ground) * et0_mm)?,
            use_mm,
            use_hot_mm,
            coming_mm: (use_of(coming_mm), use_of(coming_hot_mm)),
            rooted_m2: ground.rooted_m2,
            probes: measured.as_ref().map_or(0, |measured| measured.probes),
            drier_probe: measured.and_then(|measured| measured.drier_probe),
            rough: now.end.rough,
            dry_days: self.dry_days(bed_book, midnight),
            rain_24h_mm: self.rain_mm(self.now_ms - 24 * HOUR_MS, self.now_ms),
            spell_days: bed_book
                .midnights
                .range(date - chrono::Days::new(2)..=date)
                .map(|(_, balance)| balance.dry_days)
                .max()
                .unwrap_or(0),
            over_full_hours: self.over_full_hours(bed),
        })
    }

    /// Closed days in a row past the refill mark, up to a day ago: rain that has ended a dry spell since still
    /// came after it.
    fn dry_days(&self, bed_book: &Book, midnight: &Balance) -> u32 {
        let day_ago = self.calendar.date(self.now_ms - 24 * HOUR_MS);
        let before = bed_book.midnights.get(&day_ago).map_or(0, |balance| balance.dry_days);
        midnight.dry_days.max(before)
    }

    fn carry(
        &self,
        bed: &Bed,
        ground: &Ground,
        from: &Balance,
        part: Part,
        inflow: book::Inflow,
        measured: Option<&Measured>,
    ) -> Option<book::ClosedDay> {
        let mut closed = book::advance(bed, ground, from, part.demand, part.days, inflow, measured)?;
        closed.marks = book::marks(bed, ground, from.leaf_share(ground) * part.et0_day_mm)?;
        Some(closed)
    }

    /// Use of a whole day without stress at this ET0, with the learned bias, mm over the rooted area.
    fn daily_use(&self, bed: &Bed, ground: &Ground, from: &Balance, et0_mm: f64) -> Option<f64> {
        let full = Balance { depletion_mm: 0.0, full: None, ..*from };
        let demand = book::Demand { et0_mm, sd_mm: 0.0 };
        let day = book::advance(bed, ground, &full, demand, 1.0, book::Inflow::default(), None)?;
        Some(day.out.etc_mm * from.bias)
    }

    /// Rain and given water of a bed in a span.
    pub fn inflow(&self, bed: &Bed, ground: &Ground, from_ms: Millis, to_ms: Millis) -> book::Inflow {
        let logged = self.facts.given_litres(&bed.name, from_ms, to_ms);
        let recognised = poured::recognised_litres(self.poured, &bed.name, from_ms, to_ms);
        let rain_mm = self.rain_mm(from_ms, to_ms).unwrap_or(0.0);
        book::Inflow::of(rain_mm, logged, recognised, ground.rooted_m2)
    }

    /// What the trusted moisture probes of a bed say at an instant.
    pub fn measure(&self, bed: &Bed, at_ms: Millis) -> Option<Measured> {
        if self.frozen(bed, at_ms) {
            return None;
        }
        let counts = |probe: usize| match self.believed(probe, at_ms) {
            Trust::Condemned => false,
            Trust::Doubtful => !self.stood_in_for(probe, at_ms),
            Trust::Good | Trust::Missing => true,
        };
        let swing = |probe: usize, from_ms, to_ms| self.swing(probe, from_ms, to_ms);
        let mut measured = sounding::measure(self.garden, bed, self.hours, at_ms, self.known, counts, swing)?;
        measured.sd_mm *= self.doubt_factor(bed, at_ms, counts);
        Some(measured)
    }

    /// How far what a probe says of an instant is believed: `Good`, `Doubtful` or `Condemned`. Of a missing probe
    /// what it said in time still counts, and what it delivers late; of a condemned one what it said before.
    pub fn believed(&self, probe: usize, at_ms: Millis) -> Trust {
        let spoken = self.watches.get(probe).and_then(|watch| watch.belief.at(at_ms));
        let trust = spoken.map_or(Trust::Good, |span| span.trust);
        if weight(trust) < weight(Trust::Doubtful) && self.salted(probe, at_ms) {
            return Trust::Doubtful;
        }
        trust
    }

    /// The bed of a moisture probe was fed within two days: a rise then is no sign of water.
    pub fn salted(&self, probe: usize, at_ms: Millis) -> bool {
        let settings = self
            .garden
            .probes
            .get(probe)
            .filter(|probe| matches!(probe.quantity, Quantity::SoilMoisture | Quantity::SoilCounts));
        settings
            .and_then(|probe| probe.bed.as_deref())
            .is_some_and(|bed| self.facts.fed_within(bed, at_ms, SALTS_MS))
    }

    /// The soil was frozen within the last day, or stood so near to it that it may have been: ice is not seen by
    /// a moisture probe, which then reads far too dry (flag D01 of the International Soil Moisture Network,
    /// Dorigo et al. 2013: soil under 0 °C).
    pub fn frozen(&self, bed: &Bed, at_ms: Millis) -> bool {
        let trusted = |probe: &usize| self.believed(*probe, at_ms) != Trust::Condemned;
        shallowest(self.garden, Some(&bed.name))
            .filter(trusted)
            .and_then(|probe| self.hours.extremes(probe, at_ms - 24 * HOUR_MS, at_ms + 1))
            .is_some_and(|(lowest_c, _)| lowest_c <= FROZEN_C)
    }

    /// Corrects what is believed at `to_ms` by what was felt since `from_ms`.
    pub fn feel(
        &self,
        bed: &Bed,
        ground: &Ground,
        from_ms: Millis,
        to_ms: Millis,
        end: &mut book::ClosedDay,
    ) {
        for (felt_ms, feel) in self.facts.felt(&bed.name, from_ms, to_ms) {
            let since = self.inflow(bed, ground, felt_ms, to_ms);
            marks::feel::correct(end, feel, since.rain_mm + since.given_mm, book::drainable_mm(bed));
        }
    }

    /// By how much warmth moves the reading of a probe over a span, against the small hours before it, m³/m³.
    fn swing(&self, ix: usize, from_ms: Millis, to_ms: Millis) -> f64 {
        let swing_per_c = self.marks.probes.get(ix).and_then(|p| p.swing_per_c(self.calendar.date(to_ms)));
        let warmer = || {
            let (thermometer, late_ms) = marks::thermometer(self.garden, ix)?;
            let (dawn_ms, day_ms) = marks::dawn(self, to_ms);
            let mean_c = |from_ms, to_ms| self.hours.mean(thermometer, from_ms - late_ms, to_ms - late_ms);
            Some(mean_c(from_ms, to_ms)? - mean_c(dawn_ms, day_ms)?)
        };
        swing_per_c.and_then(|per_c| Some(per_c * warmer()?)).unwrap_or(0.0)
    }

    /// Depletion of an estimate carried to a later time at a daily use, mm, without rain.
    pub fn carried(&self, estimate: &Estimate, use_mm: f64, to_ms: Millis) -> f64 {
        let days = daylight::demand_days(self.garden.place, self.calendar, self.now_ms, to_ms);
        (estimate.depletion_mm.max(0.0) + use_mm * days).min(estimate.marks.taw_mm)
    }

    /// Rain of the hours that start in `from_ms..to_ms`, mm, by gauge and eye; `None` without either.
    pub fn rain_mm(&self, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        rain::fallen_mm(self.hours, self.patch.rain, &self.facts.rain_by_eye, from_ms, to_ms)
    }

    /// Rain since an instant, mm; `None` without a gauge and with nobody looking.
    pub fn rain_since(&self, from_ms: Millis) -> Option<f64> {
        self.rain_mm(from_ms, self.now_ms + 1)
    }

    /// Air and dew point two hours after sunset of an evening, if that hour has come.
    pub fn dusk(&self, evening: NaiveDate) -> Option<(f64, Option<f64>)> {
        self.foresee.dusk.filter(|(date, ..)| *date == evening).map(|(_, air_c, dew_c)| (air_c, dew_c))
    }

    /// When the depletion passes a mark at a daily use; `None` if not within thirty days.
    pub fn passes(&self, estimate: &Estimate, use_mm: f64, mark_mm: f64) -> Option<Millis> {
        (0..30 * 24)
            .map(|hour| self.now_ms + hour * HOUR_MS)
            .find(|at_ms| self.carried(estimate, use_mm, *at_ms) >= mark_mm)
    }

    /// Sunset of a date.
    pub fn sunset(&self, date: NaiveDate) -> Millis {
        daylight::sun_up(self.garden.place, date, self.calendar).1
    }

    /// Sunrise of the date after.
    pub fn sunrise_after(&self, date: NaiveDate) -> Millis {
        daylight::sun_up(self.garden.place, next_day(date), self.calendar).0
    }
}

/// A part of a day: the demand that fell in it, that of the whole day, and how long it was.
#[derive(Debug, Clone, Copy)]
struct Part {
    demand: book::Demand,
    et0_day_mm: f64,
    days: f64,
}
