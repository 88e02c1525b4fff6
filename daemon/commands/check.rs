//! `check`: every complaint about the settings at once; if there is none, what will happen with them.

use std::io::{self, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use crate::clock::Machine;
use crate::mail::amounts;
use crate::settings::expected::{self, Delivery};
use crate::settings::garden::{Bed, Garden, Hours, Role, Units};
use crate::settings::{self, outlook, secrets::SecretFiles};

/// Settings refused (`EX_CONFIG` of BSD's sysexits.h).
const REFUSED: u8 = 78;

/// Writes what there is to say of the settings at `config`. The exit code is 0, or 78 on any complaint.
///
/// # Errors
/// Whatever hinders writing to `out`.
pub fn check(config: &Path, out: &mut dyn Write) -> io::Result<u8> {
    match settings::read_with_secrets(config) {
        Ok((garden, files)) => {
            tell(&garden, &files, out)?;
            Ok(0)
        }
        Err(complaints) => {
            writeln!(out, "{complaints}")?;
            let count = complaints.0.len();
            writeln!(out, "{count} complaint{}; nothing else was done", if count == 1 { "" } else { "s" })?;
            Ok(REFUSED)
        }
    }
}

fn tell(garden: &Garden, files: &SecretFiles, out: &mut dyn Write) -> io::Result<()> {
    let units = garden.person(Role::Grower).map_or(Units::Metric, |grower| grower.units);
    writeln!(out, "{}: no complaints.", garden.name)?;
    people(garden, out)?;

    writeln!(out, "\nBeds")?;
    for bed in &garden.beds {
        writeln!(out, "  {}", bed_line(bed, units))?;
    }

    writeln!(out, "\nProbes expected at {}:{}", garden.broker.host, garden.broker.port)?;
    for probe in &garden.probes {
        writeln!(out, "  {}: {}", probe.name, expected::place(garden, probe))?;
        writeln!(out, "    {}", expected::reading(probe))?;
        writeln!(out, "    {}", Delivery::of(probe).key())?;
        if let Some(words) = expected::rain_delivery(probe) {
            writeln!(out, "    {words}")?;
        }
    }

    writeln!(out, "\nOn the way from node to store")?;
    let here = |delivery: &Delivery| garden.probes.iter().any(|probe| Delivery::of(probe) == *delivery);
    for delivery in Delivery::ALL.into_iter().filter(here) {
        writeln!(out, "  {}", delivery.key())?;
        writeln!(out, "    {}", delivery.words(garden.commit_delay_s))?;
    }

    writeln!(out, "\nAdvice these sensors allow (± is one standard deviation)")?;
    for line in outlook::advice(garden) {
        let bed = line.bed.map(|bed| format!(", {bed}")).unwrap_or_default();
        let can = if line.possible { "yes" } else { "no" };
        writeln!(out, "  {}{bed}: {can}; {}", line.matter, amounts::spreads_in_units(&line.words, units))?;
    }

    writeln!(out, "\nGuessed, not measured (± is one standard deviation)")?;
    for line in outlook::guesses(garden) {
        writeln!(out, "  {}", amounts::spreads_in_units(&line, units))?;
    }

    writeln!(out, "\nThe clock of this machine")?;
    for line in Machine::real().outlook(&garden.clock) {
        writeln!(out, "  {line}")?;
    }

    let mut warnings = outlook::warnings(garden);
    warnings.extend(unreadable(garden, files));
    warnings.extend(open_to_all(garden, files));
    if !warnings.is_empty() {
        writeln!(out, "\nGood to know")?;
    }
    for line in warnings {
        writeln!(out, "  {line}")?;
    }
    Ok(())
}

fn people(garden: &Garden, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "\nPeople")?;
    for person in &garden.people {
        writeln!(out, "  {} <{}>, at the beds {}", person.name, person.address, hours(&person.hours))?;
    }
    let quiet = hours(&[garden.quiet]);
    writeln!(out, "  no letters {quiet}; all hours by the clock of {}", garden.zone)
}

fn hours(list: &[Hours]) -> String {
    let one = |hours: &Hours| format!("{}-{}", hours.from.format("%H:%M"), hours.to.format("%H:%M"));
    list.iter().map(one).collect::<Vec<_>>().join(" and ")
}

/// "Long bed: giant-pumpkin; 7 m2 rooted 40 cm deep hold 80 mm (560 L) between full and wilt; ...".
fn bed_line(bed: &Bed, units: Units) -> String {
    let held_mm = (bed.full - bed.wilt) * bed.depth_m * 1000.0;
    let held = amounts::depth(held_mm, units);
    let held_litres = amounts::litres(held_mm * bed.rooted_m2, units);
    let (rooted, deep) = match units {
        Units::Metric => (format!("{} m2", bed.rooted_m2), format!("{:.0} cm", bed.depth_m * 100.0)),
        Units::Us => {
            (format!("{:.0} ft2", bed.rooted_m2 / 0.092_903_04), format!("{:.0} in", bed.depth_m / 0.0254))
        }
    };
    let planted = bed.planted.map(|date| format!(", planted {date}")).unwrap_or_default();
    let pollinated = bed.pollinated.map(|date| format!(", pollinated {date}")).unwrap_or_default();
    let routine = bed.routine.map(|routine| {
        let given = amounts::litres(routine.litres, units);
        match routine.every_days {
            1 => format!("; gets {given} every day anyway"),
            days => format!("; gets {given} every {days} days anyway"),
        }
    });
    let shade = amounts::temperature(bed.shade_c, units);
    let cover = amounts::temperature(bed.cover_c, units);
    format!(
        "{}: {}{planted}{pollinated}; {rooted} rooted {deep} deep hold {held} ({held_litres}) between full and \
         wilt; shade mark {shade}, cover mark {cover}{}",
        bed.title,
        bed.crop.name,
        routine.unwrap_or_default()
    )
}

/// Files that are named but can't be opened from here. `run` may still be able to, as its own user, so
/// this is no complaint.
fn unreadable(garden: &Garden, files: &SecretFiles) -> Vec<String> {
    let ca_file = garden.mail.as_ref().and_then(|mail| mail.ca_file.as_deref());
    let named = files.named().chain(ca_file.map(|file| ("mail.ca-file", file)));
    let named = named.chain(garden.broker.security.files());
    let closed = named.filter_map(|(key, file)| Some((key, file, std::fs::File::open(file).err()?)));
    closed
        .map(|(key, file, error)| {
            format!("{key} = {}: cannot be opened from here ({error}); run will need it", file.display())
        })
        .collect()
}

/// Files with a secret that every account of this machine can read.
fn open_to_all(garden: &Garden, files: &SecretFiles) -> Vec<String> {
    let own_key = garden.broker.security.files().into_iter().filter(|(key, _)| *key == "broker.own-key");
    files
        .named()
        .chain(own_key)
        .filter(|(_, file)| std::fs::metadata(file).is_ok_and(|held| held.permissions().mode() & 0o004 != 0))
        .map(|(key, file)| {
            format!(
                "{key} = {}: everybody on this machine can read it; chmod 600 it, and take a new secret where \
                 others work here",
                file.display()
            )
        })
        .collect()
}
