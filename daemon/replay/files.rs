//! The files a replay leaves: `days.csv`, `matters.csv`, `refusals.csv`, `letters/NNNN.eml`.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use crate::record::{DayRecord, LateDay, MatterChange, Millis, Refusal};
use crate::rfc3339;

use super::ReplayError;

const DAYS: &str = "date,bed,air_min_c,air_max_c,air_mean_c,rh_mean_pct,wind_mean_m_s,solar_mj_m2,\
    soil_min_c,soil_mean_c,soil_max_c,rain_mm,et0_mm,et0_method,kc,etc_mm,given_mm,drained_mm,\
    depletion_mm,taw_mm,raw_mm,share_used,gdd_air_c,gdd_soil_c,heat_dh_c,coldest_c,data_share,kcb,ke,\
    depletion_sd_mm,guessed,joined_l,corrected";
const MATTERS: &str = "time,bed,matter,urgency,from,to,why,litres,by,person";
const REFUSALS: &str = "time,topic,payload,reason";

type Table = csv::Writer<BufWriter<File>>;

/// The open files of one replay.
pub(super) struct Files {
    folder: PathBuf,
    matters: Table,
    refusals: Table,
    /// Held back to the end: a late reading may correct a day that was closed.
    days: BTreeMap<(NaiveDate, String), DayRecord>,
}

impl Files {
    /// Makes the folder and opens the files in it. Letters of an earlier replay are taken away, so that
    /// what stands there afterwards is of this one alone.
    pub fn create(folder: &Path) -> Result<Self, ReplayError> {
        let letters = folder.join("letters");
        fs::create_dir_all(&letters).map_err(at(&letters))?;
        for old in fs::read_dir(&letters).map_err(at(&letters))? {
            let old = old.map_err(at(&letters))?.path();
            if is_letter(&old) {
                fs::remove_file(&old).map_err(at(&old))?;
            }
        }
        Ok(Self {
            matters: table(&folder.join("matters.csv"), MATTERS)?,
            refusals: table(&folder.join("refusals.csv"), REFUSALS)?,
            days: BTreeMap::new(),
            folder: folder.to_owned(),
        })
    }

    /// Keeps a day in place of an earlier one of its date and bed.
    pub fn day(&mut self, day: DayRecord) {
        self.days.insert((day.date, day.bed.clone()), day);
    }

    /// Marks a day that readings came too late for.
    pub fn mark(&mut self, late: &LateDay) {
        let of = |bed: &str| late.bed.as_deref().is_none_or(|of| of == bed);
        for ((date, bed), day) in &mut self.days {
            if *date == late.date && of(bed) {
                (day.corrected, day.corrected_ms) = (true, Some(late.at_ms));
            }
        }
    }

    /// Writes one change of a matter.
    pub fn change(&mut self, change: &MatterChange) -> Result<(), ReplayError> {
        let row = [
            rfc3339::show(change.at_ms),
            text_cell(&change.subject),
            change.matter.key().to_owned(),
            change.urgency.key().to_owned(),
            change.from.key().to_owned(),
            change.to.key().to_owned(),
            text_cell(&change.why),
            number(change.litres),
            time(change.by_ms),
            change.person.as_deref().map(text_cell).unwrap_or_default(),
        ];
        self.matters.write_record(row).map_err(row_at(&self.folder, "matters.csv"))
    }

    /// Writes one refusal.
    pub fn refusal(&mut self, refusal: &Refusal) -> Result<(), ReplayError> {
        let time = rfc3339::show(refusal.arrived_ms);
        self.refusals
            .write_record([
                time,
                text_cell(&refusal.topic),
                text_cell(&refusal.payload),
                text_cell(&refusal.reason),
            ])
            .map_err(row_at(&self.folder, "refusals.csv"))
    }

    /// Writes one letter under its number.
    pub fn letter(&self, number: u32, eml: &[u8]) -> Result<(), ReplayError> {
        let path = self.folder.join("letters").join(format!("{number:04}.eml"));
        fs::write(&path, eml).map_err(at(&path))
    }

    /// Writes the days in the order of date and bed, and closes all files. Gives the number of days.
    pub fn finish(mut self) -> Result<u64, ReplayError> {
        let path = self.folder.join("days.csv");
        let mut days = table(&path, DAYS)?;
        for day in self.days.values() {
            days.write_record(columns(day)).map_err(row_at(&self.folder, "days.csv"))?;
        }
        for (file, name) in [
            (&mut days, "days.csv"),
            (&mut self.matters, "matters.csv"),
            (&mut self.refusals, "refusals.csv"),
        ] {
            file.flush().map_err(at(&self.folder.join(name)))?;
        }
        Ok(self.days.len() as u64)
    }
}

