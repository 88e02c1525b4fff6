//! The decoder: no bytes break it, what is taken is finite and comes back from the store as it is, what is refused
//! is refused in one printable line.

use std::cell::RefCell;
use std::sync::{Arc, OnceLock};

use rindwatch::intake::{Intake, Taken, explain};
use rindwatch::record::Millis;
use rindwatch::settings::{self, garden::Garden};

/// 2027-07-01T12:00:00Z.
const NOON_MS: Millis = 1_814_443_200_000;

/// 2020-01-01, before which no reading is believed.
const FIRST_MS: Millis = 1_577_836_800_000;

/// The topics of `garden.toml`.
const TOPICS: [&str; 8] = ["percent", "counts", "fahrenheit", "tips", "node", "local", "gathered", "pack"];

thread_local! {
    static INTAKE: RefCell<Intake> = RefCell::new(Intake::new(Arc::clone(garden())));
}

/// A payload, put before the probes of each shape.
#[allow(dead_code)] // the test does, which replays the kept corpus
pub fn hold(bytes: &[u8]) {
    for topic in TOPICS {
        INTAKE.with_borrow_mut(|intake| told(intake, topic, bytes));
    }
}

/// A payload, put before the probe whose turn its length is: a shape an execution is eight times as many executions,
/// and blanks behind a payload bring it before any of them.
#[allow(dead_code)] // the fuzzer does
pub fn hold_in_turn(bytes: &[u8]) {
    INTAKE.with_borrow_mut(|intake| told(intake, TOPICS[bytes.len() % TOPICS.len()], bytes));
}

fn told(intake: &mut Intake, topic: &str, bytes: &[u8]) {
    let mut taken = Taken::default();
    intake.take(topic, bytes, NOON_MS, false, &mut taken);
    assert!(!taken.unknown);
    // What may hold many samples may hold none, such as a SenML record with a sum alone.
    let silent = taken.readings.is_empty() && taken.refusals.is_empty();
    assert!(!silent || ["gathered", "pack"].contains(&topic), "{topic}: lost without a word");
    for reading in &taken.readings {
        let quantity = garden().probe(reading.probe).unwrap().quantity;
        let kept = quantity.from_steps(quantity.to_steps(reading.value));
        assert!(
            reading.value.is_finite() && kept.to_bits() == reading.value.to_bits(),
            "{reading:?}: {kept}"
        );
        assert!((FIRST_MS..=NOON_MS + 86_400_000).contains(&reading.at_ms), "{reading:?}");
    }
    for (_, refusal) in &taken.refusals {
        let reason = &refusal.reason;
        assert!(!reason.is_empty() && !reason.chars().any(char::is_control), "{reason:?}");
        assert!(reason.len() < 4000 && refusal.payload.chars().count() <= 1000, "{refusal:?}");
    }
    let (lines, good) = explain(garden(), topic, bytes, NOON_MS);
    assert_eq!(good, taken.refusals.is_empty(), "{topic}: intake and explain differ: {lines:#?}");
    assert!(!lines.iter().any(|line| line.chars().any(char::is_control)), "{lines:?}");
}

fn garden() -> &'static Arc<Garden> {
    static READ: OnceLock<Arc<Garden>> = OnceLock::new();
    READ.get_or_init(|| Arc::new(settings::read_str("garden.toml", include_str!("../garden.toml")).unwrap()))
}
