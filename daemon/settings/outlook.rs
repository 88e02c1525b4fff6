//! What these sensors make possible: which advice can be given and how well, what is guessed, and what a
//! grower should know although it breaks no rule.
//!
//! Spreads of temperature stand as "±2.3 °C", so that they can be put into the units a person reads. They
//! are asked of the same functions that will do the guessing, so they can't disagree with them.

use agronomy::climate;
use agronomy::evapotranspiration::{self, DayWeather, Method};
use agronomy::foresight;
use agronomy::soil_air::{self, AirGuess, SoilDay};

use super::doors::is_loopback;
use super::expected::{duration, round};
use super::garden::{Bed, Broker, BrokerSecurity, Garden, Probe, Role, TimeForm};
use super::{amounts, defaults};
use crate::quantities::Quantity;
use crate::record::Et0Method;

/// Error of a mark taken from the soil table, m³/m³ (the two soil files say why).
const TABLE_MARK_ERROR: f64 = 0.05;
/// Deepest soil thermometer that feels a single night, m (judgement).
const SHALLOW_M: f64 = 0.15;

/// One line of what can be advised.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Advice {
    /// Key of the matter: water, hold-water, shade, cover, scout, gear.
    pub matter: &'static str,
    /// The bed, by its title; `None` for the whole patch.
    pub bed: Option<String>,
    /// Whether it can be given at all.
    pub possible: bool,
    /// From what and how well, or why not and what would help.
    pub words: String,
}

/// Which advice can and cannot be given, and why.
pub fn advice(garden: &Garden) -> Vec<Advice> {
    let mut lines = Vec::new();
    for bed in &garden.beds {
        let told = |matter, (possible, words): (bool, String)| Advice {
            matter,
            bed: Some(bed.title.clone()),
            possible,
            words,
        };
        lines.push(told("water", water(garden, bed)));
        lines.push(told("hold-water", hold_water(garden, bed)));
        lines.push(told("shade", shade(garden, bed)));
        lines.push(told("cover", cover(garden, bed)));
    }
    lines.push(scout(garden));
    let words = "a probe that is silent for three of its usual gaps (at least 1 h, at most 24 h) or stuck for \
                 two days is named, with what it leaves unknown";
    lines.push(Advice { matter: "gear", bed: None, possible: true, words: words.to_owned() });
    lines.push(morning_note(garden));
    lines
}

/// Whose silence means something.
fn morning_note(garden: &Garden) -> Advice {
    let readers: Vec<&str> = garden
        .people
        .iter()
        .filter(|person| person.morning_note)
        .map(|person| person.name.as_str())
        .collect();
    let words = match readers.is_empty() {
        false => format!(
            "each morning of the season to {}: the sign that box, network and mail work; to everyone else silence \
             says nothing",
            readers.join(", ")
        ),
        true => "switched off: silence then means nothing, a dead box looks like a garden that needs nobody \
                 (morning-note = true for one of the people)"
            .to_owned(),
    };
    Advice { matter: "morning note", bed: None, possible: !readers.is_empty(), words }
}

/// Mildew weather is the patch's.
fn scout(garden: &Garden) -> Advice {
    let (air, damp) = (measured(garden, Quantity::AirTemperature), measured(garden, Quantity::AirHumidity));
    let (possible, words) = match (air, damp) {
        (true, true) => (
            true,
            "a line on the page and in the morning note when the weather suits powdery or downy mildew",
        ),
        (true, false) => (
            true,
            "a line on the page and in the morning note for powdery mildew only; downy goes by wet leaves, and a humidity \
                                 sensor would tell those",
        ),
        (false, true) => {
            (false, "mildew goes by the air's warmth and no soil tells its hours; an air thermometer would")
        }
        (false, false) => (
            false,
            "mildew goes by air and humidity, which nothing here measures; one sensor of both \
                                   would end that",
        ),
    };
    Advice { matter: "scout", bed: None, possible, words: words.to_owned() }
}

fn measured(garden: &Garden, quantity: Quantity) -> bool {
    garden.probes.iter().any(|probe| probe.quantity == quantity)
}

/// Moisture probes of a bed: those that report water, and raw ones without their two points.
fn moisture<'g>(garden: &'g Garden, bed: &Bed) -> (Vec<&'g Probe>, Vec<&'g Probe>) {
    let here = |quantity| {
        let probes = garden.probes.iter().filter(move |probe: &&Probe| probe.quantity == quantity);
        probes.filter(|probe| probe.bed.as_deref() == Some(&bed.name)).collect::<Vec<_>>()
    };
    (here(Quantity::SoilMoisture), here(Quantity::SoilCounts))
}

