//! Words for the board itself: space, card, heat, memory.

use crate::mail::amounts;
use crate::record::BoardFault;
use crate::record::board_marks::{HOT_C, MEMORY, SPACE};

/// Title of the task.
pub fn title(fault: &BoardFault) -> &'static str {
    match fault {
        BoardFault::CardErrors { .. } => "Card",
        _ => "Board",
    }
}

/// The fault in few words.
pub fn what(fault: &BoardFault) -> String {
    match fault {
        BoardFault::SpaceLow { free_mb, .. } => format!("{free_mb} MB are left for the data"),
        BoardFault::CardErrors { count } => format!("the kernel counts {count} errors of the file system"),
        BoardFault::Hot { board_c } => format!("at {board_c:.0} °C"),
        BoardFault::MemoryLow { free_mb, .. } => format!("{free_mb} MB of memory are left"),
    }
}

pub fn how(fault: &BoardFault) -> &'static str {
    match fault {
        BoardFault::SpaceLow { .. } => {
            "See what fills it (df -h, du -xh / --max-depth=2): old logs and packages, or copies that can go \
             elsewhere. The store itself grows by a few MB a month."
        }
        BoardFault::CardErrors { .. } => {
            "Copy the store to another machine today: rindwatch backup. Then have the file system checked \
             (fsck) with the card out, and put in a new card if errors come again."
        }
        BoardFault::Hot { .. } => "Put it in the shade, let air through its case, clear the vents of dust.",
        BoardFault::MemoryLow { .. } => {
            "See what else runs there (top), and end what the garden does not need."
        }
    }
}

pub fn why(fault: &BoardFault) -> String {
    match fault {
        BoardFault::SpaceLow { free_mb, whole_mb } => {
            format!("{free_mb} of {whole_mb} MB are free. Without space nothing can be kept.")
        }
        BoardFault::CardErrors { .. } => "A card that begins to fail loses what it holds.".to_owned(),
        BoardFault::Hot { .. } => {
            format!("From {} °C on small boards slow down, and cards age fast.", HOT_C[0])
        }
        BoardFault::MemoryLow { free_mb, whole_mb } => {
            format!("{free_mb} of {whole_mb} MB. When none is left the system ends programs, this one too.")
        }
    }
}

/// What it means meanwhile.
pub fn meanwhile(fault: &BoardFault) -> &'static str {
    match fault {
        BoardFault::SpaceLow { .. } => "Until then the garden is watched as before.",
        BoardFault::CardErrors { .. } => "Until then what is kept may be lost.",
        BoardFault::Hot { .. } => "Until then all goes on, but slower.",
        BoardFault::MemoryLow { .. } => "Until then all goes on.",
    }
}

pub fn unless(fault: &BoardFault) -> String {
    let free_again = |(mb, share): (u64, f64)| {
        format!("If {mb} MB and {} are free again, this is over.", amounts::percent(share))
    };
    match fault {
        BoardFault::SpaceLow { .. } => free_again(SPACE[1]),
        BoardFault::CardErrors { .. } => "After a check that sets the count back, this is over.".to_owned(),
        BoardFault::Hot { .. } => format!("Under {} °C this is over.", HOT_C[1]),
        BoardFault::MemoryLow { .. } => free_again(MEMORY[1]),
    }
}

pub fn mended(fault: &BoardFault) -> &'static str {
    match fault {
        BoardFault::SpaceLow { .. } => "There is space for the data again.",
        BoardFault::CardErrors { .. } => "The count of errors has been set back.",
        BoardFault::Hot { .. } => "The board has cooled down.",
        BoardFault::MemoryLow { .. } => "There is memory again.",
    }
}
