//! What `check` says of each probe: how its messages are read, and what can be lost on the way.

use super::garden::{Garden, Probe, RainForm, TimeForm};
use super::units::COUNTS;

/// The probe in one line: "soil-moisture in Long bed at 15 cm, topic garden/long/moisture".
pub fn place(garden: &Garden, probe: &Probe) -> String {
    let bed = probe.bed.as_deref().and_then(|name| garden.bed(name));
    let bed = bed.map(|bed| format!(" in {}", bed.title)).unwrap_or_default();
    let depth = probe.depth_m.map(|depth| format!(" at {} cm", round(depth * 100.0, 1))).unwrap_or_default();
    let kind = if probe.unit == COUNTS { "soil-moisture" } else { probe.quantity.kind().key };
    format!("{kind}{bed}{depth}, topic {}", probe.topic)
}

/// How a message becomes a reading.
pub fn reading(probe: &Probe) -> String {
    let number = match probe {
        Probe { record: Some(record), .. } => format!("SenML, the record {record}"),
        Probe { samples: Some(samples), pointer, .. } => {
            let samples = if samples.is_empty() { "the top" } else { samples };
            format!(
                "JSON, an array of samples at {samples}, the number at {} of each",
                pointer.as_deref().unwrap_or("")
            )
        }
        Probe { pointer: Some(pointer), .. } => format!("JSON, the number at {pointer}"),
        _ => "a bare number".to_owned(),
    };
    let kept = probe.quantity.kind().unit;
    let scaling = probe.scaling;
    let mut how = format!("{number} in {}", probe.unit);
    if let Some(line) = probe.calibration {
        let [dry, wet] = [line.dry, line.wet].map(|(count, water)| format!("{count} is {}", round(water, 3)));
        how.push_str(&format!("; {dry} and {wet} m3/m3, a straight line between"));
    } else if scaling.factor != 1.0 || scaling.offset != 0.0 {
        let offset = match scaling.offset {
            0.0 => String::new(),
            below if below < 0.0 => format!(" - {}", round(-below, 3)),
            above => format!(" + {}", round(above, 3)),
        };
        how.push_str(&format!(", x {}{offset} = {kept}", round(scaling.factor, 5)));
    }
    how.push_str(match probe.rain {
        Some(RainForm::Counter) => "; a total that grows, its steps are the rain",
        Some(RainForm::Increment) => "; the rain since the last message",
        Some(RainForm::Rate) => "; a rate, summed over time",
        Some(RainForm::DailyTotal) => "; the total since midnight",
        None => "",
    });
    let at = probe.time_pointer.as_deref().unwrap_or_default();
    let time = match probe.time {
        TimeForm::Arrival => "its time is its arrival".to_owned(),
        TimeForm::EpochSeconds => format!("its time at {at}, seconds since 1970"),
        TimeForm::EpochMillis => format!("its time at {at}, milliseconds since 1970"),
        TimeForm::Rfc3339 => format!("its time at {at}, RFC 3339"),
        TimeForm::Local => format!("its time at {at}, by the clock of the garden's zone"),
        TimeForm::Record => {
            "its time by its record: since 1970, or, below 2^28 s, back from its arrival (then at least once)"
                .to_owned()
        }
    };
    let every = match probe.every_s {
        Some(seconds) => format!("every {}", duration(seconds)),
        None => "how often is learned".to_owned(),
    };
    let will = match &probe.last_will {
        Some(will) => format!("; gone when {} says {:?}", will.topic, will.offline),
        None => String::new(),
    };
    format!("{how}; {time}; {every}{will}")
}

/// What its quality of service and its times mean for what may be lost or doubled between node and store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Delivery {
    /// QoS 1, the payload carries its own time.
    Once,
    /// QoS 1, the arrival is the time.
    AtLeastOnce,
    /// QoS 0.
    MayBeLost,
}

impl Delivery {
    /// All there are, best first.
    pub const ALL: [Delivery; 3] = [Delivery::Once, Delivery::AtLeastOnce, Delivery::MayBeLost];

    /// That of a probe.
    pub fn of(probe: &Probe) -> Self {
        match (probe.qos, &probe.time) {
            (0, _) => Delivery::MayBeLost,
            (_, TimeForm::Arrival) => Delivery::AtLeastOnce,
            _ => Delivery::Once,
        }
    }

    /// In a few words, for the line of a probe.
    pub fn key(self) -> &'static str {
        match self {
            Delivery::Once => "QoS 1 with its own time: never lost, never doubled",
            Delivery::AtLeastOnce => "QoS 1 without its own time: at least once",
            Delivery::MayBeLost => "QoS 0: may be lost",
        }
    }

    /// What that means when something breaks.
    pub fn words(self, commit_delay_s: u32) -> String {
        match self {
            Delivery::Once => {
                "if this program or the power fails, each message is kept once; if the broker fails, what it \
                 had saved is kept once. Holds if the node publishes with QoS 1 too"
                    .to_owned()
            }
            Delivery::AtLeastOnce => {
                "if this program or the power fails, nothing is lost, but a message may come twice; the \
                 repeat is kept, marked doubtful and used for nothing; if the broker fails, what it had saved \
                 comes. Holds if the node publishes with QoS 1 too; a time in its message would end the \
                 repeats"
                    .to_owned()
            }
            Delivery::MayBeLost => format!(
                "if this program or the power fails, up to {} of messages are lost; if the broker fails, \
                 whatever is on its way. qos = 1 here and at the node ends the first",
                duration(commit_delay_s)
            ),
        }
    }
}

/// What else the form of rain means for loss: an increment is the one that can't be told from its repeat.
pub fn rain_delivery(probe: &Probe) -> Option<&'static str> {
    let repeats = probe.rain == Some(RainForm::Increment) && probe.time == TimeForm::Arrival;
    repeats.then_some(
        "an increment that a new connection brings again is flagged and not summed twice; a counter loses \
         nothing either way",
    )
}

/// Seconds as people say them.
pub(super) fn duration(seconds: u32) -> String {
    match seconds {
        s if s >= 3600 && s % 3600 == 0 => format!("{} h", s / 3600),
        s if s >= 60 && s % 60 == 0 => format!("{} min", s / 60),
        s => format!("{s} s"),
    }
}

/// A number with at most `digits` decimals, without trailing zeros.
pub(super) fn round(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    match text.split_once('.') {
        Some(_) => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        None => text,
    }
}
