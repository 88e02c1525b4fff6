//! A fruit as pages and `status` show it.

use agronomy::growth::Shape;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::daybook::FruitState;
use crate::growth::{Fit, NoFit};
use crate::record::Millis;

use super::Fruit;

/// A fruit nobody has spoken of for so long is shown no more.
const SHOWN_DAYS: i64 = 60;

/// One fruit now.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FruitView {
    /// Its name in the day book.
    pub name: String,
    /// The bed it stands on, if the day book has named one.
    pub bed: Option<String>,
    /// Keeper, spare, culled, cut or lost, if the day book says.
    pub state: Option<FruitState>,
    /// Days after pollination, if that is logged.
    pub age_days: Option<i64>,
    /// When it was last taped.
    pub taped_ms: Option<Millis>,
    /// Mass by that tape, kg, and one standard deviation.
    pub mass_kg: Option<(f64, f64)>,
    /// What the scale said, kg.
    pub weighed_kg: Option<f64>,
    /// Mean gain between its last two usable tapes, kg/day.
    pub gain_kg_day: Option<f64>,
    /// Final mass by its own growth curve: lower bound of the 80 % interval, value, upper bound, kg.
    pub final_kg: Option<(f64, f64, f64)>,
    /// What the final mass rests on, or why there is none, in words.
    pub curve: String,
    /// What is odd about its last tape, in words; empty when nothing is.
    pub note: String,
}

impl Fruit {
    /// The view of a fruit that was taped, weighed or chosen, is not lost or culled, and was spoken of in the
    /// last two months.
    pub(in super::super) fn view(
        &self,
        name: &str,
        bed: Option<&str>,
        pollinated: Option<NaiveDate>,
        today: NaiveDate,
    ) -> Option<FruitView> {
        let last = self.last()?;
        let standing = &self.standing;
        let shown = self.ended().is_none() && (today - last).num_days() <= SHOWN_DAYS;
        shown.then(|| FruitView {
            name: name.to_owned(),
            bed: bed.map(str::to_owned),
            state: self.state.map(|(_, state)| state),
            age_days: pollinated.map(|date| (today - date).num_days()).filter(|days| *days >= 0),
            taped_ms: standing.mass.map(|(at_ms, ..)| at_ms),
            mass_kg: standing.mass.map(|(_, kg, sd_kg)| (kg, sd_kg)),
            weighed_kg: self.weighed.map(|(_, kg)| kg),
            gain_kg_day: standing.gain_kg_day,
            final_kg: standing.final_kg.filter(|_| self.grows()),
            curve: standing.fit.as_ref().map(curve_words).unwrap_or_default(),
            note: standing.note.clone().unwrap_or_default(),
        })
    }
}

fn curve_words(fit: &Result<Fit, NoFit>) -> String {
    let fit = match fit {
        Ok(fit) => fit,
        Err(why) => return format!("no growth curve yet: {why}"),
    };
    let (name, other) = match fit.curve.shape() {
        Shape::Gompertz => ("Gompertz", "logistic"),
        _ => ("logistic", "Gompertz"),
    };
    let per_cent = |sd: f64| format!("{:.1} %", 100.0 * sd);
    let against = fit.other_sd.map(|sd| format!(" (the {other} by {})", per_cent(sd))).unwrap_or_default();
    format!(
        "a {name} curve through {} tapes, off by {} a tape{against}",
        fit.measures,
        per_cent(fit.residual_sd)
    )
}
