//! The whole patch: place, civil time, people, hours, vessels.

use std::path::PathBuf;
use std::str::FromStr;

use chrono::{NaiveDate, Offset, TimeZone};
use chrono_tz::{TZ_VARIANTS, Tz};
use toml::de::DeValue;

use super::amounts::{
    DURATION, FLOW, HEIGHT, LENGTH, VOLUME, amount, hour_list, hours, lies_within, one_of, plain, whole,
    words, yes_no,
};
use super::defaults;
use super::document::{Parsed, Table, nearest};
use super::garden::{Hours, Keeping, Person, Place, Role, Units, Vessels};

/// Longest name of a garden, bed or probe, characters.
const NAME_CHARS: usize = 32;

/// What `[garden]` says.
pub(super) struct Patch {
    pub(super) name: Option<String>,
    pub(super) place: Option<Place>,
    pub(super) zone: Option<Tz>,
    pub(super) units: Units,
}

const UNITS: &[(&str, Units)] = &[("metric", Units::Metric), ("us", Units::Us)];

/// Reads `[garden]`.
pub(super) fn patch(top: &Table<'_>) -> Patch {
    let table = top.table("garden");
    if !table.is_there() {
        top.complain("garden", "missing; write [garden] with name, latitude, longitude, altitude, time-zone");
    }
    let name = table.need("name", "letters, digits and -, like \"long-patch\"", garden_name);
    let latitude =
        table.need("latitude", "degrees north of the equator, like 44.5", plain(-90.0..=90.0, "degrees"));
    let longitude = table.need(
        "longitude",
        "degrees east of Greenwich, west is negative, like -93.2",
        plain(-180.0..=180.0, "degrees"),
    );
    let altitude =
        table.need("altitude", "height above the sea, like \"290 m\"", amount(&HEIGHT, -430.0..=6000.0));
    let near_coast = table.take("near-coast", yes_no).unwrap_or(false);
    let wind_height =
        table.take("wind-height", amount(&LENGTH, 0.5..=20.0)).unwrap_or(defaults::WIND_HEIGHT_M);
    let zone = table.need("time-zone", "by place, like \"America/Chicago\"", time_zone);
    let units = table.take("units", one_of(UNITS)).unwrap_or(Units::Metric);
    if let (Some(longitude), Some(zone)) = (longitude, zone) {
        compare_with_zone(&table, longitude, zone);
    }
    table.close();
    let place = latitude.zip(longitude).zip(altitude).map(|((latitude_deg, longitude_deg), altitude_m)| {
        Place { latitude_deg, longitude_deg, altitude_m, near_coast, wind_height_m: wind_height }
    });
    Patch { name, place, zone, units }
}

/// A zone keeps the time of its own part of the earth: the widest is off by 47 degrees. A longitude that
/// is further away has most likely lost its minus sign.
fn compare_with_zone(table: &Table<'_>, longitude: f64, zone: Tz) {
    let winter = NaiveDate::from_ymd_opt(2026, 1, 15).unwrap_or_default().and_time(chrono::NaiveTime::MIN);
    let offset_s = zone.offset_from_utc_datetime(&winter).fix().local_minus_utc();
    let meridian = f64::from(offset_s) / 240.0;
    let apart = (longitude - meridian + 540.0).rem_euclid(360.0) - 180.0;
    if apart.abs() > 60.0 {
        let hours = apart.abs() / 15.0;
        table.complain(
            "longitude",
            format!("lies {hours:.0} h of sun away from {zone}; west of Greenwich is negative"),
        );
    }
}

fn garden_name(value: &DeValue<'_>) -> Parsed<String> {
    let name = words(value)?;
    let fits = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-') && name.len() <= NAME_CHARS;
    if fits { Ok(name) } else { Err(format!("letters, digits and - only, at most {NAME_CHARS} of them")) }
}

/// What is wrong with the name of a bed or probe, if anything.
pub(super) fn key_fault(name: &str) -> Option<String> {
    let fits = name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        && name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.len() <= NAME_CHARS;
    let rule = "a name is made of lower-case letters, digits and -, begins with a letter and has at most";
    (!fits).then(|| format!("{rule} {NAME_CHARS} characters"))
}

fn time_zone(value: &DeValue<'_>) -> Parsed<Tz> {
    let name = words(value)?;
    let by_place = name.contains('/') || name == "UTC";
    if !by_place {
        return Err(
            "name the zone by a place, like \"America/Chicago\", so that summer time is known".to_owned()
        );
    }
    Tz::from_str(&name).map_err(|_| match nearest(&name, TZ_VARIANTS.iter().map(|zone| zone.name())) {
        Some(near) => format!("no such time zone; did you mean \"{near}\"?"),
        None => "no such time zone; write it by place, like \"America/Chicago\"".to_owned(),
    })
}

/// What `[times]` says: quiet hours and working windows.
pub(super) fn times(top: &Table<'_>) -> (Hours, Vec<Hours>) {
    let table = top.table("times");
    let quiet = table.take("quiet", hours).unwrap_or_else(defaults::quiet);
    let windows = table.take("windows", hour_list).unwrap_or_else(defaults::windows);
    if windows.iter().any(|window| lies_within(*window, quiet)) {
        let at = if table.has("windows") { "windows" } else { "quiet" };
        table.complain(at, "a window lies wholly in the quiet hours; no letter could ask for its work");
    }
    table.close();
    (quiet, windows)
}