fn is_letter(path: &Path) -> bool {
    let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
    let numbered = stem.len() >= 4 && stem.bytes().all(|byte| byte.is_ascii_digit());
    numbered && path.extension().is_some_and(|ending| ending == "eml")
}

fn table(path: &Path, header: &str) -> Result<Table, ReplayError> {
    let file = File::create(path).map_err(at(path))?;
    let mut table = csv::Writer::from_writer(BufWriter::new(file));
    table.write_record(header.split(',')).map_err(|error| at(path)(error.into()))?;
    Ok(table)
}

fn at(path: &Path) -> impl Fn(std::io::Error) -> ReplayError {
    move |source| ReplayError::File { path: path.to_owned(), source }
}

fn row_at(folder: &Path, name: &str) -> impl Fn(csv::Error) -> ReplayError {
    move |error| at(&folder.join(name))(error.into())
}

/// The fields of a day in the order of [`DAYS`].
fn columns(day: &DayRecord) -> Vec<String> {
    let guessed: Vec<_> = day.guessed.iter().map(|guess| guess.key()).collect();
    vec![
        day.date.to_string(),
        text_cell(&day.bed),
        number(day.air_min_c),
        number(day.air_max_c),
        number(day.air_mean_c),
        number(day.rh_mean_pct),
        number(day.wind_mean_m_s),
        number(day.solar_mj_m2),
        number(day.soil_min_c),
        number(day.soil_mean_c),
        number(day.soil_max_c),
        number(day.rain_mm),
        number(day.et0_mm),
        day.et0_method.map(|method| method.key().to_owned()).unwrap_or_default(),
        number(day.kc),
        number(day.etc_mm),
        number(day.given_mm),
        number(day.drained_mm),
        number(day.depletion_mm),
        number(day.taw_mm),
        number(day.raw_mm),
        number(day.share_used),
        number(day.gdd_air_c),
        number(day.gdd_soil_c),
        number(day.heat_dh_c),
        number(day.coldest_c),
        number(day.data_share),
        number(day.kcb),
        number(day.ke),
        number(day.depletion_sd_mm),
        guessed.join(" "),
        number(day.joined_l),
        time(day.corrected_ms),
    ]
}

/// Words for a cell. A table program would calculate what begins like a formula, and these words come from
/// strangers too: such a cell gets an apostrophe before it, which shows it as the text it is. A number stays one.
fn text_cell(words: &str) -> String {
    let formula =
        words.trim_start().starts_with(['=', '+', '-', '@']) || words.starts_with(['\t', '\r', '\n']);
    if formula && words.parse::<f64>().is_err() { format!("'{words}") } else { words.to_owned() }
}

fn time(ms: Option<Millis>) -> String {
    ms.map(rfc3339::show).unwrap_or_default()
}

/// At most six significant digits, a decimal point, never an exponent; nothing for what is not known.
fn number(value: Option<f64>) -> String {
    let rounded =
        value.filter(|value| value.is_finite()).and_then(|value| format!("{value:.5e}").parse::<f64>().ok());
    // Adding 0 makes -0 a plain 0.
    rounded.map(|value| (value + 0.0).to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn six_digits_and_nothing_for_unknown() {
        for (value, text) in [
            (Some(0.1 + 0.2), "0.3"),
            (Some(123_456.789), "123457"),
            (Some(1_234_567.0), "1234570"),
            (Some(-0.0), "0"),
            (Some(0.000_012_345_678), "0.0000123457"),
            (Some(21.5), "21.5"),
            (Some(f64::NAN), ""),
            (None, ""),
        ] {
            assert_eq!(number(value), text);
        }
    }

    #[test]
    fn no_cell_of_words_is_a_formula() {
        for (words, cell) in [
            ("=1+1", "'=1+1"),
            ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
            ("-2+3", "'-2+3"),
            (" @SUM(A1)", "' @SUM(A1)"),
            ("\t=1", "'\t=1"),
            ("-12.5", "-12.5"),
            ("+3e2", "+3e2"),
            ("long bed", "long bed"),
            ("", ""),
        ] {
            assert_eq!(text_cell(words), cell);
        }
    }

    #[test]
    fn a_day_has_as_many_fields_as_the_header() {
        assert_eq!(columns(&DayRecord::default()).len(), DAYS.split(',').count());
    }
}
