//! From the number as sent to the value as kept: unit, calibration, rounding, plausibility.

use crate::quantities::Quantity;
use crate::record::Doubt;
use crate::settings::garden::{Probe, TwoPoint};

use super::Steps;

/// Largest whole number of steps kept, 2^50. Rounded to its step and counted in steps again a value may part from its
/// number of steps by 2^-52 of it: up to here by a quarter of a step, so that the store keeps what the engine saw.
/// (At 2^53, where a double still holds every whole number, the fuzzer found one that it did not.)
const MOST_STEPS: f64 = 1_125_899_906_842_624.0;

/// What one-wire temperature sensors send when they have no value, °C: 85 is the register after power-up
/// (Maxim DS18B20 data sheet, table 1, note), -127 and 127 what driver libraries report for a sensor that
/// does not answer (common practice, no source).
const SENTINELS_C: [f64; 3] = [85.0, -127.0, 127.0];

/// Brings `number` into the unit of the probe's kind and judges it. The error says why it can't be kept.
pub(super) fn value(
    number: f64,
    probe: &Probe,
    steps: &mut impl Steps,
) -> Result<(f64, Option<Doubt>), String> {
    let kind = probe.quantity.kind();
    let scaling = probe.scaling;
    let mut value = number * scaling.factor + scaling.offset;
    if scaling.factor != 1.0 || scaling.offset != 0.0 {
        steps.say(|| format!("{number} {} × {} + {} = {value}", probe.unit, scaling.factor, scaling.offset));
    }
    if let Some(line) = probe.calibration {
        let raw = value;
        value = along(line, raw);
        steps.say(|| {
            let ((dry, low), (wet, high)) = (line.dry, line.wet);
            format!("calibration: dry {dry} is {low}, wet {wet} is {high}, so {raw} is {value} {}", kind.unit)
        });
    }
    if !value.is_finite() || (value * kind.steps_per_unit).abs() > MOST_STEPS {
        return Err(format!("{number} is too large to be kept as {} in {}", kind.key, kind.unit));
    }
    let value = probe.quantity.quantise(value);
    steps.say(|| format!("rounded to 1/{} {}: {value}", kind.steps_per_unit, kind.unit));
    let doubt = doubt(probe.quantity, value);
    match doubt {
        Some(Doubt::Sentinel) => {
            steps.say(|| format!("doubted: {value} is what such a sensor sends when it has nothing to say"))
        }
        Some(_) => steps
            .say(|| format!("doubted: outside {} to {} {} of {}", kind.low, kind.high, kind.unit, kind.key)),
        None => steps.say(|| format!("plausible: within {} to {} {}", kind.low, kind.high, kind.unit)),
    }
    Ok((value, doubt))
}

/// The straight line through the two points; raw values beyond them go on along it.
fn along(line: TwoPoint, raw: f64) -> f64 {
    let ((dry_raw, dry), (wet_raw, wet)) = (line.dry, line.wet);
    dry + (raw - dry_raw) * (wet - dry) / (wet_raw - dry_raw)
}

fn doubt(quantity: Quantity, value: f64) -> Option<Doubt> {
    let kind = quantity.kind();
    let temperature = matches!(quantity, Quantity::SoilTemperature | Quantity::AirTemperature);
    if temperature && SENTINELS_C.contains(&value) {
        Some(Doubt::Sentinel)
    } else if value < kind.low || value > kind.high {
        Some(Doubt::OutOfRange)
    } else {
        None
    }
}
