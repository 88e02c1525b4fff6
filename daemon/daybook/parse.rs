//! From a line of words to an entry, or to a complaint that says what was understood and what was not.

use std::fmt;

use chrono::{NaiveDate, NaiveTime};

use crate::quantities::Quantity;
use crate::settings::garden::Garden;

use super::amounts::Measure;
use super::line::Line;
use super::{Entry, Feel, FlowerState, FruitState, ProbeChange, VineWork};

/// Longest line, bytes.
const LONGEST: usize = 4000;

/// Bounds of what happens at once; beyond them the writer is asked (judgement, wide enough for the
/// largest fruit known).
const WATER_L: (f64, f64) = (0.01, 3000.0);
const RAIN_MM: (f64, f64) = (0.0, 500.0);
const TAPE_CM: (f64, f64) = (0.1, 1000.0);
const WEIGHT_KG: (f64, f64) = (0.001, 2000.0);
const AREA_M2: (f64, f64) = (0.001, 1000.0);
const REFILL_PCT: (f64, f64) = (5.0, 80.0);

/// The verbs of the day book.
pub const VERBS: [&str; 29] = [
    "watered",
    "rain",
    "tape",
    "flower",
    "fruit",
    "weighed",
    "buried",
    "leafed",
    "rooted",
    "fed",
    "scouted",
    "shaded",
    "unshaded",
    "covered",
    "uncovered",
    "probe",
    "felt",
    "marks",
    "accept",
    "away",
    "done",
    "later",
    "not needed",
    "planted",
    "mound core hot",
    "pruned",
    "pinned",
    "sprayed",
    "note",
];

/// Words that stand for states and can't be names.
pub(super) const STATE_WORDS: [&str; 19] = [
    "bud",
    "open",
    "tomorrow",
    "pollinated",
    "by",
    "hand",
    "set",
    "lost",
    "keeper",
    "spare",
    "culled",
    "cut",
    "around",
    "stem",
    "side",
    "length",
    "nodes",
    "to",
    "on",
];

/// Why a line can't be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ParseError {
    /// What was understood, in words.
    pub understood: String,
    /// What was not, and what would be.
    pub wrong: String,
}

impl fmt::Display for ParseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.understood.as_str() {
            "" => f.write_str(&self.wrong),
            understood => write!(f, "understood: {understood}; but {}", self.wrong),
        }
    }
}

impl std::error::Error for ParseError {}

/// Reads one line: the verb first, the rest in any order. Beds and probes are checked against the garden;
/// fruits and flowers are not known to it.
pub fn parse(words: &str, garden: &Garden) -> Result<Entry, ParseError> {
    let words = words.trim();
    if words.len() > LONGEST {
        return Err(unread(format!("{} bytes in one line; at most {LONGEST}", words.len())));
    }
    let (verb, rest) = verb(words)?;
    let mut line = Line::new(verb, rest, garden);
    let entry = match verb {
        "note" => return note(rest),
        "watered" => watered(&mut line),
        "rain" => line.amount(&Measure::rain(), RAIN_MM).map(|depth_mm| Entry::Rain { depth_mm }),
        "tape" => tape(&mut line),
        "flower" => flower(&mut line),
        "fruit" => fruit(&mut line),
        "weighed" => weighed(&mut line),
        "buried" => buried(&mut line),
        "leafed" => area(&mut line).map(|(bed, area_m2)| Entry::Leafed { bed, area_m2 }),
        "rooted" => area(&mut line).map(|(bed, area_m2)| Entry::Rooted { bed, area_m2 }),
        "fed" => fed(&mut line),
        "scouted" => scouted(&mut line),
        "shaded" | "unshaded" => {
            fruit_or_bed(&mut line).map(|what| Entry::Shaded { what, on: verb == "shaded" })
        }
        "covered" | "uncovered" => {
            fruit_or_bed(&mut line).map(|what| Entry::Covered { what, on: verb == "covered" })
        }
        "probe" => probe(&mut line),
        "felt" => felt(&mut line),
        "marks" => marks(&mut line),
        "accept" => number(&mut line, "the proposal").map(|number| Entry::Accept { number }),
        "away" => away(&mut line),
        "done" => number(&mut line, "the task").map(|task| Entry::Done { task }),
        "later" => later(&mut line),
        "not needed" => number(&mut line, "the task").map(|task| Entry::NotNeeded { task }),
        "planted" => line.bed().map(|bed| Entry::Planted { bed }),
        "mound core hot" => Ok(Entry::CoreHot { bed: line.bed_if_named() }),
        "pruned" => line.bed().map(|bed| Entry::VineWork { bed, what: VineWork::Pruned }),
        "pinned" => line.bed().map(|bed| Entry::VineWork { bed, what: VineWork::Pinned }),
        _ => sprayed(&mut line),
    }?;
    line.end()?;
    Ok(entry)
}

