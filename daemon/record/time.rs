//! Who keeps this machine's clock, and what says that it is right.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::Millis;

/// Who keeps the clock of this machine, as the settings have it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum KeptBy {
    /// A time service of this machine: believed once it has set the clock in this boot.
    #[default]
    Network,
    /// A hardware clock with a battery: believed while it and the system clock agree.
    Battery,
    /// Somebody outside, as in a container or a virtual machine: believed as it stands.
    Host,
}

/// How the clock is kept.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ClockKeeping {
    /// By whom.
    pub by: KeptBy,
    /// A file under `/run` that the machine's own scripts touch whenever the clock was set right.
    pub set_file: Option<PathBuf>,
}

/// What made us believe the time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TimeSource {
    /// systemd-timesyncd has set the clock in this boot.
    Timesyncd,
    /// The kernel says that a time service (chrony, ntpd, ...) keeps its clock.
    TimeService,
    /// The file of the settings was touched.
    SetFile,
    /// A hardware clock with a battery agrees.
    Battery,
    /// The settings say that the host keeps it.
    Host,
    /// Two nodes' own times agree and go on with our monotonic clock; the system clock is passed over.
    Nodes,
    /// A clock that a driver moves.
    Script,
}

impl TimeSource {
    /// In a few words.
    pub fn words(self) -> &'static str {
        match self {
            TimeSource::Timesyncd => "set by the network (systemd-timesyncd)",
            TimeSource::TimeService => "set by a time service of this machine",
            TimeSource::SetFile => "set, by the word of the set-file",
            TimeSource::Battery => "kept by a hardware clock with a battery",
            TimeSource::Host => "kept by the host",
            TimeSource::Nodes => {
                "taken from the own times of two nodes that agree; the system clock is not set"
            }
            TimeSource::Script => "moved by a driver",
        }
    }
}

/// What this machine says of its own clock in this boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockWord {
    /// Who says so.
    pub source: TimeSource,
    /// When it was said, by the system clock; `None` = it holds at every moment it is looked at.
    pub made_ms: Option<Millis>,
}
