//! Settings: whatever stands in the file, it is read or refused, and each complaint names its line and its rule.

use rindwatch::settings::{self, expected, outlook};

/// A settings file.
pub fn hold(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match settings::read_str("garden.toml", text) {
        Ok(garden) => {
            // What `check` says of it is said without fail too.
            outlook::advice(&garden);
            outlook::guesses(&garden);
            outlook::warnings(&garden);
            for probe in &garden.probes {
                assert!(!expected::reading(probe).is_empty());
            }
            let places = [garden.place.latitude_deg, garden.place.longitude_deg, garden.place.altitude_m];
            let beds = garden.beds.iter().flat_map(|bed| [bed.rooted_m2, bed.depth_m, bed.full, bed.wilt]);
            assert!(places.into_iter().chain(beds).all(f64::is_finite));
            assert!(garden.beds.iter().all(|bed| bed.full > bed.wilt && bed.rooted_m2 > 0.0));
        }
        Err(complaints) => {
            // Where a bracket is never closed it is the end that is wrong, behind the last line.
            let last = text.split('\n').count();
            assert!(!complaints.0.is_empty(), "refused without a word");
            for complaint in &complaints.0 {
                assert!((1..=last).contains(&complaint.line), "{complaint} names no line up to {last}");
                assert!(!complaint.rule.is_empty(), "{complaint}");
                let shown = complaint.to_string();
                assert!(!shown.contains(|c: char| c.is_control() && c != '\n'), "{shown:?}");
            }
        }
    }
}