/// What `[store]` says: the longest wait for a commit, seconds, and how the store is kept.
pub(super) fn store(top: &Table<'_>) -> (u32, Keeping) {
    const DAY_S: f64 = 86_400.0;
    let table = top.table("store");
    let delay = table.take("commit-delay", amount(&DURATION, 1.0..=60.0));
    let nightly_copy = table.take("nightly-copy", |value| {
        let folder = PathBuf::from(words(value)?);
        if folder.is_absolute() {
            Ok(folder)
        } else {
            Err("a folder by its full path is wanted, like \"/media/disk/copies\"".to_owned())
        }
    });
    // Hours of fifteen days are still worked with, and nodes bring readings weeks late.
    let kept_s = table.take("readings-kept", |value| {
        let kept_s = amount(&DURATION, 0.0..=f64::MAX)(value)?;
        if (60.0 * DAY_S..=36_500.0 * DAY_S).contains(&kept_s) {
            Ok(kept_s)
        } else {
            Err("must lie between 60 days and 36500 days".to_owned())
        }
    });
    table.close();
    let keeping = Keeping { nightly_copy, readings_days: kept_s.map(|s| (s / DAY_S).floor() as u32) };
    (delay.map_or(defaults::COMMIT_DELAY_S, |seconds| seconds.round() as u32), keeping)
}

/// What `[vessels]` says.
pub(super) fn vessels(top: &Table<'_>) -> Vessels {
    let table = top.table("vessels");
    let can_l = table.take("can", amount(&VOLUME, 1.0..=30.0)).unwrap_or(defaults::CAN_L);
    let hose_l_min = table.take("hose", amount(&FLOW, 0.5..=200.0));
    let cans_a_day = table.take("cans-a-day", whole(1..=100)).unwrap_or(defaults::CANS_A_DAY);
    table.close();
    Vessels { can_l, hose_l_min, cans_a_day }
}

const ROLES: &[(&str, Role)] =
    &[("grower", Role::Grower), ("stand-in", Role::StandIn), ("backup", Role::Backup)];

/// What `[people]` says, grower first; `units`, `quiet` and `windows` are the garden's.
pub(super) fn people(top: &Table<'_>, units: Units, quiet: Hours, windows: &[Hours]) -> Vec<Person> {
    let table = top.table("people");
    let mut people = Vec::new();
    let mut growers = 0;
    for (name, one) in table.tables() {
        let (person, role) = person(&name, one, units, quiet, windows);
        growers += u32::from(role == Some(Role::Grower));
        if growers > 1 && role == Some(Role::Grower) {
            table.complain(&name, "a second grower; one keeps the garden, the others are stand-in or backup");
        }
        people.extend(person);
    }
    if growers == 0 {
        let rule = "no grower; write [people.grower] with address = \"you@example.org\"";
        if table.is_there() { table.complain_whole(rule) } else { top.complain("people", rule) }
    }
    people.sort_by_key(|person: &Person| person.role);
    people
}

fn person(
    name: &str,
    table: Table<'_>,
    units: Units,
    quiet: Hours,
    windows: &[Hours],
) -> (Option<Person>, Option<Role>) {
    let by_name = ROLES.iter().find(|(word, _)| *word == name).map(|(_, role)| *role);
    let role = table.take("role", one_of(ROLES)).or(by_name);
    if role.is_none() && !table.has("role") {
        table.complain("role", "missing; \"stand-in\" or \"backup\"");
    }
    let address = table.need("address", "letters go there, like \"you@example.org\"", mail_address);
    let hours = table.take("hours", hour_list);
    if hours.as_ref().is_some_and(|hours| hours.iter().all(|hours| lies_within(*hours, quiet))) {
        table.complain("hours", "all of them lie in the quiet hours; this person could never be told");
    }
    let units = table.take("units", one_of(UNITS)).unwrap_or(units);
    // The sign of life goes to whoever keeps the garden.
    let morning_note = table.take("morning-note", yes_no).unwrap_or(role == Some(Role::Grower));
    table.close();
    let person = role.zip(address).map(|(role, address)| Person {
        name: name.to_owned(),
        role,
        address,
        hours: hours.unwrap_or_else(|| windows.to_vec()),
        units,
        morning_note,
    });
    (person, role)
}

/// An address as RFC 5321 §4.1.2 writes it, in the plain form (dot-string and domain, ASCII): no display
/// name, no quotes.
pub(super) fn mail_address(value: &DeValue<'_>) -> Parsed<String> {
    let address = words(value)?;
    let atom = |c: char| c.is_ascii_alphanumeric() || "!#$%&'*+-/=?^_`{|}~".contains(c);
    let label = |label: &str| {
        (1..=63).contains(&label.len())
            && label.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
            && !label.starts_with('-')
            && !label.ends_with('-')
    };
    let fits = address.split_once('@').is_some_and(|(local, domain)| {
        let local_fits = local.split('.').all(|part| !part.is_empty() && part.chars().all(atom));
        local_fits && local.len() <= 64 && domain.split('.').all(label) && address.len() <= 254
    });
    if fits { Ok(address) } else { Err("no mail address; write it like \"you@example.org\"".to_owned()) }
}
