//! What the board says of itself.

use serde::{Deserialize, Serialize};

/// The board at an instant. `None` = not known here.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Board {
    /// Free and whole space of the file system that holds the data folder, bytes.
    pub space: Option<(u64, u64)>,
    /// Errors the kernel has counted on ext4 file systems since they were last checked.
    pub card_errors: Option<u64>,
    /// The warmest of the board's own thermometers, °C.
    pub hottest_c: Option<f64>,
    /// Memory that programs can still get, and all there is, bytes.
    pub memory: Option<(u64, u64)>,
}

/// Marks of the board, each for on and for off. Judgement, but for the heat: small boards slow themselves down from
/// 80 °C on (from memory).
pub mod marks {
    /// Space is low under so many MB or such a share, until it is over the second ones.
    pub const SPACE: [(u64, f64); 2] = [(200, 0.02), (300, 0.03)];
    /// Memory is low likewise.
    pub const MEMORY: [(u64, f64); 2] = [(30, 0.05), (50, 0.08)];
    /// Too hot from the first on, until it is under the second, °C.
    pub const HOT_C: [f64; 2] = [80.0, 70.0];
}

/// What is wrong with the board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // the names say it, units last
pub enum BoardFault {
    SpaceLow { free_mb: u64, whole_mb: u64 },
    CardErrors { count: u64 },
    Hot { board_c: f64 },
    MemoryLow { free_mb: u64, whole_mb: u64 },
}

impl BoardFault {
    /// In one line, for pages and records.
    pub fn words(&self) -> String {
        match self {
            BoardFault::SpaceLow { free_mb, whole_mb } => {
                format!("{free_mb} of {whole_mb} MB are free for the data")
            }
            BoardFault::CardErrors { count } => {
                format!("the kernel counts {count} errors of the file system")
            }
            BoardFault::Hot { board_c } => format!("the board is at {board_c:.0} °C"),
            BoardFault::MemoryLow { free_mb, whole_mb } => {
                format!("{free_mb} of {whole_mb} MB of memory are to be had")
            }
        }
    }
}
