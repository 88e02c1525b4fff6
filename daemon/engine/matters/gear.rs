//! Gear: a probe is silent, stands still, reads what cannot be or cannot be read; the broker is away.
//!
//! Rules: silent after three usual gaps (one hour at least, a day at most); stuck when the very same value
//! stands so long that soil or air would have moved; three impossible or unreadable messages within a day; a node
//! that floods, until it has kept its bounds for an hour; a
//! gauge that soil or eye contradict (`gauge.rs`); and what the hours and weeks say of a moisture probe
//! (`watch/hourly.rs`, `watch/creeping.rs`).
//! The times are the project's judgement.

use crate::quantities::Quantity;
use crate::record::{Content, Fault, Millis, Rule, Urgency};
use crate::settings::garden::Probe;

use super::super::calendar::{HOUR_MS, MINUTE_MS};
use super::super::life::{Claim, Verdict};
use super::super::people;
use super::super::watch::{Span, Watch};
use super::super::{TURN_MS, Trust, scene::Scene};

const DAY_MS: Millis = 24 * HOUR_MS;
/// Faults that begin together (a node, a power cut) are told together.
const GATHER_MS: Millis = 20 * MINUTE_MS;
/// So many bad messages within a day are a fault and not a mishap.
const BAD_A_DAY: usize = 3;
/// Stuck: temperature moves every day, even at 40 cm within two days.
const STUCK_MS: Millis = 44 * HOUR_MS;
/// A run of one value must be so many times the probe's usual run: a deep probe of coarse digits may rest for
/// days in a dry August, a lively one never does (judgement, held against a measured season).
const RUNS_TOO_LONG: f64 = 15.0;
/// A moisture probe is stuck if another in the bed has moved by so much meanwhile, m³/m³.
const SIBLING_MOVED: f64 = 0.02;
/// Or, where nothing else tells, if it used to show another value almost each time.
const LIVELY_RUN: f64 = 1.5;

/// Nothing has come for so long that it is to be named: with the time that faults are gathered for, three
/// usual gaps after the last word, or as soon as the broker says that its node is gone. While nothing could come (box off, broker away) no time passes for it.
pub fn is_silent(scene: &Scene<'_>, probe: &Probe, watch: &Watch) -> bool {
    let heard_ms = watch.heard_ms.or(watch.touched_ms).unwrap_or(scene.listening_ms);
    let patience_ms = watch.patience_ms(probe.every_s, probe.quantity);
    watch.gone_ms.is_some()
        || scene.now_ms - heard_ms.max(scene.listening_ms) > patience_ms - GATHER_MS - TURN_MS
}

/// What was found of a probe: how far it is believed, by which rule, since when.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// How far it is believed now.
    pub trust: Trust,
    /// Which rule speaks against it; `None` when it is good.
    pub rule: Option<Rule>,
    /// Since when.
    pub since_ms: Millis,
    /// What is told of it, if that is worth telling.
    pub fault: Option<Fault>,
    /// The probe that speaks against it.
    pub other: Option<String>,
}

impl Found {
    fn of(trust: Trust, rule: Rule, since_ms: Millis, fault: Fault) -> Self {
        Self { trust, rule: Some(rule), since_ms, fault: Some(fault), other: None }
    }

    /// In one line, for pages; empty when it is good.
    pub fn why(&self, scene: &Scene<'_>) -> String {
        match (&self.fault, self.rule) {
            (Some(fault), _) => why(fault, scene),
            (None, Some(rule)) => {
                let other = self.other.as_ref().map(|other| format!(" ({other})")).unwrap_or_default();
                rule.words().to_owned() + &other
            }
            (None, None) => String::new(),
        }
    }
}

