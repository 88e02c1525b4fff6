//! Amounts as people write them: number and unit, metric or US, decimal point or comma.

use crate::settings::garden::Vessels;

/// What an amount measures: its name, the unit it is kept in, and each spelling's worth in that unit.
#[derive(Debug)]
pub(super) struct Measure {
    pub name: &'static str,
    pub kept_in: &'static str,
    pub units: Vec<(&'static str, f64)>,
    /// Units that would be known if the settings said how much they hold.
    pub lacking: &'static [(&'static str, &'static str)],
}

/// US liquid gallon, litres (NIST SP 811 appendix B: exactly 231 cubic inches).
const GALLON_L: f64 = 3.785_411_784;
/// International inch, foot and avoirdupois pound (same source; exact by definition).
const INCH_CM: f64 = 2.54;
const FOOT_CM: f64 = 30.48;
const POUND_KG: f64 = 0.453_592_37;
const SQUARE_FOOT_M2: f64 = 0.092_903_04;

impl Measure {
    fn of(name: &'static str, kept_in: &'static str, units: &[(&'static str, f64)]) -> Self {
        Self { name, kept_in, units: units.to_vec(), lacking: &[] }
    }

    /// Water given, litres; cans and hose minutes by the vessels of the settings.
    pub fn water(vessels: &Vessels) -> Self {
        let mut measure = Self::of(
            "water",
            "L",
            &[
                ("L", 1.0),
                ("litre", 1.0),
                ("litres", 1.0),
                ("liter", 1.0),
                ("liters", 1.0),
                ("gal", GALLON_L),
                ("gallon", GALLON_L),
                ("gallons", GALLON_L),
                ("can", vessels.can_l),
                ("cans", vessels.can_l),
            ],
        );
        match vessels.hose_l_min {
            Some(rate) => {
                measure.units.extend([("min", rate), ("minute", rate), ("minutes", rate)]);
            }
            None => {
                const WHY: &str = "the settings name no hose, so minutes are no amount of water";
                measure.lacking = &[("min", WHY), ("minute", WHY), ("minutes", WHY)];
            }
        }
        measure
    }

    /// Rain, mm.
    pub fn rain() -> Self {
        let inch = INCH_CM * 10.0;
        Self::of("rain", "mm", &[("mm", 1.0), ("cm", 10.0), ("in", inch), ("inch", inch), ("inches", inch)])
    }

    /// Length by tape, cm.
    pub fn tape() -> Self {
        Self::of(
            "length",
            "cm",
            &[
                ("cm", 1.0),
                ("mm", 0.1),
                ("m", 100.0),
                ("in", INCH_CM),
                ("inch", INCH_CM),
                ("inches", INCH_CM),
                ("ft", FOOT_CM),
                ("feet", FOOT_CM),
            ],
        )
    }

    /// Mass, kg.
    pub fn mass() -> Self {
        Self::of(
            "weight",
            "kg",
            &[("kg", 1.0), ("lb", POUND_KG), ("lbs", POUND_KG), ("pound", POUND_KG), ("pounds", POUND_KG)],
        )
    }

    /// Area, m².
    pub fn area() -> Self {
        Self::of(
            "area",
            "m2",
            &[
                ("m2", 1.0),
                ("m²", 1.0),
                ("sqm", 1.0),
                ("ft2", SQUARE_FOOT_M2),
                ("ft²", SQUARE_FOOT_M2),
                ("sqft", SQUARE_FOOT_M2),
            ],
        )
    }

    /// A share, from %.
    pub fn share() -> Self {
        Self::of("share", "%", &[("%", 1.0), ("percent", 1.0)])
    }

    /// The worth of a spelling; ASCII case is not minded.
    pub fn worth(&self, unit: &str) -> Option<f64> {
        self.units.iter().find(|(word, _)| word.eq_ignore_ascii_case(unit)).map(|(_, worth)| *worth)
    }

    /// `number` of `worth` in the kept unit. What had to be converted is rounded to a thousandth, so that
    /// it prints as people would write it; what is in the kept unit stays as it is.
    pub fn kept(number: f64, worth: f64) -> f64 {
        if worth == 1.0 { number } else { (number * worth * 1000.0).round() / 1000.0 }
    }

    /// The units to name in a complaint.
    pub fn listed(&self) -> String {
        let mut words: Vec<&str> = Vec::new();
        for (word, _) in &self.units {
            // Singular, plural and long spellings of one unit share its worth with the first of them.
            if word.len() <= 4
                && !matches!(*word, "can" | "inch" | "feet" | "lbs" | "m²" | "ft²" | "sqm" | "sqft")
            {
                words.push(word);
            }
        }
        words.join(", ")
    }
}

/// A number at the start of `text` and what stands behind it; `None` if it starts with none.
///
/// A comma before exactly three digits could part thousands or decimals, so the writer is asked.
pub(super) fn number(text: &str) -> Result<Option<(f64, &str)>, String> {
    let digits = |text: &str| text.bytes().take_while(u8::is_ascii_digit).count();
    let whole = digits(text);
    if whole == 0 {
        return Ok(None);
    }
    let (head, rest) = text.split_at(whole);
    let (written, rest) = match rest.strip_prefix(['.', ',']) {
        Some(fraction) if digits(fraction) > 0 => {
            let (decimals, behind) = fraction.split_at(digits(fraction));
            if rest.starts_with(',') && decimals.len() == 3 && whole <= 3 && head != "0" {
                return Err(format!(
                    "{head},{decimals} may mean {head}{decimals} or {head}.{decimals}; please write it so"
                ));
            }
            (format!("{head}.{decimals}"), behind)
        }
        _ => (head.to_owned(), rest),
    };
    Ok(written.parse().ok().filter(|number: &f64| number.is_finite()).map(|number| (number, rest)))
}
