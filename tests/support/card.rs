//! A card for tests: an ext4 or a small tmpfs of its own, which may fill, go read-only, or be counted.

use std::fs;
use std::path::Path;
use std::process::Command;

/// An ext4 in a file behind a loop device; unmounted with the test.
pub struct Card {
    folder: tempfile::TempDir,
    device: String,
}

impl Card {
    /// So many MiB; `None` without root or loop devices, which is said.
    pub fn insert(mib: u64) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let image = folder.path().join("image");
        fs::File::create(&image).unwrap().set_len(mib << 20).unwrap();
        let made = run("mkfs.ext4", &["-q", image.to_str().unwrap()]).is_some();
        let device = made.then(|| run("losetup", &["--find", "--show", image.to_str().unwrap()])).flatten();
        let Some(device) = device else {
            eprintln!("LEFT OUT: a card needs root, mkfs.ext4 and a loop device");
            return None;
        };
        let card = Self { folder, device };
        fs::create_dir(card.place()).unwrap();
        run("mount", &[&card.device, card.place().to_str().unwrap()])?;
        Some(card)
    }

    /// Where it is mounted.
    pub fn place(&self) -> std::path::PathBuf {
        self.folder.path().join("card")
    }

    /// Everything written goes down.
    pub fn sync(&self) {
        run("sync", &["--file-system", self.place().to_str().unwrap()]).unwrap();
    }

    /// Bytes that its block device was given to write since it came (kernel: Documentation/block/stat).
    pub fn written(&self) -> u64 {
        let name = self.device.trim_start_matches("/dev/");
        let stat = fs::read_to_string(format!("/sys/block/{name}/stat")).unwrap();
        stat.split_whitespace().nth(6).unwrap().parse::<u64>().unwrap() * 512
    }

    /// Mounts it anew, `ro` or `rw`.
    pub fn remount(&self, how: &str) -> bool {
        run("mount", &["-o", &format!("remount,{how}"), self.place().to_str().unwrap()]).is_some()
    }
}

impl Drop for Card {
    fn drop(&mut self) {
        let _ = run("umount", &["--lazy", self.place().to_str().unwrap()]);
        let _ = run("losetup", &["--detach", &self.device]);
    }
}

/// A file system in memory that is full after so many KiB; unmounted with the test.
pub struct SmallDisk {
    folder: tempfile::TempDir,
}

impl SmallDisk {
    /// `None` without root, which is said.
    pub fn mount(kib: u64) -> Option<Self> {
        let disk = Self { folder: tempfile::tempdir().unwrap() };
        let size = format!("size={kib}k");
        if run("mount", &["-t", "tmpfs", "-o", &size, "rindwatch-test", disk.place().to_str().unwrap()])
            .is_none()
        {
            eprintln!("LEFT OUT: a small file system needs root");
            return None;
        }
        Some(disk)
    }

    /// Where it is mounted.
    pub fn place(&self) -> &Path {
        self.folder.path()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = run("umount", &["--lazy", self.place().to_str().unwrap()]);
    }
}

/// What a program says; `None` = it is not there or failed.
fn run(program: &str, words: &[&str]) -> Option<String> {
    let done = Command::new(program).args(words).output().ok()?;
    if !done.status.success() {
        eprintln!("{program} {words:?}: {}", String::from_utf8_lossy(&done.stderr));
    }
    done.status.success().then(|| String::from_utf8_lossy(&done.stdout).trim().to_owned())
}