fn water(garden: &Garden, bed: &Bed) -> (bool, String) {
    let (sure, raw) = moisture(garden, bed);
    let names =
        |probes: &[&Probe]| probes.iter().map(|probe| probe.name.as_str()).collect::<Vec<_>>().join(" and ");
    let mut words = match (sure.as_slice(), raw.as_slice()) {
        ([], []) => {
            "by the water book alone, begun at the first soaking; each letter asks for a finger test, \
                     and a moisture probe would end that"
                .to_owned()
        }
        ([], raw) => format!(
            "by the water book alone, begun at the first soaking, with a finger test; the counts of {} become \
             water once the settings give the probe its dry and wet points",
            names(raw)
        ),
        (sure, _) => format!("by the water book, kept true by {}", names(sure)),
    };
    if !measured(garden, Quantity::Rain) {
        words.push_str("; rain is not measured, so write it down (rain 12 mm) or a wet week looks dry");
    }
    (true, words)
}

fn hold_water(garden: &Garden, bed: &Bed) -> (bool, String) {
    let (sure, raw) = moisture(garden, bed);
    match (measured(garden, Quantity::Rain), sure.is_empty(), raw.is_empty()) {
        (true, false, _) => (true, "from the rain, and from a bed that stays above its full mark".to_owned()),
        (true, true, _) => {
            (true, "from the rain; standing wet is not seen without a calibrated probe".to_owned())
        }
        (false, false, _) => {
            (true, "from a bed that stays above its full mark; rain is not measured".to_owned())
        }
        (false, true, false) => {
            (false, "rain is not measured and counts are no water; a gauge or two points would do".to_owned())
        }
        (false, true, true) => (false, "neither rain nor moisture is measured; a gauge would do".to_owned()),
    }
}

/// The shallowest soil thermometer, that of the bed before others.
fn soil_thermometer<'g>(garden: &'g Garden, bed: &Bed) -> Option<&'g Probe> {
    let probes = garden.probes.iter().filter(|probe| probe.quantity == Quantity::SoilTemperature);
    probes.min_by(|one, other| {
        let away = |probe: &Probe| probe.bed.as_deref() != Some(&bed.name);
        let depth = |probe: &Probe| probe.depth_m.unwrap_or(f64::INFINITY);
        away(one).cmp(&away(other)).then(depth(one).total_cmp(&depth(other)))
    })
}

fn shade(garden: &Garden, bed: &Bed) -> (bool, String) {
    let free = garden.person(Role::Grower).is_some_and(|grower| {
        grower.hours.iter().any(|hours| amounts::meet(*hours, defaults::shade_hours()))
    });
    let when = if free { "by 09:30" } else { "at 06:15, since nobody is at the beds later in the morning," };
    let mut words = if measured(garden, Quantity::AirTemperature) {
        let solar_hour = if free { 9.0 } else { 5.25 };
        let sd_c = foresight::day_maximum_at_morning(solar_hour).error_sd_c();
        format!("{when} if the day may reach the shade mark; the maximum is foreseen ±{sd_c:.1} °C at first")
    } else if let Some(probe) = soil_thermometer(garden, bed) {
        let guess = air_from_soil(garden, probe);
        let sd_c = foresight::day_maximum_from_soil(guess.map_or(3.0, |guess| guess.sd_max_c)).error_sd_c();
        format!(
            "{when} if the day may reach the shade mark; air is guessed from {}, so the maximum is foreseen \
             ±{sd_c:.1} °C only: more sheets laid in vain than with an air thermometer",
            probe.name
        )
    } else {
        return (false, "neither air nor soil temperature is measured; one of them would do".to_owned());
    };
    match (bed.pollinated, bed.planted) {
        (Some(_), _) => {}
        (None, Some(planted)) => {
            let from = planted + chrono::Days::new(40);
            words.push_str(&format!("; from {from}, 40 days after planting, unless a pollination is set"));
        }
        (None, None) => words.push_str("; once planted or pollinated is set: jot planted when it is out"),
    }
    (true, words)
}

