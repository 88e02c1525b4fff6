//! What the advice may cost its reader, and what it must never leave out.

use super::seasons::Kept;
use super::table::quantile;

/// Letters of a day that ask for work: in the middle, and on 95 of 100 days.
const MEDIAN: u32 = 1;
const MOST: u32 = 3;

/// Each rule that is broken, in words.
pub fn broken(kept: &[Kept]) -> Vec<String> {
    let mut broken = Vec::new();
    for season in kept {
        let mut letters = season.letters.clone();
        letters.sort_unstable();
        let (median, most) = (quantile(&letters, 0.5), quantile(&letters, 0.95));
        if median > MEDIAN || most > MOST {
            broken.push(format!("{}: {median} letters a day, {most} on 95 of 100 days", season.name));
        }
        let (night, by_rule) = season.night;
        if night != by_rule {
            broken.push(format!("{}: {} letters at night that no rule allows", season.name, night - by_rule));
        }
        if season.missed_with_good_probe > 0 {
            let missed = season.missed_with_good_probe;
            broken.push(format!("{}: {missed} waterings missed where a probe was good", season.name));
        }
        for one in &season.named {
            let Some(within_h) = one.within_h else { continue };
            if one.seen_after_h.is_none_or(|after_h| after_h > within_h) {
                let after =
                    one.seen_after_h.map_or("never".to_owned(), |after_h| format!("after {after_h:.1} h"));
                broken.push(format!(
                    "{}: {} named {after}, within {within_h} h wanted",
                    season.name, one.probe
                ));
            }
        }
    }
    broken
}
