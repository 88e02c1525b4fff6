//! What this machine says of its clock in this boot: files and one question, all readable under the
//! restrictions of the unit in `deploy/`.
//!
//! The kernel's own status would be one call away (adjtimex), but `ProtectClock=` forbids that call even for
//! reading (systemd.exec(5); its set `@clock`), so it is asked through `timedatectl`, whose service may.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::UNIX_EPOCH;

use super::OLDEST_MS;
use crate::record::{ClockKeeping, ClockWord, KeptBy, Millis, TimeSource};

/// systemd-timesyncd touches it each time it has heard a time server; gone at each boot.
const TIMESYNC: &str = "run/systemd/timesync/synchronized";
/// Seconds since 1970 by the hardware clock.
const HARDWARE: &str = "sys/class/rtc/rtc0/since_epoch";
/// Seconds since the boot, sleep included.
const UPTIME: &str = "/proc/uptime";
/// Another text at each boot.
const BOOT: &str = "/proc/sys/kernel/random/boot_id";
/// A hardware clock this near the system clock agrees with it.
const AGREES_MS: Millis = 60_000;

/// Where the files of a machine lie.
#[derive(Debug, Clone)]
pub struct Machine {
    root: PathBuf,
}

impl Machine {
    /// This one.
    pub fn real() -> Self {
        Self { root: PathBuf::from("/") }
    }

    /// One whose files lie under `root`, for tests.
    pub fn under(root: &Path) -> Self {
        Self { root: root.to_path_buf() }
    }

    /// Every file that is looked at.
    pub fn files(keeping: &ClockKeeping) -> Vec<PathBuf> {
        let fixed = [TIMESYNC, HARDWARE].iter().map(|file| Path::new("/").join(file));
        fixed.chain([UPTIME.into(), BOOT.into()]).chain(keeping.set_file.clone()).collect()
    }

    /// What speaks for the system clock, standing at `wall_ms`: nothing, or each word that was given, for some may
    /// count where others no longer do. `service_ms`: when the time service was asked that last said yes.
    pub fn evidence(
        &self,
        keeping: &ClockKeeping,
        wall_ms: Millis,
        service_ms: Option<Millis>,
    ) -> Vec<ClockWord> {
        if wall_ms < OLDEST_MS {
            return Vec::new();
        }
        let made = |source, made_ms| ClockWord { source, made_ms };
        if keeping.by == KeptBy::Host {
            return vec![made(TimeSource::Host, None)];
        }
        let told = [
            (TimeSource::Timesyncd, self.touched_ms(Path::new(TIMESYNC))),
            (TimeSource::TimeService, service_ms),
            (TimeSource::SetFile, keeping.set_file.as_deref().and_then(|file| self.touched_ms(file))),
        ];
        let told = told.into_iter().filter_map(|(source, ms)| Some(made(source, Some(ms?))));
        let kept = keeping.by == KeptBy::Battery && self.hardware_agrees(wall_ms);
        told.chain(kept.then(|| made(TimeSource::Battery, None))).collect()
    }

    /// What this machine will have to show, in words, for `check`.
    pub fn outlook(&self, keeping: &ClockKeeping) -> Vec<String> {
        let mut lines = Vec::new();
        match keeping.by {
            KeptBy::Host => lines.push(
                "believed as it stands, since [clock] says that the host keeps it; a wrong clock there is a wrong \
                 clock here"
                    .to_owned(),
            ),
            KeptBy::Battery if self.at(Path::new(HARDWARE)).is_none() => lines.push(
                "[clock] says that a battery keeps it, but this machine shows no hardware clock \
                 (/sys/class/rtc/rtc0): only a time service will count"
                    .to_owned(),
            ),
            KeptBy::Battery => {
                lines.push("believed while the hardware clock with its battery agrees within a minute".to_owned());
            }
            KeptBy::Network => {}
        }
        if keeping.by != KeptBy::Host {
            let timesyncd = self.root.join(TIMESYNC).parent().is_some_and(Path::exists);
            let service = self.root.join("run/systemd/system").exists();
            let heard =
                if self.at(Path::new(TIMESYNC)).is_some() { "it has, in this boot" } else { "not yet" };
            lines.push(match (timesyncd, service, &keeping.set_file) {
                (true, ..) => format!("believed once systemd-timesyncd has heard a time server: {heard}"),
                (_, true, _) => {
                    "believed once timedatectl says that a time service (chrony, ntpd) keeps it".to_owned()
                }
                (.., Some(file)) => format!("believed once {} is touched", file.display()),
                _ if keeping.by == KeptBy::Battery => return lines,
                _ => "nothing here can say whether it is right: no systemd-timesyncd, no timedatectl. Until two \
                      nodes with own times agree nothing is closed or told; set kept-by or set-file under [clock]"
                    .to_owned(),
            });
        }
        lines
    }