fn cover(garden: &Garden, bed: &Bed) -> (bool, String) {
    if measured(garden, Quantity::AirTemperature) {
        let sd_c = foresight::night_minimum_at_afternoon().error_sd_c();
        let dew = if measured(garden, Quantity::AirHumidity) { "" } else { "; humidity would sharpen it" };
        let words = format!(
            "at 16:00 if the night may fall to the cover mark; the minimum is foreseen ±{sd_c:.1} °C at \
             first{dew}"
        );
        return (true, words);
    }
    let Some(probe) = soil_thermometer(garden, bed) else {
        return (false, "neither air nor soil temperature is measured; one of them would do".to_owned());
    };
    let sd_c = foresight::SOIL_NIGHT_SD_C;
    let words = format!(
        "at 16:00 if the night may fall to the cover mark; air is guessed from {}, so the minimum is foreseen \
         ±{sd_c:.1} °C only, and a sudden frost may be missed",
        probe.name
    );
    (true, words)
}

/// The spread of air guessed from this probe: that of an ordinary summer day.
fn air_from_soil(garden: &Garden, probe: &Probe) -> Option<AirGuess> {
    let day = SoilDay {
        depth_m: probe.depth_m?,
        min_c: 18.0,
        mean_c: 21.0,
        max_c: 24.0,
        mean_before_c: Some(21.0),
        day_of_year: midsummer(garden),
        latitude_deg: garden.place.latitude_deg,
        damping_depth_m: None,
        own_wave_c: None,
    };
    soil_air::estimate(&day).ok()
}

/// A day of the year in the middle of the garden's summer.
fn midsummer(garden: &Garden) -> u16 {
    if garden.place.latitude_deg < 0.0 { 15 } else { 196 }
}

/// The equation of reference evapotranspiration that these sensors allow, and one standard deviation of
/// its result on an ordinary midsummer day, mm.
pub fn et0(garden: &Garden) -> (Et0Method, f64) {
    let has = |quantity| measured(garden, quantity);
    let air = has(Quantity::AirTemperature);
    let guessed = !air && has(Quantity::SoilTemperature);
    let temperatures = air || guessed;
    let when = |there: bool, value: f64| there.then_some(value);
    let weather = DayWeather {
        air_min_c: when(temperatures, 15.0),
        air_max_c: when(temperatures, 28.0),
        air_is_guess: guessed,
        rh_mean_pct: when(has(Quantity::AirHumidity), 65.0),
        rh_max_pct: None,
        rh_min_pct: None,
        wind_m_s: when(has(Quantity::WindSpeed), 2.0),
        solar_mj_m2: when(has(Quantity::SolarRadiation), 22.0),
    };
    let place = evapotranspiration::Place {
        latitude_deg: garden.place.latitude_deg,
        altitude_m: garden.place.altitude_m,
        wind_height_m: garden.place.wind_height_m,
        coastal: garden.place.near_coast,
        arid: false,
        hargreaves: None,
    };
    match evapotranspiration::reference(&place, midsummer(garden), &weather) {
        Ok(day) => (method(day.method), day.sd_mm),
        // Only a place out of range could bring us here, and the settings refuse those.
        Err(_) => (Et0Method::Climatology, f64::NAN),
    }
}

fn method(method: Method) -> Et0Method {
    match method {
        Method::PenmanMonteith => Et0Method::PenmanMonteith,
        Method::PenmanMonteithPart => Et0Method::PenmanMonteithPart,
        Method::Hargreaves => Et0Method::Hargreaves,
        Method::HargreavesSoil => Et0Method::HargreavesSoil,
        Method::Climatology => Et0Method::Climatology,
    }
}

/// What will be guessed instead of measured, and how well.
pub fn guesses(garden: &Garden) -> Vec<String> {
    let mut lines = Vec::new();
    if !measured(garden, Quantity::AirTemperature) {
        let thermometer = garden.beds.first().and_then(|bed| soil_thermometer(garden, bed));
        lines.push(match thermometer.and_then(|probe| Some((probe, air_from_soil(garden, probe)?))) {
            Some((probe, guess)) => format!(
                "the air, from {}: yesterday's maximum ±{:.1} °C, the night's minimum ±{:.1} °C, by one grassland \
                 record; a bed under leaves differs, and one air thermometer ends the guess",
                probe.name, guess.sd_max_c, guess.sd_min_c
            ),
            None => {
                let usual = climate::usual(garden.place.latitude_deg, midsummer(garden));
                let sd_c = usual.map_or(6.0, |usual| usual.air_mean_sd_c);
                format!("the air, as usual for the latitude and month: a day's mean ±{sd_c:.0} °C")
            }
        });
    }
    let (method, sd_mm) = et0(garden);
    let missing = [
        (Quantity::SolarRadiation, "sun"),
        (Quantity::AirHumidity, "humidity"),
        (Quantity::WindSpeed, "wind"),
    ];
    let missing = missing.iter().filter(|(quantity, _)| !measured(garden, *quantity)).map(|(_, word)| *word);
    let missing = missing.collect::<Vec<_>>().join(", ");
    let but = if missing.is_empty() { String::new() } else { format!("; {missing} not measured") };
    let day = format!("{}: ±{sd_mm:.1} mm on a midsummer day{but}", method.key());
    lines.push(format!("the water a short lawn would use in a day (ET0), by {day}"));
    for bed in &garden.beds {
        if bed.marks_guessed {
            lines.push(format!(
                "{}: full {} and wilt {} m3/m3 from the soil table, ±{TABLE_MARK_ERROR}; read the \
                 probe a day after a soaking and set full to it",
                bed.title,
                round(bed.full, 3),
                round(bed.wilt, 3)
            ));
        }
        if bed.leafed_m2.is_none() {
            let since = if bed.planted.is_some() { "from planting on" } else { "once planted is set" };
            lines.push(format!(
                "{}: the leafed m2, by the crop's curve {since}, ± a third by judgement; pace it and jot leafed \
                 now and then, demand goes by it",
                bed.title
            ));
        }
    }
    lines
}