fn unread(wrong: String) -> ParseError {
    ParseError { understood: String::new(), wrong }
}

/// Splits the verb off; verbs of several words are one verb.
fn verb(words: &str) -> Result<(&'static str, &str), ParseError> {
    for verb in VERBS {
        let mut rest = words;
        let fits = verb.split(' ').all(|part| {
            let (head, tail) = rest.split_once(char::is_whitespace).unwrap_or((rest, ""));
            rest = tail.trim_start();
            head.eq_ignore_ascii_case(part)
        });
        if fits {
            return Ok((verb, rest));
        }
    }
    let first = words.split_whitespace().next().unwrap_or("");
    let listed = VERBS.join(", ");
    Err(unread(if first.is_empty() {
        format!("the line is empty; it begins with one of {listed}")
    } else {
        format!("\"{first}\" is no verb of the day book; it begins with one of {listed}")
    }))
}

fn note(rest: &str) -> Result<Entry, ParseError> {
    if rest.is_empty() {
        return Err(ParseError { understood: "note".to_owned(), wrong: "there are no words".to_owned() });
    }
    Ok(Entry::Note { words: rest.to_owned() })
}

fn watered(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let bed = line.bed()?;
    let litres = line.amount(&Measure::water(&line.garden.vessels), WATER_L)?;
    Ok(Entry::Watered { bed, litres })
}

fn tape(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let measure = Measure::tape();
    let around_cm = line.amount_behind("around", &measure, TAPE_CM)?;
    let stem_cm = line.amount_behind("stem", &measure, TAPE_CM)?;
    let side_cm = line.amount_behind("side", &measure, TAPE_CM)?;
    let length_cm = line.amount_behind("length", &measure, TAPE_CM)?;
    let fruit = line.name("fruit")?;
    if around_cm.or(stem_cm).or(side_cm).or(length_cm).is_none() {
        return Err(line.error("no measure: write around, stem, side or length and an amount".to_owned()));
    }
    Ok(Entry::Tape { fruit, around_cm, stem_cm, side_cm, length_cm })
}

fn flower(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let state = line.one_of(
        &[
            ("open tomorrow", FlowerState::OpenTomorrow),
            ("pollinated by hand", FlowerState::Pollinated { by_hand: true }),
            ("pollinated", FlowerState::Pollinated { by_hand: false }),
            ("bud", FlowerState::Bud),
            ("open", FlowerState::Open),
            ("set", FlowerState::Set),
            ("lost", FlowerState::Lost),
        ],
        "the state of the flower",
    )?;
    let bed = line.bed_behind_on()?;
    Ok(Entry::Flower { flower: line.name("flower")?, state, bed })
}

fn fruit(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let state = line.one_of(
        &[
            ("keeper", FruitState::Keeper),
            ("spare", FruitState::Spare),
            ("culled", FruitState::Culled),
            ("cut", FruitState::Cut),
            ("lost", FruitState::Lost),
        ],
        "the state of the fruit",
    )?;
    let bed = line.bed_behind_on()?;
    Ok(Entry::Fruit { fruit: line.name("fruit")?, state, bed })
}

fn weighed(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let mass_kg = line.amount(&Measure::mass(), WEIGHT_KG)?;
    Ok(Entry::Weighed { fruit: line.name("fruit")?, mass_kg })
}

fn buried(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let bed = line.bed()?;
    let nodes = line.whole("nodes", &["nodes", "node"], (1, 500))?;
    Ok(Entry::Buried { bed, nodes })
}

fn fruit_or_bed(line: &mut Line<'_>) -> Result<String, ParseError> {
    match line.bed_if_named() {
        Some(bed) => Ok(bed),
        None => line.name("fruit or bed"),
    }
}

fn area(line: &mut Line<'_>) -> Result<(String, f64), ParseError> {
    let bed = line.bed()?;
    Ok((bed, line.amount(&Measure::area(), AREA_M2)?))
}

fn fed(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let bed = line.bed()?;
    match line.rest() {
        what if what.is_empty() => Err(line.error("what was fed is missing".to_owned())),
        what => Ok(Entry::Fed { bed, what }),
    }
}

/// Pairs of what was seen and how many.
fn scouted(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    if let Some(bed) = line.bed_if_named() {
        return Err(line.error(format!("scouting is for the whole patch: leave out {bed}")));
    }
    let rest = line.rest();
    let mut counts = Vec::new();
    let mut name: Vec<&str> = Vec::new();
    for word in rest.split(' ') {
        match word.parse::<u32>() {
            Ok(count) if !name.is_empty() => {
                counts.push((name.join(" "), count));
                name.clear();
            }
            _ => name.push(word),
        }
    }
    if counts.is_empty() || !name.is_empty() {
        let left = name.join(" ");
        return Err(line.error(format!("\"{left}\" needs a number behind it (scouted beetles 3 mildew 0)")));
    }
    Ok(Entry::Scouted { counts })
}