    fn at(&self, file: &Path) -> Option<fs::Metadata> {
        fs::metadata(self.root.join(file.strip_prefix("/").unwrap_or(file))).ok()
    }

    fn touched_ms(&self, file: &Path) -> Option<Millis> {
        let touched = self.at(file)?.modified().ok()?;
        let since = touched.duration_since(UNIX_EPOCH).ok()?;
        i64::try_from(since.as_millis()).ok()
    }

    fn hardware_agrees(&self, wall_ms: Millis) -> bool {
        let told = fs::read_to_string(self.root.join(HARDWARE)).ok();
        let seconds = told.and_then(|words| words.trim().parse::<i64>().ok());
        // Whole seconds are cut, so half a second is lost on average: nothing beside a minute.
        seconds
            .is_some_and(|seconds| seconds.saturating_mul(1000).abs_diff(wall_ms) < AGREES_MS.unsigned_abs())
    }
}

/// Asks the machine's time service through `timedatectl` whether the kernel's clock is synchronised: true for
/// chrony and ntpd as well, and false again after any other hand has set the clock. May take seconds.
pub fn service_answers() -> bool {
    let asked = Command::new("timedatectl")
        .args(["show", "--property=NTPSynchronized", "--value"])
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output();
    asked.is_ok_and(|answer| answer.status.success() && answer.stdout.trim_ascii() == b"yes")
}

pub(super) fn since_boot_ms() -> Option<Millis> {
    let words = fs::read_to_string(UPTIME).ok()?;
    let seconds: f64 = words.split_whitespace().next()?.parse().ok()?;
    seconds.is_finite().then_some((seconds * 1000.0) as Millis)
}

pub(super) fn boot() -> String {
    // Without it two boots would look like one; such a name is never met again.
    fs::read_to_string(BOOT).map_or_else(|_| format!("run-{}", std::process::id()), |id| id.trim().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW_MS: Millis = OLDEST_MS + 86_400_000;

    /// A machine with these files.
    fn machine(files: &[(&str, &str)]) -> (tempfile::TempDir, Machine) {
        let root = tempfile::tempdir().unwrap();
        for (file, words) in files {
            let at = root.path().join(file);
            fs::create_dir_all(at.parent().unwrap()).unwrap();
            fs::write(at, words).unwrap();
        }
        let machine = Machine::under(root.path());
        (root, machine)
    }

    fn kept(by: KeptBy) -> ClockKeeping {
        ClockKeeping { by, set_file: None }
    }

    fn source(machine: &Machine, keeping: &ClockKeeping, wall_ms: Millis) -> Option<TimeSource> {
        machine.evidence(keeping, wall_ms, None).first().map(|word| word.source)
    }

    #[test]
    fn a_machine_that_says_nothing_is_not_believed_however_late_its_clock() {
        let (_root, machine) = machine(&[]);
        assert_eq!(source(&machine, &kept(KeptBy::Network), NOW_MS), None);
        assert_eq!(source(&machine, &kept(KeptBy::Battery), NOW_MS), None);
        assert_eq!(source(&machine, &kept(KeptBy::Host), NOW_MS), Some(TimeSource::Host));
        assert_eq!(source(&machine, &kept(KeptBy::Host), OLDEST_MS - 1), None, "older than the program");
    }

    #[test]
    fn the_words_of_time_services_count_and_each_is_given() {
        let (_root, machine) = machine(&[(TIMESYNC, ""), ("run/set", "")]);
        let words = machine.evidence(&kept(KeptBy::Network), NOW_MS, None);
        assert_eq!((words.len(), words[0].source), (1, TimeSource::Timesyncd));
        assert!(words[0].made_ms.is_some());
        let keeping = ClockKeeping { by: KeptBy::Network, set_file: Some("/run/set".into()) };
        let words = machine.evidence(&keeping, NOW_MS, Some(i64::MAX));
        let sources: Vec<TimeSource> = words.iter().map(|word| word.source).collect();
        assert_eq!(sources, [TimeSource::Timesyncd, TimeSource::TimeService, TimeSource::SetFile]);
        assert_eq!(words[1].made_ms, Some(i64::MAX));
    }

    #[test]
    fn a_hardware_clock_counts_only_with_its_battery_and_while_it_agrees() {
        let seconds = (NOW_MS / 1000 - 20).to_string();
        let (_root, machine) = machine(&[(HARDWARE, &seconds)]);
        assert_eq!(source(&machine, &kept(KeptBy::Network), NOW_MS), None, "it may have none");
        assert_eq!(source(&machine, &kept(KeptBy::Battery), NOW_MS), Some(TimeSource::Battery));
        assert_eq!(source(&machine, &kept(KeptBy::Battery), NOW_MS + 120_000), None);
    }

    #[test]
    fn this_boot_has_a_name_and_an_age() {
        assert_eq!(boot(), boot());
        assert!(since_boot_ms().unwrap() > 0);
    }
}