/// What is wrong with a probe now, if anything, and how far it is believed.
pub fn diagnose(scene: &Scene<'_>, ix: usize, probe: &Probe, watch: &Watch) -> Found {
    let now_ms = scene.now_ms;
    let usual_s = watch.usual_gap_s(probe.every_s, probe.quantity);
    let excused = || {
        let patience_ms = watch.patience_ms(probe.every_s, probe.quantity);
        probe.quantity == Quantity::SolarRadiation && scene.dark_within(patience_ms)
    };
    if is_silent(scene, probe, watch) && !excused() {
        let fault = Fault::Silent { last_ms: watch.heard_ms, usual_s, gone: watch.gone_ms.is_some() };
        return Found::of(Trust::Missing, Rule::Silent, watch.heard_ms.unwrap_or(scene.listening_ms), fault);
    }
    if let Some((since_ms, _, count)) = watch.flood_at(now_ms) {
        return Found::of(Trust::Doubtful, Rule::Floods, since_ms, Fault::Floods { count });
    }
    let day_ago = now_ms - DAY_MS;
    let good_since = |since: Millis| watch.last.is_some_and(|(at_ms, _)| at_ms > since);
    let unreadable = watch.unreadable_since(day_ago);
    if let Some(last_ms) =
        watch.unreadable.back().filter(|last| unreadable >= BAD_A_DAY && !good_since(**last))
    {
        let count = u32::try_from(unreadable).unwrap_or(u32::MAX);
        let fault = Fault::Unreadable { count, words: watch.unreadable_why.clone() };
        return Found::of(Trust::Missing, Rule::Unreadable, *last_ms, fault);
    }
    let impossible = watch.doubted_since(day_ago);
    if impossible >= BAD_A_DAY {
        let count = u32::try_from(impossible).unwrap_or(u32::MAX);
        let value = watch.doubted.back().map_or(f64::NAN, |(_, value)| *value);
        let since_ms =
            watch.doubted.iter().find(|(at_ms, _)| *at_ms >= day_ago).map_or(now_ms, |(at_ms, _)| *at_ms);
        let trust = if good_since(now_ms - 2 * HOUR_MS) { Trust::Doubtful } else { Trust::Condemned };
        return Found::of(trust, Rule::Impossible, since_ms, Fault::Impossible { count, value });
    }
    if let Some((since_ms, fault)) = stuck(scene, ix, probe, watch) {
        return Found::of(Trust::Condemned, Rule::Stuck, since_ms, fault);
    }
    if let Some(found) = scene.gauges.get(ix).and_then(|gauge| gauge.found.as_ref()) {
        return Found::of(Trust::Doubtful, Rule::Contradicted, found.since_ms, found.fault.clone());
    }
    if let Some(span) = watch.belief.by_hours(now_ms) {
        return by_span(watch, span);
    }
    if scene.salted(ix, now_ms) {
        return Found {
            trust: Trust::Doubtful,
            rule: Some(Rule::Fed),
            since_ms: now_ms,
            fault: None,
            other: None,
        };
    }
    Found { trust: Trust::Good, rule: None, since_ms: now_ms, fault: None, other: None }
}

/// What a rule of the soil says. A rise that may be water nobody logged, and probes that merely disagree (normal in
/// compost: common practice, no source), stand on the page and are told to nobody.
fn by_span(watch: &Watch, span: &Span) -> Found {
    let (trust, rule) = (span.trust, span.rule);
    let told = match rule {
        // A little creep may be the soil settling: a third of made seasons had one in a sound probe.
        Rule::RiseWithoutWater | Rule::AboveSaturation | Rule::CreepsWet => trust == Trust::Condemned,
        Rule::SuddenFall => true,
        _ => false,
    };
    let since_ms = match (rule, watch.notes.levels.first()) {
        (Rule::CreepsWet, Some((at_ms, _))) => *at_ms,
        _ => span.from_ms,
    };
    let fault = Fault::Distrusted { rule, since_ms, before: span.before, now: span.before + span.by };
    Found { trust, rule: Some(rule), since_ms, fault: told.then_some(fault), other: span.other.clone() }
}

fn stuck(scene: &Scene<'_>, ix: usize, probe: &Probe, watch: &Watch) -> Option<(Millis, Fault)> {
    let (since_ms, n) = watch.same?;
    let (last_ms, value) = watch.last?;
    let stood_ms = last_ms - since_ms;
    if stood_ms < STUCK_MS || f64::from(n) < RUNS_TOO_LONG * watch.usual_run() {
        return None;
    }
    let moved = match probe.quantity {
        Quantity::SoilTemperature | Quantity::AirTemperature => {
            // Under snow, or at depth in a still week, the last digit may rest: someone else must have moved.
            scene.others_moved(ix, probe, since_ms, 2.0)
        }
        Quantity::AirHumidity => value < 99.0,
        Quantity::SoilMoisture => {
            watch.usual_run() <= LIVELY_RUN || scene.others_moved(ix, probe, since_ms, SIBLING_MOVED)
        }
        _ => false,
    };
    let hours = u32::try_from(stood_ms / HOUR_MS).unwrap_or(u32::MAX);
    moved.then_some((since_ms, Fault::Stuck { value, hours }))
}