fn probe(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let probe = line.probe()?;
    #[derive(Clone, Copy)]
    enum What {
        Moved,
        Battery,
        Full,
        Dry,
    }
    let what = line.one_of(
        &[
            ("moved", What::Moved),
            ("battery", What::Battery),
            ("full mark", What::Full),
            ("dry mark", What::Dry),
        ],
        "what was done to the probe",
    )?;
    let change = match what {
        What::Moved => ProbeChange::Moved,
        What::Battery => ProbeChange::Battery,
        What::Full => ProbeChange::FullMark(mark(line, &probe)?),
        What::Dry => ProbeChange::DryMark(mark(line, &probe)?),
    };
    in_order(line, &probe, change)?;
    Ok(Entry::Probe { probe, change })
}

/// A mark is a reading of the probe in the unit it is kept in.
fn mark(line: &mut Line<'_>, probe: &str) -> Result<f64, ParseError> {
    let quantity = line.garden.probes.iter().find(|one| one.name == probe).map(|one| one.quantity);
    let Some(quantity @ (Quantity::SoilMoisture | Quantity::SoilCounts)) = quantity else {
        return Err(line.error("only a soil moisture probe has marks".to_owned()));
    };
    let kind = quantity.kind();
    // A comma before three digits is a decimal comma here: marks have no thousands.
    let (number, glued) = line.word("the mark", |word| {
        let (number, glued) = word.strip_suffix('%').map_or((word, false), |number| (number, true));
        Some((number.replace(',', ".").parse::<f64>().ok().filter(|number| number.is_finite())?, glued))
    })?;
    let percent = glued || line.phrase("%");
    let mark = if percent && quantity == Quantity::SoilMoisture { number / 100.0 } else { number };
    if mark < kind.low || mark > kind.high {
        let (low, high, unit) = (kind.low, kind.high, kind.unit);
        return Err(line.error(format!("{mark} is outside {low} to {high} {unit}")));
    }
    Ok(mark)
}

/// A full mark lies above its bed's wilt mark, a dry mark below the full one. Counts may run either way.
fn in_order(line: &Line<'_>, probe: &str, change: ProbeChange) -> Result<(), ParseError> {
    let probe = line.garden.probes.iter().find(|one| one.name == probe);
    let Some(probe) = probe.filter(|probe| probe.quantity == Quantity::SoilMoisture) else { return Ok(()) };
    let Some(bed) = probe.bed.as_deref().and_then(|bed| line.garden.bed(bed)) else { return Ok(()) };
    match change {
        ProbeChange::FullMark(full) if full <= bed.wilt => {
            Err(line.error(format!("{full} is not above the wilt mark of the bed, {}", bed.wilt)))
        }
        ProbeChange::DryMark(dry) if dry >= bed.full => {
            Err(line.error(format!("{dry} is not below the full mark of the bed, {}", bed.full)))
        }
        _ => Ok(()),
    }
}

fn felt(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let bed = line.bed()?;
    let feel = line.one_of(&[("dry", Feel::Dry), ("damp", Feel::Damp), ("wet", Feel::Wet)], "how it felt")?;
    Ok(Entry::Felt { bed, feel })
}

fn marks(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let bed = line.bed()?;
    match line.amount_behind("refill", &Measure::share(), REFILL_PCT)? {
        Some(percent) => Ok(Entry::Marks { bed, refill_share_used: percent / 100.0 }),
        None => Err(line.error("refill and its share are missing (marks long refill 40 %)".to_owned())),
    }
}

fn number(line: &mut Line<'_>, what: &str) -> Result<u32, ParseError> {
    line.whole(&format!("{what} in the letter"), &[], (1, u32::MAX))
}

fn away(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let date = |word: &str| NaiveDate::parse_from_str(word, "%Y-%m-%d").ok();
    let from = line.word("the first day (like 2027-08-06)", date)?;
    let to = line.word("the last day (like 2027-08-15)", date)?;
    line.phrase("to");
    let stand_in = match line.phrase("stand-in") {
        true => Some(line.rest()).filter(|name| !name.is_empty()),
        false => None,
    };
    if to < from {
        return Err(line.error(format!("the absence ends on {to}, before it begins on {from}")));
    }
    Ok(Entry::Away { from, to, stand_in })
}

fn later(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let until = line.word("the time (like 18:00)", |word| NaiveTime::parse_from_str(word, "%H:%M").ok())?;
    Ok(Entry::Later { task: number(line, "the task")?, until })
}

fn sprayed(line: &mut Line<'_>) -> Result<Entry, ParseError> {
    let bed = line.bed()?;
    let wait_days = line.whole("days the label says to wait", &["days", "day"], (0, 365))?;
    Ok(Entry::Sprayed { bed, wait_days })
}