/// What a grower should know although it breaks no rule.
pub fn warnings(garden: &Garden) -> Vec<String> {
    let mut lines = Vec::new();
    for bed in &garden.beds {
        let (sure, raw) = moisture(garden, bed);
        let mut depths: Vec<f64> = [sure, raw].concat().iter().filter_map(|probe| probe.depth_m).collect();
        let probes = depths.len();
        depths.sort_by(f64::total_cmp);
        depths.dedup();
        if probes == 1 {
            lines.push(format!(
                "{}: one moisture probe; nothing can outvote it when it goes wrong, a second one can",
                bed.title
            ));
        } else if depths.len() == 1 {
            lines.push(format!(
                "{}: all moisture probes at one depth; what runs through to below is not seen",
                bed.title
            ));
        }
    }
    let thermometers = garden.probes.iter().filter(|probe| probe.quantity == Quantity::SoilTemperature);
    let shallowest = thermometers.filter_map(|probe| probe.depth_m).min_by(f64::total_cmp);
    if !measured(garden, Quantity::AirTemperature) && shallowest.is_some_and(|depth| depth > SHALLOW_M) {
        lines.push(
            "no air thermometer and no soil thermometer above 15 cm: single hot days and cold nights are \
             hardly felt down there; set one at 5 cm"
                .to_owned(),
        );
    }
    for probe in &garden.probes {
        if probe.time == TimeForm::Local {
            lines.push(format!(
                "{}: local time comes twice in one autumn hour; a node that sends UTC has no such hour",
                probe.name
            ));
        }
        if probe.topic.contains(['+', '#']) {
            lines.push(format!(
                "{}: {} takes in whatever matches; two nodes there would be mixed into one probe",
                probe.name, probe.topic
            ));
        }
        if probe.qos == 0 {
            let delay = duration(garden.commit_delay_s);
            lines.push(format!("{}: QoS 0 may lose {delay} of readings; qos = 1 ends that", probe.name));
        }
    }
    lines.extend(broker_warning(&garden.broker));
    if garden.sign.as_ref().is_some_and(|sign| sign.ping.open_http) {
        lines.push(
            "[sign-of-life] http may go out open: whoever is on the way can read the address, and say with it that all is \
             well when it is not. https ends that"
                .to_owned(),
        );
    }
    match &garden.mail {
        None => lines.push("no [mail]: letters are kept and shown on the page, nobody is mailed".to_owned()),
        Some(mail) if mail.user.is_none() => {
            lines.push(format!("[mail] has no user: {} must take letters without a password", mail.host));
        }
        Some(_) => {}
    }
    if garden.person(Role::StandIn).is_none() {
        lines.push("no stand-in: while the grower is away nobody else is told".to_owned());
    }
    lines
}

/// What others on the network could do to the line to the broker.
fn broker_warning(broker: &Broker) -> Option<String> {
    match &broker.security {
        BrokerSecurity::Plain if !is_loopback(&broker.host) => Some(format!(
            "[broker] {}: plain; whoever is on that network can read and forge readings{}. security = \"tls\" ends \
             that",
            broker.host,
            if broker.user.is_some() { ", and read the password" } else { "" }
        )),
        BrokerSecurity::Tls(tls) if !tls.checked => Some(format!(
            "[broker] {}: its certificate is not checked; whoever is on the way can pose as the broker, read the \
             password and forge readings. ca-file = \"...\" names its authority instead",
            broker.host
        )),
        _ => None,
    }
}
