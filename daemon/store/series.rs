//! Probes and their series: what a whole number in the store means.

use rusqlite::{Connection, OptionalExtension, Row, TransactionBehavior};

use super::error::told;
use super::{Reader, Store, StoreError};
use crate::quantities::Quantity;
use crate::record::{Millis, ProbeIx};
use crate::settings::garden::{Garden, Probe, RainForm};

/// One probe measuring one quantity in one form. A probe whose quantity or form of rain changes in the
/// settings begins a new series; what was kept keeps its meaning.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    pub(super) id: i64,
    /// The probe's name.
    pub probe: String,
    /// What it measures; `None` for a quantity of a later version.
    pub quantity: Option<Quantity>,
    /// The form of rain, else empty.
    pub form: String,
    /// The unit of its values.
    pub unit: String,
    pub(super) steps_per_unit: f64,
}

/// A probe of the settings, ready to be written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Registered {
    pub series: i64,
    pub quantity: Quantity,
    /// The latest reading kept: whatever is later still cannot be known already.
    pub newest_ms: Option<Millis>,
    /// Readings before this are thinned, and refused.
    pub from_ms: Millis,
}

impl Series {
    pub(super) fn value(&self, steps: i64) -> f64 {
        steps as f64 / self.steps_per_unit
    }

    pub(super) fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let quantity: String = row.get("quantity")?;
        Ok(Self {
            id: row.get("id")?,
            probe: row.get("probe")?,
            quantity: Quantity::from_key(&quantity),
            form: row.get("form")?,
            unit: row.get("unit")?,
            steps_per_unit: row.get::<_, i64>("steps_per_unit")? as f64,
        })
    }
}

impl Store {
    /// Takes note of the garden: a series for each probe, the zone its days are cut by, and whether
    /// there is a mirror. To be called once after opening and again when the settings change. Days sealed
    /// before keep the zone they were cut by.
    pub fn register(&mut self, garden: &Garden) -> Result<(), StoreError> {
        let from_ms = self.reader.thinned_ms()?;
        let Reader { conn, path } = &mut self.reader;
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(|e| told(path, e))?;
        let probes = garden
            .probes
            .iter()
            .map(|probe| register_probe(&tx, probe, from_ms))
            .collect::<rusqlite::Result<Vec<_>>>()
            .map_err(|e| told(path, e))?;
        tx.commit().map_err(|e| told(path, e))?;
        self.probes = probes;
        self.zone = garden.zone;
        self.mirrored = garden.mirror.is_some();
        Ok(())
    }

    /// The value kept for this probe and time, in the unit of its kind; `None` = not known yet. Cheap for
    /// a time after the latest one kept.
    pub fn value_at(&self, probe: ProbeIx, at_ms: Millis) -> Result<Option<f64>, StoreError> {
        let known = self.registered(probe)?;
        if known.newest_ms.is_none_or(|newest| at_ms > newest) {
            return Ok(None);
        }
        let Reader { conn, path } = &self.reader;
        let steps = kept_steps(conn, known.series, at_ms).map_err(|e| told(path, e))?;
        Ok(steps.map(|steps| known.quantity.from_steps(steps)))
    }

    pub(super) fn registered(&self, probe: ProbeIx) -> Result<&Registered, StoreError> {
        self.probes.get(usize::from(probe.0)).ok_or(StoreError::NotRegistered { probe })
    }
}

impl Reader {
    /// All series ever kept, oldest first, also of probes that the settings no longer name.
    pub fn all_series(&self) -> Result<Vec<Series>, StoreError> {
        self.list("SELECT * FROM series ORDER BY id", [], Series::from_row)
    }

    /// The series of a probe as the settings describe it; `None` before the daemon first ran with it.
    pub fn series_of(&self, probe: &Probe) -> Result<Option<Series>, StoreError> {
        let kind = probe.quantity.kind();
        self.conn
            .prepare_cached(
                "SELECT * FROM series WHERE probe = ?1 AND quantity = ?2 AND form = ?3 AND unit = ?4
                 AND steps_per_unit = ?5",
            )
            .and_then(|mut find| {
                find.query_row(
                    (&probe.name, kind.key, form_key(probe), kind.unit, kind.steps_per_unit as i64),
                    Series::from_row,
                )
                .optional()
            })
            .map_err(|e| told(&self.path, e))
    }
}

/// The value kept for a series and a time, in the inbox or sealed.
pub(super) fn kept_steps(conn: &Connection, series: i64, at_ms: Millis) -> rusqlite::Result<Option<i64>> {
    conn.prepare_cached(
        "SELECT value FROM reading WHERE series = ?1 AND at_ms = ?2
         UNION ALL SELECT value FROM inbox WHERE series = ?1 AND at_ms = ?2 LIMIT 1",
    )?
    .query_row((series, at_ms), |row| row.get(0))
    .optional()
}

fn register_probe(conn: &Connection, probe: &Probe, from_ms: Millis) -> rusqlite::Result<Registered> {
    let kind = probe.quantity.kind();
    let key = (&probe.name, kind.key, form_key(probe), kind.unit, kind.steps_per_unit as i64);
    conn.prepare_cached(
        "INSERT INTO series(probe, quantity, form, unit, steps_per_unit) VALUES(?1, ?2, ?3, ?4, ?5)
         ON CONFLICT DO NOTHING",
    )?
    .execute(key)?;
    let series: i64 = conn
        .prepare_cached(
            "SELECT id FROM series WHERE probe = ?1 AND quantity = ?2 AND form = ?3 AND unit = ?4
             AND steps_per_unit = ?5",
        )?
        .query_row(key, |row| row.get(0))?;
    let newest_ms = conn
        .prepare_cached(
            "SELECT max(at_ms) FROM (SELECT max(at_ms) AS at_ms FROM reading WHERE series = ?1
             UNION ALL SELECT max(at_ms) FROM inbox WHERE series = ?1)",
        )?
        .query_row([series], |row| row.get(0))?;
    Ok(Registered { series, quantity: probe.quantity, newest_ms, from_ms })
}

/// What a kept rain value means hangs on its form.
fn form_key(probe: &Probe) -> &'static str {
    match probe.rain {
        None => "",
        Some(RainForm::Counter) => "counter",
        Some(RainForm::Increment) => "increment",
        Some(RainForm::Rate) => "rate",
        Some(RainForm::DailyTotal) => "daily-total",
    }
}