/// The verdict on one probe; `told_ms` is when its faults were last told of.
pub fn judge(scene: &Scene<'_>, fault: Option<Fault>, told_ms: Option<Millis>) -> Verdict {
    let Some(fault) = fault else {
        return Verdict::Quiet { why: "it reads well again".to_owned(), withdraw: false };
    };
    let hold_ms = match fault {
        Fault::BrokerAway { .. } => HOUR_MS,
        Fault::Silent { .. } | Fault::Unreadable { .. } => GATHER_MS,
        // It may come back by itself; meanwhile it is used for nothing.
        Fault::Distrusted { rule: Rule::SuddenFall | Rule::AboveSaturation, .. } => 3 * HOUR_MS,
        _ => 0,
    };
    claim(scene, fault, hold_ms, told_ms)
}

/// A claim for the grower, told outside the quiet hours, and at most once a day of a probe that comes and
/// goes.
fn claim(scene: &Scene<'_>, fault: Fault, hold_ms: Millis, told_ms: Option<Millis>) -> Verdict {
    let earliest_ms = told_ms.map_or(scene.now_ms, |told_ms| scene.now_ms.max(told_ms + DAY_MS));
    let Some(person) = scene.grower() else { return Verdict::Unknown };
    // A few millimetres too many are no letter, and a battery is told of once.
    let note = matches!(fault, Fault::WettedNothing { .. } | Fault::BatteryLow { told: true, .. });
    let once = matches!(fault, Fault::BatteryLow { .. });
    Verdict::Claim(Box::new(Claim {
        why: why(&fault, scene),
        urgency: if note { Urgency::Note } else { Urgency::Gear },
        by_ms: None,
        litres: None,
        content: if note { None } else { Some(Content::Gear { fault }) },
        step: 0,
        hold_ms,
        tell_ms: people::out_of_quiet(scene.garden, scene.calendar, earliest_ms),
        repeat_after_ms: if once { Millis::MAX / 4 } else { 3 * DAY_MS },
        person: person.name.clone(),
    }))
}

/// A fault in one line, for pages and records.
pub fn why(fault: &Fault, scene: &Scene<'_>) -> String {
    match fault {
        Fault::Silent { gone: true, .. } => "the broker says that its node is gone".to_owned(),
        Fault::Silent { last_ms: Some(last_ms), usual_s, .. } => {
            let hours = (scene.now_ms - last_ms) as f64 / HOUR_MS as f64;
            format!(
                "nothing for {hours:.1} h; it usually reports every {:.0} min",
                f64::from(*usual_s) / 60.0
            )
        }
        Fault::Silent { last_ms: None, .. } => "nothing has ever come".to_owned(),
        Fault::Stuck { value, hours } => format!("the very same {value} for {hours} h while others moved"),
        Fault::Impossible { count, value } => format!("{count} impossible values in 24 h, the last {value}"),
        Fault::Unreadable { count, words } => format!("{count} messages in 24 h cannot be read: {words}"),
        Fault::Floods { count } => format!("its node sends without pause: {count} more than can be kept"),
        Fault::Clogged { times, or_watered } => {
            let or = if *or_watered { ", or water was given that nobody logged" } else { "" };
            format!("the soil was wetted as by rain {times} times while it showed none{or}")
        }
        Fault::BatteryLow { level, days, before, .. } => {
            let before =
                before.map(|last| format!(", before the absence to {last} is over")).unwrap_or_default();
            format!(
                "its battery stands at {level:.2}; at its slope it lasts about {days} days, a guess{before}"
            )
        }
        Fault::ReadsShort { gauge_mm, eye_mm } => {
            format!("it showed {gauge_mm:.1} of {eye_mm:.1} mm read by eye")
        }
        Fault::WettedNothing { times, mm } => {
            format!(
                "{times} showers in a row, {mm:.0} mm, wetted no probe; a knock, or a sprinkler that reaches it?"
            )
        }
        Fault::Distrusted { rule, before, now, .. } => {
            format!("{}: {before:.3} to {now:.3} m3/m3", rule.words())
        }
        Fault::BrokerAway { words, .. } | Fault::MailRefused { words } | Fault::StoreFails { words } => {
            words.clone()
        }
        Fault::Board { fault } => fault.words(),
    }
}
