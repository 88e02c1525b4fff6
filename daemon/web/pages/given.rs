//! The last waterings of a bed: what was given, and what of it the probes saw arrive.

use chrono_tz::Tz;
use maud::{Markup, html};

use crate::engine::Watering;
use crate::record::Millis;
use crate::web::words;

/// The waterings of one bed, newest first; nothing where there are none.
pub fn list(waterings: &[Watering], bed: &str, now_ms: Millis, zone: Tz) -> Markup {
    let of_bed: Vec<&Watering> = waterings.iter().filter(|watering| watering.bed == bed).collect();
    html! {
        @if !of_bed.is_empty() {
            details {
                summary { "Water given" }
                ul { @for watering in of_bed { li { p.small { (words::moment(watering.at_ms, now_ms, zone)) ": " (line(watering)) } } } }
            }
        }
    }
}

fn line(watering: &Watering) -> String {
    let given = if watering.logged {
        format!("{:.0} L", watering.litres)
    } else {
        format!("about {:.0} L, recognised from the soil", watering.litres)
    };
    let Some(kept) = &watering.arrived else { return given };
    let depths: Vec<String> =
        kept.depths.iter().map(|(m, mm)| format!("{mm:.1} mm at {:.0} cm", m * 100.0)).collect();
    let least = if kept.brimful { ", or more: the soil there is full to the brim" } else { "" };
    let shed = if watering.was_shed() {
        "; less than half of it arrived: it ran off, or dry soil shed it"
    } else {
        ""
    };
    format!("{given}; arrived: {}{least}{shed}", depths.join(", "))
}
