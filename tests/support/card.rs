//! A card for tests: an ext4 of its own, whose writes are counted.

use std::fs;
use std::process::Command;

/// Else the kernel lays out tables and journal for minutes after the mount, and that would be counted as ours.
const LAID_OUT: &str = "lazy_itable_init=0,lazy_journal_init=0";

/// An ext4 in a file behind a loop device; unmounted with the test.
pub struct Card {
    folder: tempfile::TempDir,
    device: String,
}

impl Card {
    /// So many MiB, mounted with these options; `None` without root or loop devices, which is said.
    pub fn insert(mib: u64, options: &str) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let image = folder.path().join("image");
        fs::File::create(&image).unwrap().set_len(mib << 20).unwrap();
        let made = run("mkfs.ext4", &["-q", "-E", LAID_OUT, image.to_str().unwrap()]).is_some();
        let device = made.then(|| run("losetup", &["--find", "--show", image.to_str().unwrap()])).flatten();
        let Some(device) = device else {
            eprintln!("LEFT OUT: a card needs root, mkfs.ext4 and a loop device");
            return None;
        };
        let card = Self { folder, device };
        fs::create_dir(card.place()).unwrap();
        run("mount", &["-o", options, &card.device, card.place().to_str().unwrap()])?;
        Some(card)
    }

    /// Where it is mounted.
    pub fn place(&self) -> std::path::PathBuf {
        self.folder.path().join("card")
    }

    /// The file system gives up as it does when the card fails under it: from now on it can only be read.
    pub fn give_up(&self) {
        run("mount", &["-o", "remount,abort", self.place().to_str().unwrap()]).unwrap();
    }

    /// Taken out, looked over and put in again.
    pub fn again(&self) {
        run("umount", &[self.place().to_str().unwrap()]).unwrap();
        // 1 = something was put right, which it should be.
        let looked = Command::new("e2fsck").args(["-p", &self.device]).output().unwrap();
        assert!(looked.status.code() <= Some(1), "{looked:?}");
        run("mount", &[&self.device, self.place().to_str().unwrap()]).unwrap();
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
}

impl Drop for Card {
    fn drop(&mut self) {
        let _ = run("umount", &["--lazy", self.place().to_str().unwrap()]);
        let _ = run("losetup", &["--detach", &self.device]);
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
