//! What a person must take care of, and the words for it. Where work can hurt, the letter says so.

use std::collections::HashSet;

use crate::mail::amounts;

use super::Voice;

/// A caution. A letter gives each once, with the first task that needs it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Care {
    /// Work in heat: bands and drinking after OSHA and NIOSH heat guides (a cup every 15 to 20 minutes;
    /// confusion, fainting, hot skin as emergency signs). The hours to avoid are common practice.
    Heat,
    /// Carrying cans: 1 L of water is 1 kg; 23 kg (51 lb) is the most the NIOSH lifting equation allows
    /// one person under ideal conditions.
    Lifting,
    /// The hose: back-flow into the drinking water, and hose bans.
    Hose,
    /// Electricity near water.
    Electricity,
    /// Sheets over a fruit by day.
    Sheets,
    /// Sheets at night: no fire under them.
    NightSheets,
}

/// The words of `care`.
pub fn words(care: Care, voice: &Voice) -> String {
    let vessels = &voice.garden.vessels;
    match care {
        Care::Heat => "Heat: keep out of the hours from 11:00 to 17:00, drink a cup of water every 15 to \
                       20 minutes, rest in the shade, stop when you feel unwell. Confusion, fainting or \
                       hot skin is an emergency: cool the person and call for help at once."
            .to_owned(),
        Care::Lifting => format!(
            "Lifting: a full {} L can weighs {} and more. One in each hand or half filled, no \
             twisting, firm ground; {} cans in a day are the most for one person. In heat carry early or \
             late, and drink.",
            amounts::number(vessels.can_l, 1),
            amounts::weight(vessels.can_l, voice.units()),
            vessels.cans_a_day
        ),
        Care::Hose => "Hose: never leave its end in a can, barrel or feed tank; the tap wants a back-flow \
                       preventer. Hose bans stand above this letter."
            .to_owned(),
        Care::Electricity => "Electricity: keep mains leads and plugs off wet ground and away from the \
                              hose. What carries mains is the work of a licensed electrician."
            .to_owned(),
        Care::Sheets => "Sheets: tie them down against wind, and climb nothing alone.".to_owned(),
        Care::NightSheets => "Sheets: no heater, lamp or flame beneath them, they burn. Take a light, mind \
                              wet ground, and do not stand on the vines."
            .to_owned(),
    }
}

/// Keeps of `wanted` what the letter has not said yet, and remembers it.
pub fn not_yet_said(wanted: &[Care], said: &mut HashSet<Care>) -> Vec<Care> {
    wanted.iter().copied().filter(|care| said.insert(*care)).collect()
}
