//! The two strips of a bed, drawn as SVG: days of cover like a tape measure, and the held water with its
//! marks. Lengths along a strip are in per cent, so text keeps its size on any screen.

use maud::{Markup, html};

/// Longest tape, days; beyond it days of cover are said in words only.
const LONGEST: f64 = 10.0;
/// Shortest tape, days, so that a dry bed does not look like a rich one.
const SHORTEST: f64 = 4.0;

/// A tape of so many days has no room for the number before the last.
const CROWDED: u32 = 7;

/// How many days the tapes of all beds are long, given the days of cover to show.
pub fn tape_days(cover: impl Iterator<Item = f64>) -> f64 {
    cover.filter(|days| days.is_finite()).fold(SHORTEST, f64::max).ceil().min(LONGEST)
}

/// Days of cover as a tape marked off in days: the solid part lasts even in hot weather, the pale part at
/// usual demand only.
pub fn tape(usual_days: f64, hot_days: Option<f64>, tape_days: f64, words: &str) -> Markup {
    let along = |days: f64| format!("{:.2}%", 100.0 * (days / tape_days).clamp(0.0, 1.0));
    let last = tape_days as u32;
    let sure_days = hot_days.unwrap_or(usual_days).min(usual_days);
    html! {
        svg.strip role="img" aria-label=(words) width="100%" height="46" {
            rect.pale x="0" y="6" width=(along(usual_days)) height="18" {}
            rect.ink x="0" y="6" width=(along(sure_days)) height="18" {}
            rect.rim x="0" y="6" width="100%" height="18" {}
            @for day in 0..=last {
                line.tick x1=(along(day.into())) x2=(along(day.into())) y1="24" y2="30" {}
                // On a phone the word of the end reaches over the number before it.
                @if day + 1 != last || last < CROWDED {
                    text.mark x=(along(day.into())) y="43" text-anchor=(anchor(f64::from(day) / tape_days)) {
                        (day) @if day == last { " days" }
                    }
                }
            }
        }
    }
}

/// Where a bed stands between its full and its wilt mark, all as shares of the held water.
#[derive(Debug, Clone, Copy)]
pub struct Level {
    /// Share used.
    pub used: f64,
    /// One standard deviation of it.
    pub spread: Option<f64>,
    /// Refill mark.
    pub refill: Option<f64>,
    /// Stress mark.
    pub stress: Option<f64>,
}

/// The held water from full to wilt: the filled part is used up.
pub fn level(level: Level, words: &str) -> Markup {
    let along = |share: f64| format!("{:.2}%", 100.0 * share.clamp(0.0, 1.0));
    html! {
        svg.strip role="img" aria-label=(words) width="100%" height="56" {
            rect.ink x="0" y="20" width=(along(level.used)) height="14" {}
            rect.rim x="0" y="20" width="100%" height="14" {}
            @if let Some(spread) = level.spread {
                line.whisker x1=(along(level.used - spread)) x2=(along(level.used + spread)) y1="38" y2="38" {}
            }
            // The refill mark is never drier than the stress mark, so its word stands to the left.
            @for (name, share, side) in [("refill ", level.refill, "end"), (" stress", level.stress, "start")] {
                @if let Some(share) = share {
                    line.notch x1=(along(share)) x2=(along(share)) y1="4" y2="36" {}
                    text.mark x=(along(share)) y="13" dx=(if side == "end" { "-4" } else { "4" }) text-anchor=(side) {
                        (name.trim())
                    }
                }
            }
            text.mark x="0" y="53" text-anchor="start" { "full" }
            text.mark x="100%" y="53" text-anchor="end" { "wilt" }
        }
    }
}

fn anchor(share: f64) -> &'static str {
    match share {
        s if s <= 0.0 => "start",
        s if s >= 1.0 => "end",
        _ => "middle",
    }
}
