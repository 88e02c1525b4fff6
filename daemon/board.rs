//! What the board says of itself: space, errors of the card, heat, memory. Read from the system's own files.

use std::fs;
use std::path::{Path, PathBuf};

use crate::record::Board;

/// Where the system keeps what is read.
#[derive(Debug, Clone)]
pub struct Places {
    /// A folder on the file system in question.
    pub data: PathBuf,
    /// One folder a mounted ext4 file system, with `errors_count` in each.
    pub ext4: PathBuf,
    /// One folder a thermometer, with `temp` in thousandths of °C in each.
    pub thermal: PathBuf,
    /// Lines like `MemAvailable:  512000 kB`.
    pub meminfo: PathBuf,
}

impl Places {
    /// Those of Linux.
    pub fn of(data: &Path) -> Self {
        Self {
            data: data.to_owned(),
            ext4: "/sys/fs/ext4".into(),
            thermal: "/sys/class/thermal".into(),
            meminfo: "/proc/meminfo".into(),
        }
    }
}

/// Looks; what cannot be read is `None`. May wait for the disk.
pub fn look(places: &Places) -> Board {
    let errors = numbers(&places.ext4, "", "errors_count").into_iter();
    let warmths = numbers(&places.thermal, "thermal_zone", "temp").into_iter();
    Board {
        space: space(&places.data),
        card_errors: errors.filter_map(|count| u64::try_from(count).ok()).reduce(u64::saturating_add),
        // Some report 0 or less where there is no thermometer.
        hottest_c: warmths
            .map(|thousandths| thousandths as f64 / 1000.0)
            .filter(|c| (1.0..150.0).contains(c))
            .reduce(f64::max),
        memory: memory(&places.meminfo),
    }
}

fn space(data: &Path) -> Option<(u64, u64)> {
    let stat = rustix::fs::statvfs(data).ok()?;
    Some((stat.f_bavail.checked_mul(stat.f_frsize)?, stat.f_blocks.checked_mul(stat.f_frsize)?))
}

/// The number in the file `name` of each folder of `parent` that begins so.
fn numbers(parent: &Path, begins: &str, name: &str) -> Vec<i64> {
    let Ok(folders) = fs::read_dir(parent) else { return Vec::new() };
    let folders = folders.flatten().filter(|folder| folder.file_name().to_string_lossy().starts_with(begins));
    let texts = folders.filter_map(|folder| fs::read_to_string(folder.path().join(name)).ok());
    texts.filter_map(|text| text.trim().parse().ok()).collect()
}

fn memory(meminfo: &Path) -> Option<(u64, u64)> {
    let text = fs::read_to_string(meminfo).ok()?;
    let bytes = |key: &str| {
        let line = text.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'))?;
        let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
        kib.checked_mul(1024)
    };
    Some((bytes("MemAvailable")?, bytes("MemTotal")?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(root: &Path, name: &str, text: &str) {
        let path = root.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    #[test]
    fn the_worst_of_each_is_found_and_what_is_not_there_is_not_known() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path();
        let places = Places {
            data: root.to_owned(),
            ext4: root.join("ext4"),
            thermal: root.join("thermal"),
            meminfo: root.join("meminfo"),
        };
        let bare = look(&places);
        assert_eq!((bare.card_errors, bare.hottest_c, bare.memory), (None, None, None));
        put(root, "ext4/mmcblk0p1/errors_count", "0\n");
        put(root, "ext4/mmcblk0p2/errors_count", "3\n");
        put(root, "ext4/features/lazy_itable_init", "supported\n");
        put(root, "thermal/thermal_zone0/temp", "51540\n");
        put(root, "thermal/thermal_zone1/temp", "63000\n");
        put(root, "thermal/thermal_zone2/temp", "-274000\n");
        put(root, "thermal/cooling_device0/temp", "99000\n");
        put(root, "meminfo", "MemTotal:         948304 kB\nMemFree:  1 kB\nMemAvailable:     612345 kB\n");
        let board = look(&places);
        assert_eq!((board.card_errors, board.hottest_c), (Some(3), Some(63.0)));
        assert_eq!(board.memory, Some((612_345 * 1024, 948_304 * 1024)));
    }

    /// `df` of coreutils looks at the same file system.
    #[test]
    fn space_is_what_df_says() {
        let dir = tempfile::tempdir().unwrap();
        let (free, whole) = look(&Places::of(dir.path())).space.unwrap();
        let out = std::process::Command::new("df")
            .args(["-B1", "--output=avail,size"])
            .arg(dir.path())
            .output()
            .unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        let seen: Vec<f64> =
            text.lines().nth(1).unwrap().split_whitespace().map(|word| word.parse().unwrap()).collect();
        assert_eq!(whole as f64, seen[1]);
        // Others write meanwhile.
        assert!((free as f64 - seen[0]).abs() < 5e9, "{free} {seen:?}");
    }
}
